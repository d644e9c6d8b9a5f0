"""Stems of a tile, without a network: green shared among stems, whatever the tiles; peaks as on photos."""

import numpy as np
import pytest

from standcam.plants.heat import Heat
from standcam.plants.slabs import PLATE_SQUARES, SQUARE_PX
from standcam.plants.strip_stems import TileStems, _peaks, green_squares, look_over_tile, with_areas
from standcam.settings import StripStemSettings


def stems_at(crop, weed=()):
    crop, weed = np.reshape(crop, (-1, 2)).astype(float), np.reshape(weed, (-1, 2)).astype(float)
    n, m = len(crop), len(weed)
    return TileStems(crop, np.ones(n), np.ones(n), np.zeros(n), weed, np.ones(m), np.zeros(m))


@pytest.mark.parametrize("cm_per_px", [0.3, 0.8])
@pytest.mark.parametrize("grid", [(0, 0), (-5, 3), (41, 40)])
def test_squares_hold_all_green_once(cm_per_px, grid):
    green = np.random.default_rng(3).random((61, 47)) < 0.2
    squares = green_squares(green, cm_per_px, grid)
    assert squares[:, 2].sum() == green.sum()
    side = 2 if cm_per_px < 0.6 else 1
    assert ((squares[:, :2] - (side - 1) / 2 - grid) % side == 0).all()


def test_green_goes_to_the_nearest_stem_within_reach():
    """As asked of every pixel."""
    rng = np.random.default_rng(4)
    green = rng.random((80, 80)) < 0.1
    stems = stems_at(rng.uniform(0, 80, (6, 2)), rng.uniform(0, 80, (3, 2)))
    found = with_areas(stems, green_squares(green, 1.0), 20.0)
    y, x = np.nonzero(green)
    places = np.concatenate([stems.crop_px, stems.weed_px])
    apart = np.linalg.norm(np.c_[x, y][:, None] - places, axis=2)
    wanted = np.bincount(apart.argmin(axis=1)[apart.min(axis=1) < 20], minlength=9)
    # squares are looked at a hundredth of a pixel aside
    assert np.abs(np.r_[found.crop_area_px, found.weed_area_px] - wanted).max() <= 1
    assert found.crop_area_px.sum() > 50


def test_areas_are_added_to_what_a_stem_has():
    stems = with_areas(stems_at([[1, 1]]), np.array([[1.0, 1.0, 3.0]]), 5.0)
    assert with_areas(stems, np.array([[2.0, 1.0, 4.0], [50.0, 1.0, 9.0]]), 5.0).crop_area_px.tolist() == [7.0]
    assert with_areas(stems, np.empty((0, 3)), 5.0) is stems


@pytest.mark.parametrize("channel", [0, 1])
def test_peaks_are_those_of_photos(channel):
    """``Heat`` turns whole maps into probabilities first."""
    rng = np.random.default_rng(5)
    out = rng.normal(0, 2, (5, 40, 30)).astype(np.float32)
    hot = 1 / (1 + np.exp(-out[:2]))
    heat = Heat(hot[0], hot[1], out[2:4], np.exp(np.clip(out[4], -3, 2)))
    wanted = heat.weed_peaks(0.3, 5.0) if channel else heat.crop_peaks(0.3, 5.0)
    found = _peaks(out, channel, 0.3, 5.0)
    assert len(found) > 20
    np.testing.assert_allclose(found.xy_px, wanted.xy_px)
    np.testing.assert_allclose(found.probability, wanted.probability, rtol=1e-5)
    np.testing.assert_allclose(found.sd_px, wanted.sd_px, rtol=1e-5)


def test_a_tile_gives_what_the_whole_gives_of_its_core():
    """Noise and green blobs over three by two plates; the tile begins anywhere."""
    rng = np.random.default_rng(6)
    side = PLATE_SQUARES * SQUARE_PX
    rgb = rng.integers(90, 140, (2 * side, 3 * side, 3)).astype(np.uint8)
    green = np.zeros(rgb.shape[:2], bool)
    for x, y in rng.uniform(20, [3 * side - 20, 2 * side - 20], (150, 2)).astype(int):
        green[y - 3 : y + 4, x - 3 : x + 4] = True
    rgb[green] = (60, 150, 40)
    settings = StripStemSettings(lowest_probability=0.02)
    whole = look_over_tile(rgb, green, 0.4, settings)
    left, right, core = side - 61, 2 * side + 67, (side, 0, 2 * side, side)
    part = look_over_tile(
        rgb[: side + 70, left:right], green[: side + 70, left:right], 0.4, settings,
        core=(core[0] - left, core[1], core[2] - left, core[3]), grid_px=(side - left, 0),
    )  # fmt: skip
    x, y = whole.crop_px.T
    own = (x >= core[0] - 0.5) & (x < core[2] - 0.5) & (y < core[3] - 0.5)
    assert own.sum() > 10
    np.testing.assert_array_equal(whole.crop_px[own], part.crop_px + np.array([left, 0]))
    np.testing.assert_array_equal(whole.crop_probability[own], part.crop_probability)


def test_bare_ground_has_no_stems():
    assert len(look_over_tile(np.zeros((90, 70, 3), np.uint8), np.zeros((90, 70), bool), 0.4).crop_px) == 0
