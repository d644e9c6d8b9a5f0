"""Rows as a level: a leaning plane, worked out in space by rays, makes parallel rows run together."""

import numpy as np
import pytest

from standcam.rows.lean import CLEAR, LEAST_DEG, lean_along

HEIGHT_CM = 140.0


def rows_on_soil(rng, rows=3, apart_cm=76.0, scatter_cm=0.8, half_cm=90.0):
    """Stems of parallel rows along x, the camera over their middle."""
    out = []
    for k in range(rows):
        x = np.arange(-half_cm, half_cm, 16.0) + rng.normal(0, 2, len(np.arange(-half_cm, half_cm, 16.0)))
        out.append(np.c_[x, (k - (rows - 1) / 2) * apart_cm + rng.normal(0, scatter_cm, len(x))])
    return out


def on_leaning_plane(points, lean_deg, axis_deg):
    """Where rays from the camera to points of the soil meet a plane that leans about an axis under the camera."""
    a, t = np.deg2rad([axis_deg, lean_deg])
    axis = np.array([np.cos(a), np.sin(a), 0.0])
    uphill = np.array([-np.sin(a) * np.cos(t), np.cos(a) * np.cos(t), np.sin(t)])
    normal = np.cross(axis, uphill)
    camera = np.array([0.0, 0.0, HEIGHT_CM])
    ray = np.c_[points, np.zeros(len(points))] - camera
    met = camera + ray * (-(camera @ normal) / (ray @ normal))[:, None]
    return np.c_[met @ axis, met @ uphill]


@pytest.mark.parametrize("lean_deg", [3.0, 6.0, 12.0])
@pytest.mark.parametrize("rows", [2, 3, 5])
def test_a_lean_along_the_rows_is_told_by_how_they_run_together(lean_deg, rows):
    rng = np.random.default_rng(1)
    soil = rows_on_soil(rng, rows, 76.0 if rows < 5 else 38.0, scatter_cm=0.0)
    told = lean_along([on_leaning_plane(points, lean_deg, 90.0) for points in soil], HEIGHT_CM)
    assert told.angle_deg == pytest.approx(lean_deg, rel=0.06)
    assert told.told == (lean_deg >= LEAST_DEG and lean_deg >= CLEAR * told.sd_deg)


def test_a_lean_across_the_rows_leaves_them_parallel():
    soil = rows_on_soil(np.random.default_rng(2), scatter_cm=0.0)
    told = lean_along([on_leaning_plane(points, 12.0, 0.0) for points in soil], HEIGHT_CM)
    assert told.angle_deg < 0.05 and not told.told


def test_flat_boards_are_seldom_said_to_lean_and_the_error_is_as_large_as_it_says():
    rng = np.random.default_rng(3)
    found = []
    for k in range(300):
        turn = np.deg2rad(rng.uniform(0, 360))
        way = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        rows = [points @ way for points in rows_on_soil(rng, 2 + k % 3, rng.choice([38.0, 76.0]), 1.2)]
        if k % 4 == 0:  # a weed far off the line
            rows[0] = np.r_[rows[0], rows[0][:1] + 5 * way[1]]
        found.append(lean_along(rows, HEIGHT_CM))
    ratio = np.array([f.angle_deg / f.sd_deg for f in found])
    assert sum(f.told for f in found) == 0
    # half a normal distribution: the error holds what chance makes of plants, and that rows may not be parallel
    assert 0.5 < np.sqrt((ratio**2).mean()) < 1.1


def test_who_cannot_tell_says_nothing():
    rows = rows_on_soil(np.random.default_rng(4))
    assert lean_along([], HEIGHT_CM) is None
    assert lean_along(rows[:1], HEIGHT_CM) is None
    assert lean_along([rows[0], rows[1][:3]], HEIGHT_CM) is None  # three plants
    assert lean_along([rows[0], rows[1][:4] * [0.3, 1]], HEIGHT_CM) is None  # four within 15 cm
    assert lean_along(rows, float("nan")) is None
    assert lean_along([rows[0], rows[0]], HEIGHT_CM) is None  # the same row twice
