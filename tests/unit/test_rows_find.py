"""Row directions and lines from stems strewn by hand, weeds among them."""

import dataclasses

import numpy as np
import pytest
from fixtures.upper import flat
from hypothesis import given, settings
from hypothesis import strategies as st

from standcam.ground.map import GroundMap
from standcam.rows.find import field_of, find_rows, measured_stretch, middle_line, refit, resolvable
from standcam.rows.line import RowLine
from standcam.settings import RowSettings

WIDE = flat(0.15, 1400, 1050)
"""2.1 x 1.6 m of ground."""
SETTINGS = RowSettings()


def axes(angle_deg):
    a = np.deg2rad(angle_deg)
    return np.array([np.cos(a), np.sin(a)]), np.array([np.sin(a), -np.cos(a)])


def stems(angle_deg, offsets_cm, ground=WIDE, spacing_cm=16.0, weeds=40, seed=0):
    """Stems of rows at offsets from the picture's middle, and weeds, as a network may see them.

    (n, 2) [cm], (n,)
    """
    rng = np.random.default_rng(seed)
    d, right = axes(angle_deg)
    along = np.arange(-160, 160, spacing_cm)
    rows = []
    for offset in offsets_cm:
        s = along + rng.uniform(0, spacing_cm) + rng.normal(0, 1.5, len(along))
        rows.append(s[:, None] * d + (offset + rng.normal(0, 0.7, len(s)))[:, None] * right)
    half = np.array([ground.width_px, ground.height_px]) / 2 * 0.15
    rows.append(rng.uniform(-half, half, (weeds, 2)))
    points = np.concatenate(rows)
    probability = np.r_[rng.uniform(0.5, 1.0, len(points) - weeds), rng.uniform(0.1, 0.4, weeds)]
    px = ground.to_pixels(points)
    seen = ((px > 0) & (px < [ground.width_px - 1, ground.height_px - 1])).all(axis=1)
    return points[seen], probability[seen]


def turn_deg(row, angle_deg):
    """Angle between a row and a direction, without regard to sense."""
    return np.rad2deg(np.arccos(min(abs(np.dot(row.direction, axes(angle_deg)[0])), 1.0)))


@pytest.mark.parametrize("angle_deg", [0, 7, 45, 90, 121, 178])
@pytest.mark.parametrize(
    "offsets_cm",
    [[3], [-30, 20], [-45, 0, 45], [-60, -20, 20, 60], [-60, -30, 0, 30, 60]],
)
def test_rows_are_found_and_then_drawn_to_a_degree_and_a_centimetre(angle_deg, offsets_cm):
    points, probability = stems(angle_deg, offsets_cm)
    lines = find_rows(points, probability, field_of(WIDE, SETTINGS), SETTINGS)[0]
    assert turn_deg(lines[0], angle_deg) < 2  # steps of half a degree, and strips 4 cm wide
    right = axes(angle_deg)[1]
    true = np.array(offsets_cm, float)
    drawn = []
    for line in lines:
        near = np.abs(line.offset(points)) <= 5  # cm: outside are weeds or other rows
        row = refit(line, points[near], probability[near], SETTINGS)
        # where the row passes the middle of the picture
        drawn.append((row.points(row.position([[0, 0]]))[0] @ right, turn_deg(row, angle_deg)))
    drawn = np.array(drawn)
    for offset in true:
        best = np.abs(drawn[:, 0] - offset).argmin()
        # ten plants 7 mm about their row, some weeds within reach: 3 mm and 0.3 degrees are one standard
        # error
        assert abs(drawn[best, 0] - offset) < 1.0
        assert drawn[best, 1] < 1.0
    # the first is the one the photo was taken of: of those nearest to the middle
    assert abs(abs(drawn[0, 0]) - np.abs(true).min()) < 1.0


@pytest.mark.parametrize("angle_deg", [0, 90])
def test_rows_along_the_picture_are_found_on_wide_ground(angle_deg):
    # 5 m of ground across: samples of the field lie far apart there, and no strip may go without
    ground = flat(0.2, 2500, 2000)
    points, probability = stems(angle_deg, [0.0], ground, weeds=0)
    lines = find_rows(points, probability, field_of(ground, SETTINGS), SETTINGS)[0]
    assert turn_deg(lines[0], angle_deg) < 2


def test_a_square_planting_has_two_directions():
    x, y = np.meshgrid(np.arange(-100, 101, 33.0), np.arange(-75, 76, 33.0))
    points = np.c_[x.ravel(), y.ravel()] + np.random.default_rng(3).normal(0, 0.5, (x.size, 2))
    found = find_rows(points, np.full(len(points), 0.9), field_of(WIDE, SETTINGS), SETTINGS)
    assert len(found) == 2
    turns = sorted(turn_deg(lines[0], 0) for lines in found)
    assert turns == pytest.approx([0, 90], abs=2)


def test_one_plain_row_has_no_rival():
    points, probability = stems(20, [0], weeds=0)
    assert len(find_rows(points, probability, field_of(WIDE, SETTINGS), SETTINGS)) == 1


def test_no_stems_or_no_ground_no_rows():
    field = field_of(WIDE, SETTINGS)
    assert find_rows(np.empty((0, 2)), np.empty(0), field) == []
    coarse = field_of(flat(0.5, 1400, 1050), SETTINGS)
    assert len(coarse.points_cm) == 0
    assert find_rows(np.zeros((3, 2)), np.ones(3), coarse) == []


@pytest.mark.parametrize("count", [1, 2, 3])
def test_few_stems_do_no_harm(count):
    points = np.array([[0, 0], [20, 1], [41, 0.0]])[:count]
    for lines in find_rows(points, np.full(count, 0.5), field_of(WIDE, SETTINGS), SETTINGS):
        assert all(np.isfinite([*r.origin_cm, *r.direction]).all() for r in lines)


def test_stems_in_one_place_and_of_no_weight():
    field = field_of(WIDE, SETTINGS)
    for lines in find_rows(np.zeros((5, 2)), np.full(5, 0.5), field):
        assert np.isfinite(lines[0].direction).all()
    assert find_rows(np.array([[0, 0], [30.0, 0]]), np.zeros(2), field) == []


# the field


def test_the_field_is_the_ground_seen():
    field = field_of(WIDE, SETTINGS)
    assert field.area_cm2.sum() == pytest.approx(1400 * 1050 * 0.15**2)
    np.testing.assert_allclose(field.middle_cm, [0, 0], atol=1e-9)
    # even: quarters of the picture hold quarters of the samples, in any direction strips hold their share
    for angle in (0, 30, 45, 90):
        across = field.points_cm @ axes(angle)[1]
        middle = np.histogram(across, np.arange(-50, 51, 4.0))[0]
        assert middle.std() / middle.mean() < 0.2


def test_only_resolvable_ground_is_in_the_field():
    # looking ahead, the scale grows upwards in the picture and the horizon is in view
    ground = GroundMap(np.array([[0.1, 0, 0], [0, 0, 60.0], [0, 0.002, -0.2]]), 800, 600, "truth")
    field = field_of(ground, SETTINGS)
    px = ground.to_pixels(field.points_cm)
    assert 0 < len(px) < 2304
    assert resolvable(ground, px, SETTINGS).all()
    assert not resolvable(ground, np.array([[400.0, 100.0], [400, 50], [400, 101]]), SETTINGS).any()
    assert resolvable(ground, np.empty((0, 2)), SETTINGS).shape == (0,)


# the measured stretch


def test_stretch_runs_from_edge_to_edge_less_the_margin():
    row = measured_stretch(RowLine((10.0, 0.0), (1.0, 0.0)), WIDE, SETTINGS)
    ends = WIDE.to_pixels(row.points(np.array([row.from_cm, row.to_cm])))
    # the line is walked in steps of half a centimetre
    np.testing.assert_allclose(ends[:, 0], [10, 1389], atol=4)
    assert row.length_cm == pytest.approx(209.85 - 3, abs=1)


@given(st.floats(0, np.pi), st.floats(-60, 60), st.floats(-1e-4, 1e-4))
@settings(max_examples=40)
def test_all_of_the_stretch_is_in_the_picture_at_any_angle(a, offset, bend):
    d, right = axes(np.rad2deg(a))
    row = measured_stretch(RowLine(tuple(offset * right), tuple(d), bend), WIDE, SETTINGS)
    px = WIDE.to_pixels(row.points(np.linspace(row.from_cm, row.to_cm, 50)))
    assert ((px >= -1) & (px <= [1400, 1050])).all()
    assert row.length_cm > 60


def tilted(width_px=1600, height_px=1200, height_cm=60.0, tilt_deg=68.0):
    """A camera that sees the horizon. Row along y, away from the camera."""
    t = np.deg2rad(tilt_deg)
    forward = np.array([0, np.sin(t), -np.cos(t)])
    R = np.array([[1.0, 0, 0], np.cross(forward, [1.0, 0, 0]), forward])
    K = np.array([[1200.0, 0, (width_px - 1) / 2], [0, 1200, (height_px - 1) / 2], [0, 0, 1]])
    centre = np.array([0, 0, height_cm])
    return GroundMap(
        np.linalg.inv(K @ np.c_[R[:, :2], -R @ centre]),
        width_px,
        height_px,
        "truth",
        camera_cm=(0, 0, height_cm),
    )


def test_stretch_ends_where_stems_are_not_resolved():
    ground = tilted()
    assert not np.isfinite(ground.to_ground([[800, 0]])).any()
    row = measured_stretch(RowLine((0.0, 0.0), (0.0, 1.0)), ground, SETTINGS)
    px = ground.to_pixels(row.points(np.array([row.from_cm, row.to_cm, row.to_cm + 3])))
    assert px[0, 1] == pytest.approx(1199, abs=40)
    stretch = np.linalg.norm(ground.jacobian(px), ord=2, axis=(1, 2)) * 10
    assert stretch[1] < SETTINGS.coarsest_mm_per_px < stretch[2]
    finer = measured_stretch(row, ground, dataclasses.replace(SETTINGS, coarsest_mm_per_px=1.5))
    assert 0 < finer.length_cm < row.length_cm


def test_stretch_beyond_the_lower_corners_when_the_horizon_is_in_view():
    # the row begins far from the corners, which are the only finite ones: they do not bound it
    ground = tilted(4000, 3000, height_cm=200.0, tilt_deg=60.0)
    ground = dataclasses.replace(ground, ground_from_px=ground.ground_from_px @ np.diag([0.3, 0.3, 1]))
    row = RowLine((0.0, 330.0), (0.0, 1.0))
    whole = measured_stretch(row, ground, SETTINGS)
    again = measured_stretch(RowLine((0.0, 0.0), (0.0, 1.0)), ground, SETTINGS)
    assert whole.length_cm == pytest.approx(again.length_cm, abs=1)


def test_row_outside_the_picture_and_ground_too_coarse():
    assert measured_stretch(RowLine((0.0, 500.0), (1.0, 0.0)), WIDE, SETTINGS).length_cm == 0
    assert measured_stretch(RowLine((0.0, 0.0), (1.0, 0.0)), flat(0.5, 400, 300), SETTINGS).length_cm == 0
    assert measured_stretch(RowLine((0.0, 0.0), (np.nan, np.nan)), WIDE, SETTINGS).length_cm == 0


@pytest.mark.parametrize(("width", "height", "direction"), [(1400, 1050, (1, 0)), (1050, 1400, (0, 1))])
def test_middle_line_runs_along_the_longer_side(width, height, direction):
    line = middle_line(flat(0.15, width, height))
    np.testing.assert_allclose(line.direction, direction, atol=1e-9)
    assert abs(line.offset([[0, 0]])[0]) < 0.1
    row = measured_stretch(line, flat(0.15, width, height), SETTINGS)
    assert row.length_cm == pytest.approx(1400 * 0.15 - 3, abs=1)
