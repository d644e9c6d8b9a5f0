"""Relief, litter, light and camera of scenes: each tells in the picture and leaves the truth of places alone."""

import cv2
import numpy as np
import pandas as pd
import pytest
from fixtures.scenes import recipe

from standcam.errors import BadSettings
from standcam.synthetic import crumb, soil
from standcam.synthetic.camera import place_camera
from standcam.synthetic.ground_grid import make_grid
from standcam.synthetic.litter import dry_leaf_mesh, stalk_mesh, stick_mesh
from standcam.synthetic.noise import develop
from standcam.synthetic.recipe import CaptureRecipe, GroundRecipe, LightRecipe
from standcam.synthetic.render import veiled
from standcam.synthetic.scene import PLACE_COLUMNS, make_scene

LOW, HIGH = np.array([-1000.0, 500.0]), np.array([3000.0, 2500.0])
GRID = make_grid(np.array([-300.0, -300.0]), np.array([300.0, 300.0]), 1.0)
NO_ROWS, NO_STEMS = np.empty(0), np.empty((0, 2))


def relief(**values):
    ground = GroundRecipe(straw_per_m2=0.0, **values)
    return soil.relief(GRID, ground, NO_ROWS, NO_STEMS, np.random.default_rng(4))


# soil


def test_without_its_values_nothing_of_the_rough_relief_is_drawn():
    assert not crumb.rough(GroundRecipe())
    for values in ({"relief": 1.5}, {"pits": 0.2}, {"crust": 0.1}, {"tyre_tracks_mm": (0.0,)}):
        assert crumb.rough(GroundRecipe(**values))


def test_relief_is_a_factor_on_heights():
    np.testing.assert_allclose(relief(relief=2.0), 2 * relief(), rtol=1e-4, atol=1e-4)


def test_pits_and_cracks_go_down_and_crumbs_go_up_and_down():
    level = relief()
    pits, cracks = relief(pits=1.0) - level, relief(cracks=1.0) - level
    assert pits.max() < 1e-4 and cracks.max() < 1e-4
    assert -1.6 * crumb.PIT_MM < pits.min() < -0.7 * crumb.PIT_MM
    assert -1.7 * crumb.CRACK_MM < cracks.min() < -0.6 * crumb.CRACK_MM
    assert 0.05 < (pits < -2).mean() < 0.6  # cavities, not all of the soil
    assert 0.003 < (cracks < -2).mean() < 0.25  # cracks are narrow
    crumbs = relief(crumbs=1.0) - level
    assert crumbs.max() > 5 and crumbs.min() < -2


def test_crust_smooths_between_rough_patches():
    rough, crusted = relief(pits=1.0, crumbs=1.0), relief(pits=1.0, crumbs=1.0, crust=1.0)
    # the flattest third of the squares is flatter by far, the roughest hardly
    fine = [
        np.sort((h - cv2.GaussianBlur(h, (0, 0), 9))[:600, :600].reshape(20, 30, 20, 30).std((1, 3)).ravel())
        for h in (rough, crusted)
    ]
    assert fine[1][:130].mean() < 0.55 * fine[0][:130].mean()
    assert fine[1][-40:].mean() > 0.7 * fine[0][-40:].mean()


def test_tyres_press_a_track_of_lugs():
    with_track, without = relief(tyre_tracks_mm=(50.0,)), relief()
    y = GRID.y0_mm + np.arange(GRID.rows) * GRID.cell_mm - 50
    outside = np.abs(y) > crumb.TRACK_MM / 2 + 1
    np.testing.assert_allclose(with_track[outside], without[outside], atol=1e-4)
    inside = with_track[np.abs(y) < crumb.TRACK_MM / 2 - 20].mean(0)
    assert inside.mean() < without.mean() - 0.3 * crumb.RUT_MM
    # one period along the track is the distance of two lugs
    power = np.abs(np.fft.rfft(with_track[np.abs(y - 60) < 2].mean(0) - inside.mean())) ** 2
    assert 600 / (1 + power[1:].argmax()) == pytest.approx(crumb.LUG_MM, rel=0.15)


def test_stems_stand_on_the_floor_of_the_rough_soil():
    ground = GroundRecipe(pits=1.0, crumbs=1.0, cracks=1.0, relief=2.0, furrow_depth_mm=6.0)
    stems = np.array([[0.0, 0.0], [120.0, 2.0]])
    h = soil.relief(GRID, ground, np.array([0.0]), stems, np.random.default_rng(4))
    for x, y in np.round(GRID.cells(stems)).astype(int):
        assert h[y, x] == pytest.approx(-6.0, abs=0.1)


def test_patches_and_tint_change_the_soils_colour():
    h = relief()

    def colour(**values):
        return soil.reflectance(GRID, GroundRecipe(**values), h, np.random.default_rng(8))

    plain, tinted, patched = colour(), colour(tint=(0.5, 1.0, 1.0)), colour(patches=1.0)
    np.testing.assert_array_equal(tinted[..., 1:], plain[..., 1:])
    halved = np.isclose(tinted[..., 0], 0.5 * plain[..., 0], rtol=0.02)
    assert halved.mean() > 0.99  # grains and small stones keep their own colour
    ratio = (patched / plain)[..., 0]
    assert np.percentile(ratio, 5) < 0.75 and np.percentile(ratio, 95) > 1.3


# litter


@pytest.mark.parametrize(
    ("make", "a_piece"),
    [(dry_leaf_mesh, 2 * 9 * 5), (stick_mesh, 2 * 5 * 2), (stalk_mesh, 2 * 19 * 10 + 4 * 2 * 10)],
)
def test_litter_is_as_much_as_asked_and_inside(make, a_piece):
    mesh = make(LOW, HIGH, 30.0, np.random.default_rng(1))
    assert len(mesh) % a_piece == 0
    assert len(mesh) / a_piece == pytest.approx(240, abs=4 * np.sqrt(240))  # Poisson
    place = mesh.corners[..., :2].reshape(-1, a_piece * 3, 2).mean(1)
    assert ((place > LOW - 5) & (place < HIGH + 5)).all()
    assert (mesh.owner == 0).all() and ((mesh.colour > 0) & (mesh.colour < 1)).all()
    assert mesh.corners[..., 2].min() > -4 and mesh.corners[..., 2].max() < 130
    assert np.isfinite(mesh.normals).all()
    again = make(LOW, HIGH, 30.0, np.random.default_rng(1))
    np.testing.assert_array_equal(mesh.corners, again.corners)
    assert not len(make(LOW, HIGH, 0.0, np.random.default_rng(1)))


def test_a_stalks_upper_side_is_laid_last():
    mesh = stalk_mesh(LOW, LOW + 400, 12.0, np.random.default_rng(3))
    z = mesh.corners[..., 2].mean(1).reshape(-1, 2 * 19 * 10 + 4 * 2 * 10)
    assert (np.diff(z, axis=1) >= 0).all()


# light and camera


def test_veil_is_thicker_over_what_is_farther():
    camera = place_camera(recipe(camera={"tilt_deg": 35.0}).camera)
    dark = np.zeros((camera.height_px, camera.width_px, 3), np.float32)
    dark[::8, ::8] = 0.5  # what the stray light is measured on
    hazy = veiled(dark, camera, 0.2)[4::8, 4::8].mean(2)
    middle = hazy[hazy.shape[0] // 2, hazy.shape[1] // 2]
    assert middle == pytest.approx(0.2 * 0.5 * 1.007, rel=0.03)  # the haze's colour has a mean of 1.007
    column = hazy[:, hazy.shape[1] // 2]
    assert (np.diff(column) < 0).all()  # the far ground is at the top
    assert column[0] > 1.15 * column[-1]


def test_contrast_and_radius_of_sharpening():
    rng = np.random.default_rng(0)
    plain = CaptureRecipe(noise=0.0, vignette=0.0, saturation=1.0, blur_px=0.0, sharpening=0.0)
    light = np.repeat(rng.uniform(0.1, 0.3, (40, 40, 1)).astype(np.float32), 3, axis=2)

    def spread(**values):
        return develop(light, CaptureRecipe(**{**vars(plain), **values}), rng, 1.0).astype(float).std()

    assert spread(contrast=1.3) == pytest.approx(1.3 * spread(), rel=0.02)
    step = np.full((20, 60, 3), 0.1, np.float32)
    step[:, 30:] = 0.2
    seams = []
    for radius in (0.8, 2.5):
        y = develop(step, CaptureRecipe(**{**vars(plain), "sharpening": 1.0, "sharpen_px": radius}), rng, 1.0)
        line = y[10, :, 1].astype(int)
        seams.append((line > line[-1] + 2).sum())
    assert seams[1] > seams[0] >= 1


def scene_with(**parts):
    base = {
        "camera": {"width_px": 480, "height_px": 360, "focal_length_35mm": 40.0},
        "target": {"kind": "none"},
        "light": {"sun_elevation_deg": 30.0},
    }
    r = recipe("looks", **{part: base.get(part, {}) | parts.get(part, {}) for part in base.keys() | parts.keys()})
    return make_scene(r, r.rng(6))


@pytest.fixture(scope="module")
def plain():
    return scene_with()


@pytest.mark.parametrize(
    "parts",
    [
        {"ground": {"pits": 1.0}},
        {"ground": {"crumbs": 1.0}},
        {"ground": {"cracks": 1.0}},
        {"ground": {"relief": 2.0}},
        {"ground": {"patches": 1.0}},
        {"ground": {"tint": (0.6, 0.8, 1.0)}},
        {"light": {"softness": 6.0}},
        {"light": {"sky": 0.4}},
        {"light": {"veil": 0.3}},
        {"capture": {"contrast": 1.3}},
        {"capture": {"sharpen_px": 2.5, "sharpening": 1.0}},
    ],
    ids=lambda parts: "-".join(next(iter(parts.values()))),
)
def test_each_look_changes_the_picture_and_no_truth(plain, parts):
    other = scene_with(**parts)
    assert np.abs(other.rgb.astype(float) - plain.rgb).mean() > 0.5
    pd.testing.assert_frame_equal(other.truth, plain.truth)
    np.testing.assert_array_equal(other.plant_ids, plain.plant_ids)


def test_litter_lies_under_plants_and_changes_no_place(plain):
    other = scene_with(ground={"dry_leaves_per_m2": 60.0, "sticks_per_m2": 80.0, "stalks_per_m2": 20.0})
    assert (np.abs(other.rgb.astype(int) - plain.rgb).max(2) > 40).mean() > 0.02
    pd.testing.assert_frame_equal(other.truth[PLACE_COLUMNS], plain.truth[PLACE_COLUMNS])
    np.testing.assert_array_equal(other.plant_ids, plain.plant_ids)


@pytest.mark.parametrize(
    ("kind", "values", "words"),
    [
        (GroundRecipe, {"pits": 2.0}, "pits is 2"),
        (GroundRecipe, {"relief": 9.0}, "relief is 9"),
        (GroundRecipe, {"tint": (1.0,)}, "tint is"),
        (GroundRecipe, {"sticks_per_m2": -1.0}, "sticks_per_m2 is -1"),
        (LightRecipe, {"veil": 1.0}, "veil is 1"),
        (LightRecipe, {"softness": 0.0}, "softness is 0"),
        (CaptureRecipe, {"contrast": 0.0}, "contrast is 0"),
        (CaptureRecipe, {"sharpen_px": 9.0}, "sharpen_px is 9"),
    ],
)
def test_impossible_looks_are_refused(kind, values, words):
    with pytest.raises(BadSettings) as caught:
        kind(**values)
    assert words in str(caught.value)
