"""Row lines: places along and across, and points back."""

import dataclasses

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from standcam.rows.line import RowLine

angle = st.floats(0, 2 * np.pi)
place = st.floats(-300, 300)
bend = st.floats(-2e-4, 2e-4)
"""Up to 4.5 cm of sagitta on 3 m, more than planters leave."""


def line(angle_rad=0.0, x=0.0, y=0.0, bend_per_cm=0.0, **fields) -> RowLine:
    return RowLine((x, y), (np.cos(angle_rad), np.sin(angle_rad)), bend_per_cm, **fields)


def test_position_runs_along_and_offset_to_the_right():
    # seen from above, x to the right and y up: travelling along +x, the right hand is at -y
    row = line()
    np.testing.assert_allclose(row.position([[30, 5]]), [30])
    np.testing.assert_allclose(row.offset([[30, 5], [30, -5]]), [-5, 5])
    assert row.length_cm == 0
    assert dataclasses.replace(row, from_cm=-10, to_cm=90).length_cm == 100


@given(angle, place, place, bend, place)
def test_points_lie_on_the_line_at_their_positions(a, x, y, b, s):
    row = line(a, x, y, b)
    points = row.points(s)
    # the arc's series is cut after its first term: the next is below 2 b⁴ s⁵ / 5, 0.2 mm here
    np.testing.assert_allclose(row.position(points), [s], atol=0.02)
    np.testing.assert_allclose(row.offset(points), [0], atol=1e-9)


@given(angle, place, place, bend, place)
def test_position_is_the_length_of_the_arc(a, x, y, b, s):
    row = line(a, x, y, b)
    steps = row.points(np.linspace(0, s, 400))
    arc = np.linalg.norm(np.diff(steps, axis=0), axis=1).sum()
    assert arc == pytest.approx(abs(s), abs=0.02)


@given(angle, place, place, bend, place, place, st.floats(-50, 0), st.floats(0, 50))
def test_turning_round_reverses_positions_and_keeps_points(a, x, y, b, px, py, start, stop):
    row = line(a, x, y, b, from_cm=start, to_cm=stop)
    back = row.turned_round()
    point = np.array([[px, py]])
    np.testing.assert_allclose(back.position(point), -row.position(point), atol=1e-9)
    np.testing.assert_allclose(back.offset(point), -row.offset(point), atol=1e-9)
    ends, ends_back = (r.points(np.array([r.from_cm, r.to_cm])) for r in (row, back))
    np.testing.assert_allclose(ends, ends_back[::-1], atol=1e-9)
    assert back.length_cm == pytest.approx(row.length_cm)
    twice = back.turned_round()
    np.testing.assert_allclose([*twice.direction, twice.bend_per_cm], [*row.direction, b])


@given(angle, place, place, place, place)
def test_moving_ground_and_row_together_changes_nothing(a, x, y, px, py):
    row, moved = line(0.3, 0, 0, 1e-4), line(0.3 + a, x, y, 1e-4)
    turn = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
    there = turn @ [px, py] + [x, y]
    np.testing.assert_allclose(moved.position([there]), row.position([[px, py]]), atol=1e-8)
    np.testing.assert_allclose(moved.offset([there]), row.offset([[px, py]]), atol=1e-8)


def test_no_points_no_places():
    row = line()
    assert row.position(np.empty((0, 2))).shape == row.offset(np.empty((0, 2))).shape == (0,)
    assert row.points(np.empty(0)).shape == (0, 2)
