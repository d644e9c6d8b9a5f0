"""The plant mask on pictures simple enough to know the answer."""

import dataclasses

import cv2
import numpy as np
import pytest
from fixtures.upper import flat, photo_of, soil_picture
from hypothesis import given
from hypothesis import strategies as st

from standcam.errors import BadSettings
from standcam.ground.map import GroundMap
from standcam.settings import VegetationSettings
from standcam.vegetation.segment import SCORE_STEP, SCORE_ZERO, Vegetation, segment, working_factor

LEAF = (70, 130, 50)


def with_leaf(rgb: np.ndarray, x: int, y: int, radius: int) -> np.ndarray:
    return cv2.circle(rgb.copy(), (x, y), radius, LEAF, -1)


def test_a_leaf_on_soil_is_the_mask():
    rgb = with_leaf(soil_picture(300, 200), 120, 90, 15)
    made = segment(photo_of(rgb), flat(0.15, 300, 200))
    truth = (rgb == LEAF).all(axis=2)
    # the score is smoothed over three pixels: the rim may go either way
    rim = cv2.morphologyEx(truth.astype(np.uint8), cv2.MORPH_GRADIENT, np.ones((5, 5), np.uint8)) > 0
    np.testing.assert_array_equal(made.mask[~rim], truth[~rim])
    assert made.factor == 1
    assert made.score.dtype == np.uint8
    # sure greenness inside, below the middle of the scale on soil
    assert made.score[90, 120] > SCORE_ZERO + SCORE_STEP
    assert np.median(made.score[~truth]) < SCORE_ZERO


def test_no_plant_no_mask():
    made = segment(photo_of(soil_picture(300, 200)), flat(0.15, 300, 200))
    assert not made.mask.any()


@pytest.mark.parametrize("colour", [(0, 0, 0), (255, 255, 255), (120, 100, 80), (128, 128, 128)])
def test_one_dull_colour_is_no_plant(colour):
    made = segment(photo_of(np.full((60, 80, 3), colour, np.uint8)), flat(0.15, 80, 60))
    assert not made.mask.any()


def test_green_all_over_is_plant():
    # no soil to compare with: the colour itself decides
    made = segment(photo_of(np.full((60, 80, 3), (60, 160, 50), np.uint8)), flat(0.15, 80, 60))
    assert made.mask.mean() > 0.9


def test_specks_are_left_out_by_their_size_on_the_ground():
    rgb = with_leaf(soil_picture(300, 200), 150, 100, 2)  # some 15 pixels
    assert segment(photo_of(rgb), flat(0.15, 300, 200)).mask.any()  # 30 mm²
    assert not segment(photo_of(rgb), flat(0.05, 300, 200), VegetationSettings(work_mm_per_px=0.4)).mask.any()


def test_the_board_is_no_plant_and_a_leaf_over_it_is():
    rgb = soil_picture(400, 300)
    rgb[100:150, 100:180] = (100, 109, 90)  # tinged by the leaves over it, fairly green
    rgb = with_leaf(rgb, 140, 125, 12)
    bare = flat(0.15, 400, 300)
    marked = dataclasses.replace(bare, mark_hull_px=((99, 99), (180, 99), (180, 150), (99, 150)))
    board = np.zeros((300, 400), bool)
    board[98:152, 98:182] = True
    leaf = (rgb == LEAF).all(axis=2)
    # without its outline the mask would grow from the leaf on to the board
    assert segment(photo_of(rgb), bare).mask[board].sum() > 1.5 * leaf.sum()
    made = segment(photo_of(rgb), marked)
    assert made.mask[leaf].mean() > 0.9
    assert made.mask[board].sum() < 1.3 * leaf.sum()


def test_hulls_that_are_no_polygons_are_passed_over():
    ground = dataclasses.replace(
        flat(0.15, 80, 60), mark_hull_px=((1, 1), (5, 5)), more_hulls_px=(((0, 0), (np.nan, 4), (3, 3)),)
    )
    assert segment(photo_of(soil_picture(80, 60)), ground).mask.shape == (60, 80)


# the working picture


def test_twelve_megapixels_are_halved_or_thirded():
    # 4000 pixels over 1.72 m, a phone at 1.3 m: 0.43 mm a pixel, and 1.1 mm will do
    photo = photo_of(np.zeros((3000, 4000, 3), np.uint8))
    assert working_factor(photo, flat(0.043, 4000, 3000), VegetationSettings()) == 2
    assert working_factor(photo, flat(0.036, 4000, 3000), VegetationSettings()) == 3
    assert working_factor(photo, flat(0.3, 4000, 3000), VegetationSettings()) == 1


@given(cm_per_px=st.floats(1e-9, 1e6), width=st.integers(1, 300), height=st.integers(1, 300))
def test_no_scale_reduces_a_picture_to_nothing(cm_per_px, width, height):
    photo = photo_of(np.zeros((height, width, 3), np.uint8))
    factor = working_factor(photo, flat(cm_per_px, width, height), VegetationSettings())
    assert factor == 1 or (factor * cm_per_px * 10 <= 1.1 and min(width, height) // factor >= 16)


@pytest.mark.parametrize(("width", "height"), [(1, 1), (3, 200), (64, 64)])
@pytest.mark.parametrize("cm_per_px", [1e-6, 0.1, 1e4])
def test_tiny_pictures_under_any_scale(width, height, cm_per_px):
    made = segment(photo_of(soil_picture(width, height)), flat(cm_per_px, width, height))
    assert made.mask.shape == made.score.shape == made.rgb.shape[:2]
    assert made.smooth(0.4, flat(cm_per_px, width, height)).size > 0


def test_horizon_through_the_middle():
    ground = GroundMap(np.array([[1, 0, 0], [0, 1, 0], [0, 1, -29.5]], float), 80, 60, "truth")
    assert segment(photo_of(soil_picture(80, 60)), ground).factor == 1


@given(factor=st.integers(1, 7), x=st.floats(-10, 5000), y=st.floats(-10, 5000))
def test_working_pixels_and_photo_pixels_are_inverse(factor, x, y):
    made = Vegetation(*(np.zeros((1, 1)),) * 3, factor)
    there = made.to_work(np.array([[x, y]]))
    np.testing.assert_allclose(made.to_photo(there), [[x, y]], atol=1e-8)
    # pixel edges are the same places: -0.5 is the picture's border in both
    np.testing.assert_allclose(made.to_work(np.array([[-0.5, factor - 0.5]])), [[-0.5, 0.5]], atol=1e-12)


def test_the_reduced_picture_is_the_mean_of_its_pixels():
    rng = np.random.default_rng(1)
    rgb = rng.integers(0, 255, (201, 302, 3), np.uint8)
    ground = flat(0.05, 302, 201)
    made = segment(photo_of(rgb), ground)
    assert made.factor == 2
    expected = rgb[:200, :302].reshape(100, 2, 151, 2, 3).mean(axis=(1, 3))
    np.testing.assert_allclose(made.rgb, expected, atol=0.51)
    # 0.1 cm a working pixel: 0.4 cm a pixel asks for one halving and a blur, which keeps means
    smooth = made.smooth(0.4, ground)
    assert smooth.shape == (50, 75, 3)
    assert smooth.mean() == pytest.approx(rgb.mean(), rel=0.01)
    assert made.smooth(0.1, ground) is made.rgb


def test_fair_above_sure_is_refused():
    with pytest.raises(BadSettings, match="fair_greenness"):
        VegetationSettings(fair_greenness=2.0, sure_greenness=1.0)


def test_greenness_over_light_is_read_as_by_plain_interpolation():
    """Quarters of a level are all the light there is, so a curve worked out for these gives the same numbers."""
    from standcam.vegetation import segment as module

    rng = np.random.default_rng(2)
    colours = module._Colours.of(*rng.integers(0, 256, (3, 5000)))
    at = np.sort(rng.uniform(0, 255, 16))
    curves = (at, rng.normal(0, 20, 16), rng.normal(0, 20, 16))
    w = module._WEIGHTS
    over = [values - np.interp(colours.light, at, curve)
            for values, curve in zip((colours.green, colours.red), curves[1:], strict=True)]  # fmt: skip
    plain = w[0] * over[0] + w[1] * over[1] + (w[2] * colours.green + w[3] * colours.red) / (
        colours.light + module._DARK
    ) + module._OFFSET  # fmt: skip
    assert module._greenness(colours, curves) == pytest.approx(plain, rel=1e-9, abs=1e-9)


@pytest.mark.parametrize("n", [1, 2, 7, 8, 1001])
def test_medians_of_whole_levels_are_those_of_numpy(n):
    from standcam.vegetation import segment as module

    levels = np.random.default_rng(n).integers(-510, 511, (16, n)).astype(np.int16)
    assert (module._medians(levels) == np.median(levels, axis=1)).all()


def test_a_leaf_over_a_board_stays_and_its_tinge_goes():
    """What is taken out lies within the board's outline, to its last column, and nowhere else."""
    from standcam.vegetation.segment import level

    rgb = np.full((120, 160, 3), (110, 90, 70), np.uint8)
    rgb[40:60, 30:130] = (60, 150, 50)  # a leaf from beside the board over all of it and on
    rgb[80:100, 20:140] = (104, 104, 74)  # a tinge of green, on the board and beside it
    photo, ground = photo_of(rgb), dataclasses.replace(flat(0.1, 160, 120), mark_hull_px=BOARD_HULL)
    seen = segment(photo, ground, VegetationSettings(work_mm_per_px=1.0))
    bare = segment(photo, dataclasses.replace(ground, mark_hull_px=()), VegetationSettings(work_mm_per_px=1.0))
    on_board = np.zeros((120, 160), bool)
    on_board[30:111, 50:111] = True
    sure = level(VegetationSettings().sure_greenness)
    assert (seen.score[on_board & (seen.score < sure)] == 0).all()
    assert (seen.score[~on_board] > 0).all() and seen.mask[50, 40:120].all()
    assert (bare.score[on_board] > 0).all()


BOARD_HULL = ((50.0, 30.0), (110.0, 30.0), (110.0, 110.0), (50.0, 110.0))


def test_squares_of_plant_are_counted():
    from standcam.vegetation.segment import BLOCK_PX, Vegetation

    mask = np.random.default_rng(1).random((BLOCK_PX * 5 + 3, BLOCK_PX * 7 + 1)) < 0.4
    blocks = Vegetation(mask.astype(np.uint8), np.zeros((*mask.shape, 3), np.uint8), mask, 1).blocks
    whole = mask[: BLOCK_PX * 5, : BLOCK_PX * 7].reshape(5, BLOCK_PX, 7, BLOCK_PX).sum(axis=(1, 3))
    assert (blocks == whole).all() and blocks.dtype == np.uint16
