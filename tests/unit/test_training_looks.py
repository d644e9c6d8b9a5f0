"""Looks of training scenes: drawn over wide ranges, by seed and number only; plants stand where they stood."""

import dataclasses
import pickle

import numpy as np
import pandas as pd
import pytest

from standcam.synthetic.leaf_recipe import LeafRecipe
from standcam.synthetic.scene import make_scene, scene_places
from standcam.training.looks import PLAIN_SHARE, varied_strip
from standcam.training.sample_file import write_samples
from standcam.training.samples import random_recipe, stored
from standcam.training.strip_samples import random_strip


@pytest.fixture(scope="module")
def drawn():
    return [random_recipe(np.random.default_rng([7, k]), f"s{k}") for k in range(300)]


def test_recipes_hang_on_seed_and_number_only(drawn):
    assert drawn[4] == random_recipe(np.random.default_rng([7, 4]), "s4")
    assert drawn[4] != drawn[5]
    strip = random_strip(np.random.default_rng([7, 4]), "s4")
    assert strip == random_strip(np.random.default_rng([7, 4]), "s4")
    assert strip.leaves != LeafRecipe()
    plain = random_strip(np.random.default_rng([7, 4]), "s4", looks=False)
    assert plain.leaves == LeafRecipe() and plain.strip == strip.strip and plain.planter == strip.planter


def test_looks_are_drawn_over_wide_ranges(drawn):
    natural = np.mean([r.leaves.form == "natural" for r in drawn])
    assert natural == pytest.approx(1 - PLAIN_SHARE, abs=4 * np.sqrt(PLAIN_SHARE * (1 - PLAIN_SHARE) / 300))
    assert {r.leaves.weeds for r in drawn} == {"few", "many"}
    for part, name, low, high in (
        ("leaves", "slender", 0.85, 1.5),
        ("leaves", "gloss", 1.0, 4.0),
        ("leaves", "depth", 0.5, 0.9),
        ("ground", "pits", 0.0, 0.9),
        ("ground", "crumbs", 0.0, 0.9),
        ("ground", "cracks", 0.0, 0.9),
        ("ground", "dry_leaves_per_m2", 0.0, 20.0),
        ("ground", "stalks_per_m2", 0.0, 8.0),
        ("light", "veil", 0.0, 0.25),
        ("light", "sun_elevation_deg", 15.0, 65.0),
        ("crop", "stage", 0.8, 4.5),
        ("capture", "contrast", 0.85, 1.1),
        ("capture", "jpeg_quality", 65, 90),
    ):
        values = [getattr(getattr(r, part), name) for r in drawn]
        assert min(values) <= low and max(values) >= high, name
    # warm and cold: red over blue
    cast = [r.capture.white_balance[0] / r.capture.white_balance[2] for r in drawn]
    assert min(cast) < 0.9 and max(cast) > 1.12


def test_looks_do_not_move_a_plant(drawn):
    r = random_recipe(np.random.default_rng([7, 6]), "s6", looks=False)
    other = drawn[6]
    assert r.leaves == LeafRecipe() and other.leaves != LeafRecipe()
    # but for more doubles in some, and a finer picture
    other = other.replace("planter", p_double=r.planter.p_double)
    other = other.replace("camera", width_px=r.camera.width_px, height_px=r.camera.height_px)
    assert other.planter == r.planter and other.camera == r.camera and other.target == r.target
    # the number of leaves may change, what stands where, and which are weeds, may not
    other = other.replace("crop", stage=r.crop.stage)
    pd.testing.assert_frame_equal(scene_places(r, r.rng(1)), scene_places(other, other.rng(1)))


def test_strips_keep_their_own_stones_and_camera():
    r = random_strip(np.random.default_rng([3, 1]), "s")
    other = varied_strip(r, np.random.default_rng(2))
    assert other.ground.stones_per_m2 == r.ground.stones_per_m2
    assert other.capture == r.capture and other.strip == r.strip and other.crop == r.crop
    assert other.leaves != r.leaves


def test_a_stored_photo_is_the_scene_through_jpeg(drawn):
    r = next(r for r in drawn if r.camera.width_px == 2000).replace("camera", width_px=320, height_px=240)
    scene = make_scene(r.replace("capture", jpeg_quality=95), r.rng(1))
    error = {}
    for quality in (95, 60):
        recipe = scene.recipe.replace("capture", jpeg_quality=quality)
        photo = stored(dataclasses.replace(scene, recipe=recipe))
        assert photo.rgb.shape == scene.rgb.shape and photo.rgb.dtype == np.uint8
        # channels are in their places: soil has far more red than blue
        np.testing.assert_allclose(photo.rgb.mean((0, 1)), scene.rgb.mean((0, 1)), atol=2)
        error[quality] = np.abs(photo.rgb.astype(float) - scene.rgb).mean()
    assert 0 < error[95] < error[60] < 25


def test_samples_are_kept_while_they_are_made(tmp_path):
    def some(count):
        for k in range(count):
            if k == 25:
                raise KeyboardInterrupt
            yield {"stems": np.zeros((2, 4)), "k": k}

    out = tmp_path / "s.pkl"
    with pytest.raises(KeyboardInterrupt):
        write_samples(out, some(40))
    assert [s["k"] for s in pickle.loads(out.read_bytes())] == list(range(20))
    write_samples(out, some(13))
    assert len(pickle.loads(out.read_bytes())) == 13 and [p.name for p in tmp_path.iterdir()] == ["s.pkl"]
