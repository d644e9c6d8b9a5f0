"""Curved rows: the same conventions as straight ones; arc length; valid ground."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from standcam.rows.curve import CurvedRow
from standcam.rows.line import RowLine
from standcam.rows.valid_ground import spells_of, valid_ground


def arc(radius_cm=2000.0, angle_deg=60.0, step_cm=50.0) -> CurvedRow:
    """Part of a circle about the origin, run through clockwise from 120 degrees: the centre lies to the right."""
    n = int(np.ceil(radius_cm * np.deg2rad(angle_deg) / step_cm)) + 1
    a = np.deg2rad(120) - np.linspace(0, np.deg2rad(angle_deg), n)
    return CurvedRow(radius_cm * np.c_[np.cos(a), np.sin(a)])


@given(st.floats(0, 2 * np.pi), st.floats(-1e4, 1e4), st.floats(-300, 300))
def test_straight_rows_are_row_lines(angle, position, offset):
    d = np.array([np.cos(angle), np.sin(angle)])
    curved = CurvedRow(np.linspace(0, 1000, 21)[:, None] * d + [70, -30], 0, 1000)
    straight = RowLine((70.0, -30.0), tuple(d), 0.0, 0.0, 1000.0)
    point = straight.points(position) + offset * np.array([d[1], -d[0]])
    np.testing.assert_allclose(curved.position(point), straight.position(point), atol=1e-6)
    np.testing.assert_allclose(curved.offset(point), straight.offset(point), atol=1e-6)
    np.testing.assert_allclose(curved.points(position), straight.points(position), atol=1e-6)
    assert curved.length_cm == straight.length_cm


@pytest.mark.parametrize("offset", [-150.0, -20.0, 0.0, 20.0, 150.0])
def test_circle(offset):
    row = arc()
    a = np.deg2rad(np.linspace(118, 62, 57))
    points = (2000.0 - offset) * np.c_[np.cos(a), np.sin(a)]  # right is towards the centre
    position, found = row.place(points)
    # the sagitta of 50 cm on this circle is 50²/(8 * 2000) = 0.16 cm, and chords are shorter than arcs by 26 in a
    # million, 0.06 cm in all; along, half a turn of a segment times the offset
    np.testing.assert_allclose(found, offset, atol=0.17)
    np.testing.assert_allclose(position, 2000 * (np.deg2rad(120) - a), atol=0.06 + abs(offset) * 0.0126)


def test_distance_is_that_of_a_geometry_library():
    shapely = pytest.importorskip("shapely")
    row = arc(1200.0)
    rng = np.random.default_rng(3)
    near = row.points(rng.uniform(100, 1100, 300)) + rng.uniform(-60, 60, (300, 2))
    line = shapely.LineString(row.vertices_cm)
    points = shapely.points(near)
    # on the inner side of a corner the nearest point may be that of the neighbour segment
    np.testing.assert_allclose(np.abs(row.offset(near)), shapely.distance(line, points), atol=0.06)
    along = shapely.line_locate_point(line, points)
    np.testing.assert_allclose(row.position(near), along, atol=85 * np.deg2rad(2.5))


def test_points_and_back():
    row = arc()
    s = np.linspace(-100, 2200, 47)
    np.testing.assert_allclose(row.position(row.points(s)), s, atol=1e-6)
    np.testing.assert_allclose(row.offset(row.points(s)), 0, atol=1e-6)
    np.testing.assert_allclose(np.linalg.norm(row.direction_at(s), axis=1), 1)


def test_turned_round():
    row = CurvedRow(arc().vertices_cm, 300.0, 1500.0, 1.2, 9)
    back = row.turned_round()
    points = row.points([300.0, 1500.0]) + np.array([3.0, 4.0])
    np.testing.assert_allclose(back.offset(points), -row.offset(points), atol=1e-6)
    np.testing.assert_allclose(back.points(back.to_cm), row.points(300.0), atol=1e-6)
    assert back.length_cm == pytest.approx(1200.0) and (back.sd_cm, back.flags) == (1.2, 9)


def test_kept_as_text():
    row = CurvedRow(arc().vertices_cm, 300.0, 1500.0, 1.2, 9)
    again = CurvedRow.from_dict(row.to_dict())
    np.testing.assert_allclose(again.vertices_cm, row.vertices_cm, atol=6e-4)
    assert (again.from_cm, again.to_cm, again.sd_cm, again.flags) == (300.0, 1500.0, 1.2, 9)


@pytest.mark.parametrize(
    ("vertices", "message"),
    [(np.zeros((1, 2)), "two vertices"), (np.zeros((3, 2)), "must differ"), (np.zeros(4), "two vertices")],
)
def test_impossible_lines(vertices, message):
    with pytest.raises(ValueError, match=message):
        CurvedRow(vertices)


def test_valid_ground_is_that_of_a_geometry_library():
    shapely = pytest.importorskip("shapely")
    a = np.linspace(0, 2 * np.pi, 40)[:-1]
    outer = np.c_[np.cos(a), np.sin(a)] * (200 + 80 * np.cos(5 * a))[:, None]
    inner = np.array([[-40, -40], [50, -30], [10, 60.0]])
    points = np.random.default_rng(2).uniform(-300, 300, (4000, 2))
    inside = valid_ground([outer, inner])(points)
    np.testing.assert_array_equal(inside, shapely.contains_xy(shapely.Polygon(outer, [inner]), *points.T))
    assert 0.1 < inside.mean() < 0.9
    np.testing.assert_array_equal(valid_ground(lambda p: p[:, 0] > 0)(points), points[:, 0] > 0)
    assert valid_ground(None) is None
    with pytest.raises(ValueError, match="three corners"):
        valid_ground(np.zeros((2, 2)))


def test_spells():
    at = np.arange(6) * 10.0
    assert spells_of(np.array([1, 1, 0, 1, 1, 1], bool), at).tolist() == [[0, 10], [30, 50]]
    assert spells_of(np.zeros(6, bool), at).shape == (0, 2)
