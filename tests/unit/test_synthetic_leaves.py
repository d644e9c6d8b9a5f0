"""Forms and looks of leaves: the plain ones stay, the natural ones stand where the truth says."""

import cv2
import numpy as np
import pandas as pd
import pytest
from fixtures.scenes import recipe

from standcam.errors import BadSettings
from standcam.synthetic.leaf_recipe import LeafRecipe
from standcam.synthetic.plant_shapes import plant_mesh
from standcam.synthetic.ribbons import pointed_leaf
from standcam.synthetic.scene import PLACE_COLUMNS, make_scene, scene_places
from standcam.synthetic.strip_render import LEAF_REACH_MM

WILD = LeafRecipe(form="natural", weeds="many", slender=2.0, droop=1.0, wave=1.0, twist=1.0)
SPECIES = ["maize", "soybean", "weed"]


@pytest.mark.parametrize(
    ("species", "stage", "triangles", "corners", "colours"),
    [
        # taken from the plain forms before there were others
        ("maize", 1.0, 172, 11838.759461833275, 83.0393835292025),
        ("maize", 3.4, 508, 130539.19224209477, 216.82900617587606),
        ("soybean", 1.0, 216, 16211.46602283101, 118.58186970703515),
        ("soybean", 3.4, 1000, 290615.4173880847, 468.2803566575821),
        ("weed", 1.0, 318, 6059.970543306445, 124.69751620798911),
        ("weed", 3.4, 534, 24902.788340371728, 198.10036816798169),
    ],
)
def test_defaults_leave_the_plain_plants_as_they_were(species, stage, triangles, corners, colours):
    mesh = plant_mesh(species, stage, 1, 99)
    assert len(mesh) == triangles
    assert mesh.corners.sum() == pytest.approx(corners, rel=1e-9)
    assert mesh.colour.sum() == pytest.approx(colours, rel=1e-9)


@pytest.mark.parametrize("species", SPECIES)
@pytest.mark.parametrize("stage", [0.7, 1.3, 2.2, 3.4, 5.0])
def test_natural_plants_stand_on_their_base_and_are_one_plants(species, stage):
    for seed in range(12):
        mesh = plant_mesh(species, stage, 7, seed, WILD)
        z = mesh.corners[..., 2]
        assert np.isfinite(mesh.corners).all() and (mesh.owner == 7).all()
        assert np.hypot(*mesh.corners[z < 1.0][:, :2].T).min() < 6
        assert z.min() > -1.5 and 3 < z.max() < 500
        assert np.hypot(mesh.corners[..., 0], mesh.corners[..., 1]).max() < LEAF_REACH_MM
        np.testing.assert_allclose(np.linalg.norm(mesh.normals, axis=-1), 1, atol=1e-6)
        assert ((mesh.colour > 0) & (mesh.colour < 1)).all()
        assert (np.abs(mesh.uv[..., 0]) <= 1).all()


@pytest.mark.parametrize("species", SPECIES)
def test_the_same_seed_grows_the_same_plant(species):
    one, again, other = (plant_mesh(species, 2.4, 1, seed, WILD).corners for seed in (3, 3, 4))
    np.testing.assert_array_equal(one, again)
    assert one.shape != other.shape or not np.allclose(one, other)


def test_colour_and_light_do_not_change_a_plants_form():
    for species in SPECIES:
        one = plant_mesh(species, 2.4, 1, 3, WILD)
        dyed = LeafRecipe(**{**vars(WILD), "tint": (0.6, 0.8, 1.2), "tint_sd": 0.2, "gloss": 4.0})
        other = plant_mesh(species, 2.4, 1, 3, dyed)
        np.testing.assert_array_equal(one.corners, other.corners)
        assert not np.allclose(one.colour, other.colour)


def test_many_weeds_have_many_shapes():
    few, many = ({len(plant_mesh("weed", 2.0, 1, s, LeafRecipe(weeds=w))) for s in range(60)} for w in ("few", "many"))
    assert len(few) <= 2 < 7 <= len(many)


def test_slender_maize_is_narrower_and_longer():
    def sizes(slender: float) -> np.ndarray:
        found = []
        for seed in range(20):
            leaves = LeafRecipe(form="natural", slender=slender, droop=0.0, wave=0.0, twist=0.0)
            mesh = plant_mesh("maize", 3.0, 1, seed, leaves)
            a, b, c = mesh.corners[:, 0], mesh.corners[:, 1], mesh.corners[:, 2]
            area = np.linalg.norm(np.cross(b - a, c - a), axis=1).sum() / 2
            found.append([area, np.hypot(mesh.corners[..., 0], mesh.corners[..., 1]).max()])
        return np.mean(found, axis=0)

    (area, reach), (less, farther) = sizes(1.0), sizes(2.0)
    assert less < 0.85 * area and farther > 1.2 * reach


def test_a_pointed_leaf_is_folded_and_as_long_as_asked():
    rng = np.random.default_rng(0)
    leaf = pointed_leaf(
        np.array([0, 0, 20.0]), 0.0, 0.0, 40.0, 24.0, np.full(3, 0.2), 5, rng, fold=0.6, droop=0.0, widest=0.4
    )
    assert np.ptp(leaf.corners[..., 0]) == pytest.approx(40, rel=0.05)
    # folded halves cover less of the ground: width times the cosine, and some sway and cup
    assert np.ptp(leaf.corners[..., 1]) == pytest.approx(24 * np.cos(0.6), rel=0.25)
    edge = np.abs(leaf.uv[..., 0]) > 0.99
    rib = np.abs(leaf.uv[..., 0]) < 0.01
    assert leaf.corners[edge][:, 2].max() > leaf.corners[rib][:, 2].max() + 2
    widest = leaf.uv[edge][np.abs(leaf.corners[edge][:, 1]).argmax(), 1]
    assert 0.25 < widest < 0.6


@pytest.fixture(scope="module", params=["maize", "soybean"])
def pair(request):
    """A small scene with plain and with natural plants."""
    species = request.param
    r = recipe(
        f"leaves_{species}",
        crop={"species": species, "stage": 2.6, "weeds_per_m2": 12.0},
        camera={"width_px": 480, "height_px": 360, "focal_length_35mm": 40.0},
        target={"kind": "none"},
        planter={"nominal_spacing_mm": 90.0},
    )
    natural = r.replace("leaves", form="natural", weeds="many")
    return make_scene(r, r.rng(5)), make_scene(natural, natural.rng(5)), natural


def test_natural_forms_change_the_picture_and_no_place(pair):
    plain, natural, r = pair
    assert (plain.rgb != natural.rgb).any(2).mean() > 0.02
    shown = [s.truth.loc[s.truth.in_image == 1, PLACE_COLUMNS].reset_index(drop=True) for s in (plain, natural)]
    pd.testing.assert_frame_equal(*shown)
    pd.testing.assert_frame_equal(scene_places(r, r.rng(5)), shown[1])


def test_every_green_pixel_carries_a_plants_number(pair):
    _, made, _ = pair
    count = np.bincount(made.plant_ids.ravel(), minlength=len(made.truth) + 1)[1:]
    big = made.truth.n_px > 200
    assert big.sum() >= 4
    np.testing.assert_allclose(count[big], made.truth.n_px[big], rtol=0.15)
    rgb = made.rgb.astype(int)
    excess = 2 * rgb[..., 1] - rgb[..., 0] - rgb[..., 2]
    green = excess > 70
    near = cv2.dilate((made.plant_ids > 0).astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    # the soil alone reaches 50; what is greener is a plant's, but for tips narrower than a pixel
    assert green.sum() > 500 and near[green].mean() > 0.995
    # a plant's pixels lie about its own base
    for number, plant in made.truth[made.truth.n_px > 50].iterrows():
        y, x = np.nonzero(made.plant_ids == number + 1)
        reach_px = LEAF_REACH_MM / 10 / made.ground_map().cm_per_px(np.array([[240.0, 180.0]]))[0]
        assert np.hypot(x - plant.x_px, y - plant.y_px).min() < 0.35 * reach_px
        assert np.hypot(x - plant.x_px, y - plant.y_px).max() < 1.4 * reach_px


@pytest.mark.parametrize(
    "look",
    [{"gloss": 5.0}, {"gloss_width": 2.0}, {"through": 0.3}, {"vein": 3.0}, {"tint": (0.6, 0.7, 1.0)}],
    ids=lambda look: next(iter(look)),
)
def test_each_look_changes_leaves_and_no_truth(pair, look):
    _, made, r = pair
    changed = r.replace("leaves", **look)
    other = make_scene(changed, changed.rng(5))
    pd.testing.assert_frame_equal(other.truth, made.truth)
    np.testing.assert_array_equal(other.plant_ids, made.plant_ids)
    on_plants = made.plant_ids > 0
    shift = np.abs(other.rgb.astype(float) - made.rgb)
    # the exposure is automatic: it may move the soil by a little
    assert shift[on_plants].mean() > 1.0
    assert shift[on_plants].mean() > 3 * np.median(shift[~on_plants])


def test_depth_darkens_what_lies_low_under_cloud(pair):
    cloudy = pair[2].replace("light", kind="overcast")
    flat, deep = (make_scene(r, r.rng(5)) for r in (cloudy, cloudy.replace("leaves", depth=1.0)))
    pd.testing.assert_frame_equal(deep.truth, flat.truth)
    np.testing.assert_array_equal(deep.plant_ids, flat.plant_ids)
    on_plants = flat.plant_ids > 0
    green = [s.rgb[..., 1].astype(float) for s in (flat, deep)]
    assert green[1][on_plants].mean() < green[0][on_plants].mean() - 2
    # it is no one factor for all: what lies level and free loses little, what lies under others or stands much
    share = (green[1][on_plants] + 1) / (green[0][on_plants] + 1)
    assert np.percentile(share, 5) < 0.9 < 0.94 < np.percentile(share, 95)


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"form": "oval"}, "form is 'oval'"),
        ({"weeds": "none"}, "weeds is 'none'"),
        ({"slender": 9.0}, "slender is 9"),
        ({"gloss": -1.0}, "gloss is -1"),
        ({"tint": (1.0, 1.0)}, "tint is"),
        ({"tint": (0.0, 1.0, 1.0)}, "tint is"),
    ],
)
def test_impossible_leaves_are_refused(values, words):
    with pytest.raises(BadSettings, match="LeafRecipe") as caught:
        LeafRecipe(**values)
    assert words in str(caught.value)
