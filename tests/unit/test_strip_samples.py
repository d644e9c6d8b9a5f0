"""Training sheets of strips: the form the deck reads, the same whoever makes them."""

import cv2
import numpy as np
import pytest

from standcam.synthetic.recipe import SceneRecipe
from standcam.synthetic.strip import make_strip
from standcam.training import CROP, STRIP_SAMPLE_CM, UNSURE, WEED
from standcam.training.strip_samples import generated_strip_samples, random_strip, strip_sample


@pytest.fixture(scope="module")
def small():
    r = random_strip(np.random.default_rng([3, 0]), "small").replace(
        "strip", length_mm=900.0, width_mm=900.0, shift_mm=0
    )
    r = r.replace("strip", row_count=3, wheel_tracks_mm=(), missing_per_100m=0.0, margins_mm=(0.0, 0.0))
    strip = make_strip(r, r.rng(3))
    return strip, strip_sample(strip)


def test_sheets_hold_what_the_deck_reads(small):
    strip, sample = small
    picture = cv2.imdecode(np.frombuffer(sample["jpeg"], np.uint8), cv2.IMREAD_COLOR)
    numbers = cv2.imdecode(np.frombuffer(sample["numbers"], np.uint8), cv2.IMREAD_UNCHANGED)
    side = round(900 / (STRIP_SAMPLE_CM * 10))
    assert picture.shape == (side, side, 3) and numbers.shape == (side, side) and numbers.dtype == np.uint16
    assert np.abs(picture[..., ::-1].astype(int) - strip.rgb).mean() < 6  # JPEG of quality 92
    np.testing.assert_array_equal(numbers, strip.plant_ids)
    stems = sample["stems"]
    assert stems.shape == (len(strip.truth), 5)
    assert set(np.unique(stems[:, 2])) <= {-1.0, 0.0, 1.0, 2.0}
    assert (stems[:, 2] == CROP).sum() == ((strip.truth.kind != "weed") & (strip.truth.visible == 1)).sum() > 3
    # the lean that the network is told is none
    assert (((stems[:, :2] - sample["foot_px"]) / sample["height_px"]) == 0).all()
    np.testing.assert_allclose(sample["row_axis"], [1, 0], atol=1e-7)
    assert sample["cm_per_px"] == pytest.approx(0.16)


def test_rows_of_a_turned_strip_lie_along_its_axis():
    r = SceneRecipe("turned", kind="strip").replace("planter", lateral_sd_mm=0.0)
    r = r.replace("strip", mm_per_px=3.0, length_mm=1500.0, width_mm=900.0, row_count=1, heading_deg=25.0)
    sample = strip_sample(make_strip(r, r.rng(1)))
    own = sample["stems"][np.isin(sample["stems"][:, 2], [CROP, UNSURE]), :2]
    way = own[-1] - own[0]
    assert abs(way @ sample["row_axis"]) / np.linalg.norm(way) == pytest.approx(1, abs=1e-4)


def test_small_weeds_teach_nothing_and_small_plants_are_unsure(small):
    _, sample = small
    kind, share, area = sample["stems"][:, 2], sample["stems"][:, 3], sample["stems"][:, 4]
    assert (area[kind == WEED] >= 20).all()
    assert ((area[kind == CROP] >= 32) & (share[kind == CROP] >= 0.249)).all()


def test_recipes_vary_and_hang_on_seed_and_number_only():
    drawn = [random_strip(np.random.default_rng([7, k]), f"s{k}") for k in range(60)]
    assert {r.crop.species for r in drawn} == {"maize", "soybean"}
    assert {r.ground.soil for r in drawn} == {"dry", "wet", "sandy", "red"}
    assert {r.light.kind for r in drawn} == {"sun", "haze", "overcast"}
    assert len({r.crop.row_width_mm for r in drawn}) >= 5
    assert 5 <= sum(r.strip.frame_mm > 0 for r in drawn) <= 28  # a quarter: binomial, mean 15, SD 3.4
    assert drawn[4] == random_strip(np.random.default_rng([7, 4]), "s4")
    assert next(iter(generated_strip_samples(0, 1)), None) is None
