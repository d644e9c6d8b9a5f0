"""Rectangles about green: all of it covered, nothing twice, and cheaper than the whole sheet where green is scarce."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from standcam.plants.areas import MARGIN_TILES, START_TILES, TILE_PX, boxes_of, busy_areas
from standcam.plants.sheet import Frame


def cost(boxes) -> int:
    return sum(START_TILES + (b - t + 2 * MARGIN_TILES) * (r - le + 2 * MARGIN_TILES) for t, le, b, r in boxes)


@given(arrays(bool, st.tuples(st.integers(1, 25), st.integers(1, 25))))
def test_every_busy_tile_lies_in_exactly_one_box(busy):
    times = np.zeros(busy.shape, int)
    boxes = list(boxes_of(busy))
    for top, left, bottom, right in boxes:
        times[top:bottom, left:right] += 1
    assert (times[busy] == 1).all()
    assert times.max(initial=0) <= 1
    y, x = np.nonzero(busy)
    if len(y):
        assert cost(boxes) <= cost([(y.min(), x.min(), y.max() + 1, x.max() + 1)])


def test_two_rows_far_apart_are_two_boxes_and_near_ones_are_one():
    busy = np.zeros((80, 60), bool)
    busy[[10, 70]] = True
    assert sorted(boxes_of(busy)) == [(10, 0, 11, 60), (70, 0, 71, 60)]
    busy[:] = False
    busy[[10, 13]] = True
    assert list(boxes_of(busy)) == [(10, 0, 14, 60)]


def test_no_green_no_box():
    assert list(boxes_of(np.zeros((5, 5), bool))) == []


@pytest.mark.parametrize("reach_cm", [1.0, 2.5, 6.0])
def test_areas_hold_all_ground_near_green_in_the_sheets_own_coordinates(reach_cm):
    frame = Frame((20.0, 10.0), (1.0, 0.0), 0.15, 60 * TILE_PX, 40 * TILE_PX)
    # a sheet with its axis along x runs down as ground y falls
    green_cm = np.array([[48.15, 8.15], [200.15, 8.15], [120.15, 0.95]])
    rng = np.random.default_rng(1)
    areas = busy_areas(frame, green_cm, reach_cm)
    for place in green_cm:
        angle, far = rng.uniform(0, 2 * np.pi, 50), rng.uniform(0, reach_cm, 50)
        near = place + np.c_[np.cos(angle), np.sin(angle)] * far[:, None]
        on = frame.to_sheet(near)
        near = near[((on > 0) & (on < [frame.width_px - 1, frame.height_px - 1])).all(axis=1)]
        held = np.zeros(len(near), int)
        for area in areas:
            assert area.frame.width_px % TILE_PX == area.frame.height_px % TILE_PX == 0
            held += area.holds(area.frame.to_sheet(near))
        assert (held == 1).all()
