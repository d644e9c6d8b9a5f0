"""Rendered scenes: the truth holds in the pixels."""

import json

import cv2
import numpy as np
import pandas as pd
import pytest
from fixtures.scenes import RECIPES, SEED, recipe, scene

from standcam.errors import ResultsExist
from standcam.images.photo import read_photo
from standcam.synthetic import ground_grid
from standcam.synthetic import light as lighting
from standcam.synthetic.camera import place_camera
from standcam.synthetic.field import lay_field
from standcam.synthetic.mesh import join
from standcam.synthetic.noise import write_jpeg
from standcam.synthetic.plant_shapes import plant_mesh
from standcam.synthetic.raster import silhouette_px
from standcam.synthetic.recipe import CaptureRecipe, LightRecipe, RecipeBook, TargetRecipe
from standcam.synthetic.render import render
from standcam.synthetic.scene import PLACE_COLUMNS, TRUTH_COLUMNS, make_scene, scene_places, write_scenes
from standcam.synthetic.targets import make_target

GROWN = ["plain", "sun", "overcast", "tilted", "portrait", "stick", "soybean", "weedy"]


@pytest.mark.parametrize("name", GROWN)
def test_stem_bases_are_where_the_camera_sees_the_ground_point(name):
    made = scene(name)
    truth = made.truth
    ground = made.ground_map().to_ground(truth[["x_px", "y_px"]].to_numpy()) * 10
    # truth is rounded to 0.01 px, which is up to 0.1 mm on the far ground
    np.testing.assert_allclose(ground, truth[["x_along_row_mm", "y_across_mm"]].to_numpy(), atol=0.1)
    assert list(truth.columns) == TRUTH_COLUMNS
    assert truth.plant_id.is_unique


@pytest.mark.parametrize("name", GROWN)
def test_a_plant_reaches_its_own_stem_base(name):
    made = scene(name)
    clear = made.truth[(made.truth.kind != "weed") & (made.truth.visible == 1) & (made.truth.base_visible == 1)]
    assert len(clear) >= 5
    near = 0
    for number, plant in clear.iterrows():
        y, x = np.nonzero(made.plant_ids == number + 1)
        near += np.hypot(x - plant.x_px, y - plant.y_px).min() <= 2.5
    # a stem of one or two pixels may cover no half of a pixel, or another plant's leaf may hide its foot
    assert near >= 0.9 * len(clear)


@pytest.mark.parametrize("name", GROWN)
def test_masks_agree_with_the_table(name):
    made = scene(name)
    count = np.bincount(made.plant_ids.ravel(), minlength=len(made.truth) + 1)[1:]
    big = made.truth.n_px > 200
    np.testing.assert_allclose(count[big], made.truth.n_px[big], rtol=0.15)
    label = np.r_[0, np.where(made.truth.kind == "weed", 2, 1)]
    np.testing.assert_array_equal(made.labels, label[made.plant_ids])
    assert made.rgb.dtype == np.uint8
    assert made.rgb.shape[:2] == made.labels.shape == (made.camera.height_px, made.camera.width_px)


@pytest.mark.parametrize("name", GROWN)
def test_visible_follows_its_rule(name):
    truth = scene(name).truth
    rule = (truth.in_image == 1) & (truth.visible_frac >= 0.25) & (truth.n_px >= 30)
    # n_px is rounded in the table
    edge = (truth.n_px == 30) | truth.visible_frac.between(0.2495, 0.2505)
    np.testing.assert_array_equal(truth.visible[~edge], rule[~edge].astype(int))


def test_lone_plants_within_the_picture_are_seen_whole():
    made = scene("plain")
    h, w = made.labels.shape
    for number, plant in made.truth.iterrows():
        y, x = np.nonzero(made.plant_ids == number + 1)
        if len(x) and x.min() > 2 and x.max() < w - 3 and y.min() > 2 and y.max() < h - 3:
            assert plant.visible_frac > 0.6  # neighbours' leaves may lie over it
    assert (made.truth.visible_frac > 0.98).sum() >= 5


def test_green_is_where_the_mask_says():
    made = scene("plain")
    rgb = made.rgb.astype(int)
    excess = 2 * rgb[..., 1] - rgb[..., 0] - rgb[..., 2]
    assert np.median(excess[made.labels > 0]) > np.percentile(excess[made.labels == 0], 99)


def test_plants_under_the_board_are_listed_and_not_visible():
    # the board lies on the row
    r = recipe("covered", target={"y_mm": 0.0, "angle_deg": 0.0}, crop={"weeds_per_m2": 0.0})
    made = make_scene(r, r.rng(1))
    under = made.truth[(made.truth.x_along_row_mm.abs() < 199) & (made.truth.row_id == 0)]
    assert len(under) >= 2
    assert (under[["visible", "n_px", "base_visible"]].to_numpy() == 0).all()
    assert made.truth.visible.sum() > 0


def test_occlusion_takes_the_nearer_plant():
    # looking along the row at 45 degrees, plants hide the ones behind them
    r = recipe(
        "behind",
        camera={"tilt_deg": 45.0, "azimuth_deg": 0.0, "height_mm": 600.0, "focal_length_35mm": 50.0},
        crop={"weeds_per_m2": 0.0, "stage": 4.0},
        planter={"nominal_spacing_mm": 40.0, "p_skip": 0.0, "p_no_emergence": 0.0, "p_late": 0.0},
        target={"kind": "none"},
    )
    made = make_scene(r, r.rng(2))
    hidden = made.truth[(made.truth.in_image == 1) & (made.truth.row_id == 0)]
    assert (hidden.visible_frac < 0.8).mean() > 0.5
    # the nearest plant of the row, at the lower edge, has nothing in front of it
    nearest = hidden.sort_values("x_along_row_mm").iloc[:4]
    assert nearest.visible_frac.max() > hidden.visible_frac.median()


def detect(rgb):
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50))
    corners, ids, _ = detector.detectMarkers(rgb)
    return {int(id): found[0] for id, found in zip(ids.ravel(), corners, strict=True)}


def test_board_markers_are_where_the_camera_sees_them():
    made = scene("board")
    found = detect(made.rgb)
    assert sorted(found) == [0, 1, 2, 3]
    for id, corners in found.items():
        true, _ = made.camera.project(made.target.markers[id])
        # whole-pixel contours that run inside the black: corners are good to some pixels, centres better
        assert np.abs(corners - true).max() < 2.5
        assert np.abs(corners.mean(0) - true.mean(0)).max() < 0.5


def test_marker_edges_lie_at_half_light_to_a_tenth_of_a_pixel():
    r = RECIPES["plain"].replace("target", angle_deg=0.0)
    camera = place_camera(r.camera)
    target = make_target(r.target, np.random.default_rng(0))
    field = lay_field(r.replace("planter", p_skip=1.0), camera, np.random.default_rng(0)).assign(z_mm=0.0)
    grey = render(r, field, camera, target, np.random.default_rng(0)).linear.mean(2)
    for corners in target.markers.values():
        px, _ = camera.project(corners)
        # the outermost of six cells is black all along: cross the marker in the middle of it
        y = round(px[0, 1] + (px[3, 1] - px[0, 1]) / 12)
        for edge, sign in ((px[0, 0], 1), (px[1, 0], -1)):
            x = round(edge) + sign * np.arange(-6, 4)
            light = grey[y, x]
            half = (light[:3].mean() + light[-2:].mean()) / 2
            k = np.flatnonzero((light[:-1] > half) & (light[1:] <= half))[0]
            crossing = x[k] + sign * (light[k] - half) / (light[k] - light[k + 1])
            assert abs(crossing - edge) < 0.1


def test_missing_markers_are_missing():
    r = RECIPES["board"].replace("target", missing=(2,))
    made = make_scene(r, r.rng(SEED))
    assert set(detect(made.rgb)) == {0, 1, 3} == set(made.target.markers)


def test_a_tilted_board_keeps_its_size_and_stands_on_its_lower_edge():
    target = make_target(TargetRecipe(tilt_deg=12.0, angle_deg=30.0, lift_mm=2.0), np.random.default_rng(0))
    corner = target.outline_mm
    assert np.linalg.norm(corner[1] - corner[0]) == pytest.approx(400)
    assert np.linalg.norm(corner[3] - corner[0]) == pytest.approx(300)
    np.testing.assert_allclose(corner[:, 2], 2 + 300 * np.sin(np.deg2rad(12)) * np.array([1, 1, 0, 0]), atol=1e-9)


def test_stick_is_white_with_dark_ends_a_metre_apart():
    made = scene("stick")
    ends = made.target.ends_mm
    assert np.linalg.norm(ends[1] - ends[0]) == pytest.approx(1000)
    share = np.array([0.05, 0.5, 0.95])[:, None]
    px, _ = made.camera.project(ends[0] + share * (ends[1] - ends[0]))
    grey = [made.rgb[y - 1 : y + 2, x - 1 : x + 2].mean() for x, y in px.round().astype(int)]
    assert grey[0] < 90 and grey[2] < 90 and grey[1] > 180


def test_no_plants_gives_an_empty_table_with_all_columns():
    made = scene("bare")
    assert len(made.truth) == 0
    assert list(made.truth.columns) == TRUTH_COLUMNS
    assert not made.labels.any()


def test_same_seed_same_picture_other_seed_other_picture():
    r = RECIPES["plain"].replace("camera", width_px=320, height_px=240)
    one, again, other = (make_scene(r, r.rng(seed)) for seed in (1, 1, 2))
    np.testing.assert_array_equal(one.rgb, again.rgb)
    pd.testing.assert_frame_equal(one.truth, again.truth)
    assert (one.rgb != other.rgb).mean() > 0.5


def test_places_do_not_hang_on_light_soil_or_sensor():
    made = scene("sun")
    shown = made.truth.loc[made.truth.in_image == 1, PLACE_COLUMNS].reset_index(drop=True)
    changed = (
        RECIPES["sun"]
        .replace("light", kind="overcast")
        .replace("ground", soil="wet", straw_per_m2=300.0)
        .replace("capture", blur_px=3.0)
    )
    pd.testing.assert_frame_equal(scene_places(changed, changed.rng(SEED)), shown)


def test_row_line_lies_on_the_row():
    made = scene("tilted")
    line = made.row_line(0)
    row = made.truth[(made.truth.row_id == 0) & (made.truth.in_image == 1)]
    ground = made.ground_map().to_ground(row[["x_px", "y_px"]].to_numpy())
    np.testing.assert_allclose(line.position(ground) * 10, row.x_along_row_mm, atol=0.1)
    assert np.abs(line.offset(ground)).max() < 2.0
    assert line.from_cm < line.position(ground).min() and line.position(ground).max() < line.to_cm
    with pytest.raises(ValueError, match="no part of the line"):
        made.row_line(50)


# light


def test_shadow_falls_at_height_over_tangent_of_the_suns_elevation():
    r = LightRecipe(sun_elevation_deg=30.0, sun_azimuth_deg=180.0)
    grid = ground_grid.make_grid(np.array([-100.0, -100]), np.array([400.0, 100]), 1.0)
    light = lighting.cast(r, place_camera(recipe().camera), 90.0, join([]), grid)
    ends = light.along_sun(np.array([[0.0, 0, 100]])) * grid.cell_mm + [grid.x0_mm, grid.y0_mm]
    np.testing.assert_allclose(ends, [[100 / np.tan(np.deg2rad(30)), 0]], atol=1e-6)


def test_shadows_darken_the_soil_in_sun_and_not_under_cloud():
    plants = {"crop": {"weeds_per_m2": 0.0}, "target": {"kind": "none"}}
    sunny, cloudy = recipe("s", **plants), recipe("s", light={"kind": "overcast"}, **plants)
    dark = []
    for r in (sunny, cloudy):
        made = make_scene(r, r.rng(3))
        grey = made.rgb.mean(2)
        near = cv2.dilate((made.labels > 0).astype(np.uint8), np.ones((41, 41), np.uint8)) > 0
        bare = made.labels == 0
        dark.append(np.percentile(grey[near & bare], 3) / np.median(grey[bare]))
    assert dark[0] < 0.35 < dark[1]


def test_photographer_darkens_part_of_the_picture():
    sunny = {"sun_azimuth_deg": 265.0, "sun_elevation_deg": 40.0}
    camera = {"tilt_deg": 12.0, "width_px": 400, "height_px": 300}
    without = recipe("p", light=sunny, camera=camera)
    made = [make_scene(r, r.rng(1)).rgb.mean(2) for r in (without, without.replace("light", photographer_shadow=True))]
    shaded = (made[1] < 0.6 * made[0]).mean()
    assert 0.05 < shaded < 0.6


# plants


@pytest.mark.parametrize("species", ["maize", "soybean", "weed"])
@pytest.mark.parametrize("stage", [0.7, 2.0, 3.4, 5.0])
def test_plants_stand_on_their_base_and_above_the_soil(species, stage):
    mesh = plant_mesh(species, stage, 1, 99)
    z = mesh.corners[..., 2]
    assert np.isfinite(mesh.corners).all()
    # a stem's lowest ring is round about the origin; the stem may lean by some degrees
    assert np.hypot(*mesh.corners[z < 1.0][:, :2].T).min() < 6
    assert z.min() > -1.5
    assert 3 < z.max() < 500
    np.testing.assert_allclose(np.linalg.norm(mesh.normals, axis=-1), 1, atol=1e-6)


def test_older_plants_are_larger():
    for species in ("maize", "soybean"):
        reach = [np.ptp(plant_mesh(species, s, 1, 5).corners.reshape(-1, 3), axis=0).max() for s in (1, 2, 3, 4)]
        assert reach == sorted(reach)


def test_silhouette_of_a_square():
    square = np.array([[[10, 10], [50, 10], [50, 50]], [[10, 10], [50, 50], [10, 50]]], float)
    # OpenCV fills the outline too: half a sample, a quarter of a pixel, on each side
    assert silhouette_px(square) == pytest.approx(40.5**2, rel=0.02)
    assert silhouette_px(np.full((1, 3, 2), np.nan)) == 0.0


# files


def test_files_of_a_scene(tmp_path):
    r = RECIPES["sun"].replace("camera", width_px=320, height_px=240)
    book = RecipeBook(5, (r,))
    truth = write_scenes(book, tmp_path)
    read = pd.read_csv(tmp_path / "truth" / "sun.csv", dtype={"is_double_of": str, "plant_id": str})
    assert list(read.columns) == TRUTH_COLUMNS
    assert len(read) == len(truth) == len(pd.read_csv(tmp_path / "truth.csv"))
    photo = read_photo(tmp_path / "images" / "sun.jpg")
    assert photo.rgb.shape == (240, 320, 3)
    assert photo.focal_length_35mm == 26
    classes = cv2.imread(str(tmp_path / "masks" / "sun_class.png"), cv2.IMREAD_UNCHANGED)
    numbers = cv2.imread(str(tmp_path / "masks" / "sun_plants.png"), cv2.IMREAD_UNCHANGED)
    assert set(np.unique(classes)) <= {0, 1, 2}
    assert numbers.dtype == np.uint16
    np.testing.assert_array_equal(numbers > 0, classes > 0)
    with pytest.raises(ResultsExist):
        write_scenes(book, tmp_path)
    write_scenes(book, tmp_path, force=True)


def test_scene_record_gives_the_camera_back(tmp_path):
    # camera axes x right, y up, z back, as written: rays of the true pixels must meet the true ground points
    r = RECIPES["tilted"].replace("camera", width_px=320, height_px=240)
    write_scenes(RecipeBook(5, (r,)), tmp_path)
    record = json.loads((tmp_path / "scenes" / "tilted.scene.json").read_text())
    truth = pd.read_csv(tmp_path / "truth" / "tilted.csv")
    cam, k1 = record["camera"], record["distortion"]["k1"]
    distorted = (truth[["x_px", "y_px"]].to_numpy() - [cam["cx_px"], cam["cy_px"]]) / cam["fx_px"]
    u = distorted.copy()
    for _ in range(20):
        u = distorted / (1 + k1 * (u**2).sum(1, keepdims=True))
    rays = np.c_[u[:, 0], -u[:, 1], -np.ones(len(u))] @ np.array(cam["R_cam_to_world"]).T
    place = np.array(cam["position_mm"])
    ground = place + rays * (-place[2] / rays[:, 2])[:, None]
    np.testing.assert_allclose(ground[:, :2], truth[["x_along_row_mm", "y_across_mm"]], atol=0.2)


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_stored_orientation_is_undone_by_the_reader(tmp_path, orientation):
    # no plain borders: the reader refuses those of screenshots
    rgb = np.full((60, 80, 3), 20, np.uint8) + (np.indices((60, 80)).sum(axis=0) // 8 % 2 * 40)[..., None].astype(
        np.uint8
    )
    rgb[:30, :40] += np.array([180, 0, 0], np.uint8)
    path = tmp_path / "turned.jpg"
    write_jpeg(path, rgb, CaptureRecipe(orientation=orientation, jpeg_quality=95), recipe().camera)
    photo = read_photo(path)
    assert photo.rgb.shape == rgb.shape
    assert np.abs(photo.rgb.astype(int) - rgb).mean() < 6
