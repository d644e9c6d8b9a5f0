"""Lines told by the green of a square: where its rows were put; none where none are clear."""

import numpy as np
import pytest

from standcam.plants.along import GRANULE_PX, Strip, drawn, places_on_ground, strips_along
from standcam.plants.guide import Lines, lines_of
from standcam.settings import StripStemSettings

SETTINGS = StripStemSettings()
HALF = np.array([200.0, 200.0])


def plants(angle_deg: float, at, bend: float = 0.0, seed: int = 1, spacing: float = 16.0) -> np.ndarray:
    """Some cells about each plant of rows at an angle, within the square. (n, 2) [cm]"""
    rng = np.random.default_rng(seed)
    out = []
    for v in at:
        u = np.arange(-300, 300, spacing) + rng.normal(0, 2, len(np.arange(-300, 300, spacing)))
        stem = np.stack([u, v + bend * u**2 + rng.normal(0, 1.5, len(u))], axis=1)
        out.append((stem[:, None] + rng.normal(0, 2.5, (len(u), 12, 2))).reshape(-1, 2))
    c, s = np.cos(np.deg2rad(angle_deg)), np.sin(np.deg2rad(angle_deg))
    points = np.concatenate(out) @ np.array([[c, s], [-s, c]])
    return points[(np.abs(points) <= HALF).all(axis=1)]


def told(points: np.ndarray):
    share = np.full(len(points), 0.6)
    return lines_of(points, share, share, HALF, SETTINGS)


def far_off(lines: Lines, angle_deg: float, at, bend: float = 0.0) -> float:
    """The farthest that a true row of which the square holds a metre runs beside the nearest line. [cm]

    Shorter ones have a handful of plants, which scatter by 1.5 cm.
    """
    c, s = np.cos(np.deg2rad(angle_deg)), np.sin(np.deg2rad(angle_deg))
    worst = 0.0
    for v in at:
        u = np.linspace(-280, 280, 200)
        row = np.stack([u, v + bend * u**2], axis=1) @ np.array([[c, s], [-s, c]])
        row = row[(np.abs(row) <= HALF).all(axis=1)]
        if len(row) > 36:
            _, across = lines.places(row)
            worst = max(worst, float(np.abs(across[:, None] - lines.v).min(axis=1).max()))
    return worst


@pytest.mark.parametrize("angle", [0, 3, 37, 45, 90, 91.2, 140, 179])
def test_rows_of_any_direction_are_on_lines(angle):
    at = 20.0 + 76.0 * np.arange(-3, 4)
    lines = told(plants(angle, at))
    assert lines is not None
    assert far_off(lines, angle, at) < 2.0
    assert abs(np.median(np.diff(lines.v)) - 76) < 2


def test_rows_that_bend():
    at, bend = 15.0 + 50.0 * np.arange(-4, 5), 1 / (2 * 3000)  # a circle of 30 m: 7 cm over the half of the square
    lines = told(plants(20, at, bend))
    assert far_off(lines, 20, at, bend) < 2.5
    assert abs(lines.bend - bend) < 0.3 * bend or abs(lines.bend + bend) < 0.3 * bend


def test_a_row_that_failed_is_looked_along_all_the_same():
    at = 10.0 + 60.0 * np.arange(-3, 4)
    lines = told(plants(0, np.delete(at, 3)))
    assert far_off(lines, 0, at) < 2.0


def test_wider_distances_between_passes_need_no_care():
    at = np.array([-170, -110, -50, 25, 85, 145.0])
    lines = told(plants(90, at))
    assert far_off(lines, 90, at) < 2.0


def test_weeds_all_over_leave_the_rows_clear():
    at = 20.0 + 76.0 * np.arange(-3, 4)
    row = plants(5, at)
    rng = np.random.default_rng(3)
    weeds = rng.uniform(-200, 200, (200, 1, 2)) + rng.normal(0, 1, (200, 4, 2))
    lines = told(np.concatenate([row, weeds.reshape(-1, 2)]))
    assert far_off(lines, 5, at) < 3.0


def test_nothing_is_told_of_plants_anywhere():
    rng = np.random.default_rng(5)
    for n in (5, 40, 300):
        points = (rng.uniform(-200, 200, (n, 1, 2)) + rng.normal(0, 2, (n, 6, 2))).reshape(-1, 2)
        assert told(points) is None


def test_nothing_is_told_where_rows_of_two_directions_meet():
    field, head = plants(0, 76.0 * np.arange(-3, 4)), plants(90, 76.0 * np.arange(-3, 4), seed=2)
    points = np.concatenate([field[field[:, 0] < 20], head[head[:, 0] > 60]])
    assert told(points) is None


def test_rows_so_narrow_that_all_would_be_looked_at_anyway():
    assert told(plants(0, 15.5 * np.arange(-13, 14))) is None


def a_line(angle_deg: float = 30.0, bend: float = 2e-4) -> Lines:
    c, s = np.cos(np.deg2rad(angle_deg)), np.sin(np.deg2rad(angle_deg))
    return Lines(np.array([c, s]), np.array([-s, c]), bend, np.array([12.0]))


def test_places_and_points_are_inverse():
    lines = a_line()
    rng = np.random.default_rng(1)
    u, v = rng.uniform(-200, 200, 50), rng.uniform(-20, 20, 50)
    np.testing.assert_allclose(np.stack(lines.places(lines.points(u, v))), [u, v], atol=1e-9)


def test_a_strip_shows_what_lies_along_its_line():
    """A picture whose colours tell the place: what a pixel of the strip shows is where it is said to lie."""
    cm_per_px, lines = 0.5, a_line(25)
    y, x = np.mgrid[:400, :500].astype(float)
    rgb = np.stack([x / 2, y / 2, np.zeros_like(x)], axis=-1).astype(np.uint8)
    strip = Strip(lines, 12.0, -60.0, 0.42, 256, 48)
    middle = np.array([249.5, 199.5])
    seen = next(drawn([strip], rgb, middle, np.array([0, 0]), cm_per_px)).astype(float)
    grid = np.stack(np.meshgrid(np.arange(256), np.arange(48)), axis=-1).reshape(-1, 2).astype(float)
    at = places_on_ground([strip], grid, np.zeros(len(grid), int)) / cm_per_px + middle
    inside = (at > 2).all(axis=1) & (at < [497, 397]).all(axis=1)
    # whole levels of half a pixel, rounded down
    np.testing.assert_allclose(seen.reshape(-1, 3)[inside, :2] * 2, at[inside], atol=2.5)
    assert abs(np.mean(seen.reshape(-1, 3)[inside, :2] * 2 - at[inside])) < 1.2


def test_a_strip_is_the_same_from_any_tile():
    rgb = np.random.default_rng(2).integers(0, 256, (300, 400, 3), np.uint8)
    strip = Strip(a_line(70), 12.0, -30.0, 0.42, 96, 48)
    middle = np.array([180.5, 140.0])
    whole = next(drawn([strip], rgb, middle, np.array([0, 0]), 0.5))
    part = next(drawn([strip], np.ascontiguousarray(rgb[37:, 51:]), middle, np.array([51, 37]), 0.5))
    np.testing.assert_array_equal(whole, part)


def test_long_bare_stretches_are_left_out_and_nothing_beyond_the_square_is_sought():
    lines = Lines(np.array([1.0, 0.0]), np.array([0.0, 1.0]), 0.0, np.array([-150.0, 0.0, 103.0, 140.0]))
    u = np.r_[np.arange(-90, -20, 10.0), np.arange(90, 150, 10.0)]
    green = np.stack([np.tile(u, 3), np.repeat([0.0, 103.0, 140.0], len(u))], axis=1)
    box = np.array([-100.0, -100.0]), np.array([100.0, 100.0])
    strips = list(strips_along(lines, green, box, 24, 0.42, 8.0))
    assert [s.v for s in strips] == [0.0, 0.0, 103.0, 103.0]  # 140 lies beyond, -150 too
    for strip in strips:
        assert strip.width_px % GRANULE_PX == 0 and strip.height_px == 48
    ends = [(s.u_cm[0], s.u_cm[-1]) for s in strips[:2]]
    assert ends[0][0] < -100 and ends[0][1] < 30 and ends[1][0] > 40 and ends[1][1] > 100
