"""Peaks of stem heat, and the network's shape; no trust in what the network says."""

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from standcam.plants.heat import GRANULE_PX, SHEET_CM, Heat, look, peaks_of
from standcam.plants.networks import ALONG_CELL, SHEET_CELL, STEP_PX
from standcam.plants.sheet import Frame, Sheet
from standcam.settings import StemSettings

NETWORK = StemSettings().network


def heat_of(crop: np.ndarray, weed: np.ndarray | None = None, offset: np.ndarray | None = None) -> Heat:
    """What a network gives where probabilities are these: logits."""
    h, w = crop.shape
    p = np.clip(np.stack([crop, np.zeros((h, w)) if weed is None else weed]), 1e-9, 1 - 1e-9)
    way = np.zeros((2, h, w)) if offset is None else offset
    return Heat(np.concatenate([np.log(p / (1 - p)), way, np.full((1, h, w), np.log(0.5))]).astype(np.float32))


def hills(places, heights, shape=(40, 60), spread=1.4) -> np.ndarray:
    """Heat with a round hill at each place (x, y) in cells."""
    y, x = np.mgrid[: shape[0], : shape[1]]
    heat = np.zeros(shape)
    for (px, py), top in zip(places, heights, strict=True):
        heat = np.maximum(heat, top * np.exp(-((x - px) ** 2 + (y - py) ** 2) / (2 * spread**2)))
    return heat


def test_peaks_are_the_hills_the_hottest_first():
    places = [(10, 8), (40, 30), (25, 20)]
    peaks = heat_of(hills(places, [0.5, 0.9, 0.7])).crop_peaks(0.3, 3.0)
    assert len(peaks) == 3
    np.testing.assert_allclose(peaks.probability, [0.9, 0.7, 0.5], rtol=1e-6)
    # a cell covers sheet pixels 2k and 2k + 1: its middle is at 2k + 0.5
    np.testing.assert_allclose(peaks.xy_px, [[80.5, 60.5], [50.5, 40.5], [20.5, 16.5]])
    np.testing.assert_allclose(peaks.sd_px, 0.5 * STEP_PX)


def test_the_offset_moves_crop_peaks_by_fractions_of_cells_and_at_most_two():
    offset = np.zeros((2, 40, 60))
    offset[:, 8, 10] = [0.25, -0.5]
    offset[:, 30, 40] = [9, -9]
    heat = heat_of(hills([(10, 8), (40, 30)], [0.9, 0.8]), offset=offset)
    np.testing.assert_allclose(heat.crop_peaks(0.3, 1.0).xy_px, [[21.0, 15.5], [84.5, 56.5]])


def test_peaks_of_high_cells_lie_where_they_should():
    offset = np.zeros((2, 40, 60))
    offset[:, 8, 10] = [0.25, -0.5]
    out = heat_of(hills([(10, 8), (40, 30)], [0.9, 0.8]), offset=offset).out
    peaks, of = peaks_of([out], 0, 0.3, 1.0, ALONG_CELL)
    # a cell of 4 by 2 covers pixels 4k to 4k + 3 across; ways are told in steps of 2 px along both axes
    np.testing.assert_allclose(peaks.xy_px, [[20.5 + 0.5, 33.5 - 1.0], [80.5, 121.5]])
    np.testing.assert_allclose(peaks.sd_px, 0.5 * STEP_PX)
    assert (of == 0).all()


def test_weeds_have_their_own_heat():
    heat = heat_of(hills([(10, 8)], [0.9]), weed=hills([(30, 20)], [0.6]))
    np.testing.assert_allclose(heat.weed_peaks(0.3, 1.0).xy_px, [[60.5, 40.5]])
    np.testing.assert_allclose(heat.crop_peaks(0.3, 1.0).xy_px, [[20.5, 16.5]])


def test_low_hills_are_no_peaks():
    heat = heat_of(hills([(10, 8), (30, 20)], [0.9, 0.2]))
    assert len(heat.crop_peaks(0.3, 1.0)) == 1
    assert len(heat.crop_peaks(0.1, 1.0)) == 2
    nothing = heat_of(np.zeros((8, 8))).crop_peaks(0.1, 1.0)
    assert len(nothing) == 0
    assert nothing.xy_px.shape == (0, 2) and nothing.probability.shape == nothing.sd_px.shape == (0,)


def test_of_two_near_peaks_the_hotter_stays():
    heat = heat_of(hills([(10, 8), (14, 8)], [0.6, 0.8]))
    assert len(heat.crop_peaks(0.3, 7.9)) == 2
    peaks = heat.crop_peaks(0.3, 8.1)
    np.testing.assert_allclose(peaks.xy_px, [[28.5, 16.5]])


def test_a_plateau_is_one_stem():
    crop = np.zeros((20, 20))
    crop[5:8, 5:8] = 1.0
    assert len(heat_of(crop).crop_peaks(0.3, 8.0)) == 1


def test_peaks_at_the_rim_count():
    heat = heat_of(hills([(0, 0), (59, 39)], [0.9, 0.8]))
    np.testing.assert_allclose(heat.crop_peaks(0.3, 2.0).xy_px, [[0.5, 0.5], [118.5, 78.5]])


@given(st.integers(0, 2**32 - 1), st.floats(0, 30), st.floats(0.05, 0.95))
@settings(max_examples=30)
def test_peaks_are_apart_and_likely_and_miss_no_lone_maximum(seed, apart, lowest):
    rng = np.random.default_rng(seed)
    crop = cv2.GaussianBlur(rng.random((30, 40)).astype(np.float32), (0, 0), 1.5)
    crop = (crop - crop.min()) / np.ptp(crop)
    peaks = heat_of(crop).crop_peaks(lowest, apart)
    assert (peaks.probability >= lowest - 1e-6).all()
    assert (np.diff(peaks.probability) <= 0).all()
    gap = np.linalg.norm(peaks.xy_px[:, None] - peaks.xy_px[None], axis=2)
    assert (gap[~np.eye(len(peaks), dtype=bool)] >= apart - 1e-9).all()
    y, x = np.unravel_index(crop.argmax(), crop.shape)
    np.testing.assert_allclose(peaks.xy_px[0], [2 * x + 0.5, 2 * y + 0.5])


# the network


def sheet(height: int, width: int, seen: np.ndarray | None = None) -> Sheet:
    rng = np.random.default_rng(1)
    rgb = rng.integers(60, 140, (height, width, 3), np.uint8)
    seen = np.ones((height, width), bool) if seen is None else seen
    frame = Frame((0.0, 0.0), (1.0, 0.0), SHEET_CM, width, height)
    return Sheet(frame, rgb, np.zeros((height, width, 2), np.float32), seen)


@pytest.mark.parametrize(("height", "width"), [(GRANULE_PX, GRANULE_PX), (48, 160), (128, 96)])
def test_heat_has_half_the_sheets_size(height, width):
    heat = look(sheet(height, width), NETWORK)
    assert heat.out.shape == (5, height // SHEET_CELL.down, width // SHEET_CELL.across)
    assert np.isfinite(heat.out).all()
    peaks = heat.crop_peaks(1e-4, 0.0)
    assert (peaks.probability <= 1).all() and (peaks.sd_px > 0).all()


def test_what_the_photo_does_not_show_holds_no_stem():
    seen = np.ones((64, 96), bool)
    seen[:, :40] = False
    seen[50:] = False
    crop, weed = look(sheet(64, 96, seen), NETWORK).out[:2]
    assert (crop[:, :20] == -50).all() and (weed[25:] == -50).all()
    assert (crop[:25, 20:] > -50).all()


def test_the_same_sheet_gives_the_same_heat_whatever_was_looked_at_before():
    one = look(sheet(48, 64), NETWORK)
    look(sheet(128, 96), NETWORK)
    np.testing.assert_array_equal(one.out, look(sheet(48, 64), NETWORK).out)


def test_wild_lean_does_no_harm():
    wild = sheet(32, 32)
    wild.lean[:] = 1e6
    assert np.isfinite(look(wild, NETWORK).out).all()
