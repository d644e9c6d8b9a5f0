"""Rectangles about green: hold all of it, share nothing, and cost less than the whole."""

import numpy as np
import pytest

from standcam.plants.slabs import MARGIN_SQUARES, Box, boxes_about


def covered(boxes: list[Box], shape: tuple[int, int]) -> np.ndarray:
    count = np.zeros(shape, int)
    for box in boxes:
        count[box.top : box.bottom, box.left : box.right] += 1
    return count


def rows_of(angle_deg: float, size: int = 200, apart: int = 24) -> np.ndarray:
    """Busy squares of rows that run at an angle."""
    y, x = np.mgrid[:size, :size]
    across = x * np.sin(np.deg2rad(angle_deg)) + y * np.cos(np.deg2rad(angle_deg))
    return np.abs((across % apart) - apart / 2) < 4


@pytest.mark.parametrize("angle_deg", [0, 4, 30, 45, 88, 90, 137])
def test_boxes_hold_all_that_is_busy_once(angle_deg):
    busy = rows_of(angle_deg)
    boxes = boxes_about(busy)
    count = covered(boxes, busy.shape)
    assert count.max() == 1
    assert (count[busy] == 1).all()


def test_chance_squares_are_held_once():
    rng = np.random.default_rng(5)
    for share in (0.001, 0.02, 0.3, 0.9):
        busy = rng.random((61, 93)) < share
        count = covered(boxes_about(busy), busy.shape)
        assert count.max(initial=0) <= 1
        assert (count[busy] == 1).all()


@pytest.mark.parametrize("angle_deg", [0, 90])
def test_rows_along_the_picture_cost_little_more_than_themselves(angle_deg):
    busy = rows_of(angle_deg)
    cost = sum(box.cost() for box in boxes_about(busy))
    # bands of 7 squares of 24 with a margin on both sides
    assert cost < 1.15 * busy.size * (8 + 2 * MARGIN_SQUARES) / 24


def test_no_way_costs_more_than_one_look_at_all():
    rng = np.random.default_rng(2)
    for share in (0.01, 0.2, 1.0):
        busy = rng.random((64, 64)) < share
        assert sum(box.cost() for box in boxes_about(busy)) <= Box(0, 0, 64, 64).cost() * 1.001


def test_nothing_busy_gives_no_box():
    assert boxes_about(np.zeros((10, 12), bool)) == []
