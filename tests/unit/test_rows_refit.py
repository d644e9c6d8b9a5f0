"""Drawing a row again through its stems."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from standcam import flags
from standcam.rows.find import refit
from standcam.rows.line import RowLine
from standcam.settings import RowSettings

SETTINGS = RowSettings()
GUESS = RowLine((0.0, 0.0), (1.0, 0.0))
UNSURE = flags.bit("row_unsure")


def along(row, positions, scatter_cm=0.0, seed=0):
    """Points on a row with scatter across it."""
    points = row.points(np.asarray(positions, float))
    d = np.array(row.direction)
    noise = np.random.default_rng(seed).normal(0, scatter_cm, len(points)) if scatter_cm else np.zeros(len(points))
    return points + noise[:, None] * [d[1], -d[0]]


def farthest(row, true, positions):
    return np.abs(row.offset(true.points(np.asarray(positions, float)))).max()


def test_a_straight_row_is_recovered_from_a_poor_guess():
    true = RowLine((3.0, 2.0), (np.cos(0.03), np.sin(0.03)))
    place = np.arange(-80, 81, 15)
    row = refit(GUESS, along(true, place), np.ones(11), SETTINGS)
    assert farthest(row, true, place) < 0.3  # the prior on the direction draws it by a tenth
    assert np.linalg.norm(row.direction) == pytest.approx(1)
    assert row.sd_cm < 0.2
    assert not row.flags


def test_outliers_move_the_row_little():
    place = np.arange(-80, 81, 10)
    points = along(GUESS, place, 0.5)
    with_weeds = np.r_[points, [[-70, 5], [-60, 4.5], [10, 5]]]
    rows = [refit(GUESS, p, np.ones(len(p)), SETTINGS) for p in (points, with_weeds)]
    assert farthest(rows[1], GUESS, place) < 0.8
    assert np.abs(rows[1].offset(points) - rows[0].offset(points)).max() < 0.6


def test_weights_count():
    points = np.array([[-60, 0], [-30, 0], [0, 0], [30, 0], [60, 0], [-60, 4], [-20, 4], [20, 4], [60, 4.0]])
    for loud, y in ((slice(0, 5), 0.0), (slice(5, 9), 4.0)):
        weight = np.full(9, 0.05)
        weight[loud] = 1.0
        row = refit(GUESS, points, weight, SETTINGS)
        np.testing.assert_allclose(row.points(np.array([-60.0, 60]))[:, 1], y, atol=0.6)


@pytest.mark.parametrize("bend", [2e-4, -1.5e-4])
def test_a_bend_is_followed_and_kept(bend):
    true = RowLine((0.0, 0.0), (1.0, 0.0), bend)
    place = np.arange(-150, 151, 12)
    points = along(true, place, 0.4)
    straight = refit(GUESS, points, np.ones(len(points)), RowSettings(bend_plants=1000))
    row = GUESS
    errors = []
    for _ in range(4):
        row = refit(row, points, np.ones(len(points)), SETTINGS)
        errors.append(farthest(row, true, place))
    # the belief in straight rows holds the first fit back; drawn again, the rest follows, and nothing is lost
    assert errors[0] < 0.7 * farthest(straight, true, place)
    assert errors[1] < errors[0]
    assert errors[-1] < 0.7
    assert np.sign(row.bend_per_cm) == np.sign(bend)


def test_a_straight_row_stays_straight():
    for seed in range(5):
        points = along(GUESS, np.arange(-150, 151, 15), 0.8, seed)
        row = refit(GUESS, points, np.ones(len(points)), SETTINGS)
        assert farthest(row, GUESS, np.arange(-150, 151, 15)) < 1.0


def test_few_or_short_rows_get_no_bend():
    bent = RowLine((0.0, 0.0), (1.0, 0.0), 5e-4)
    for place in (np.linspace(-80, 80, 5), np.linspace(-40, 40, 20)):
        assert refit(GUESS, along(bent, place), np.ones(len(place)), SETTINGS).bend_per_cm == 0


@pytest.mark.parametrize("count", [0, 1])
def test_too_few_stems_leave_the_guess_and_say_so(count):
    row = refit(GUESS, np.zeros((count, 2)), np.ones(count), SETTINGS)
    assert (row.origin_cm, row.direction) == (GUESS.origin_cm, GUESS.direction)
    assert row.flags & UNSURE


def test_stems_of_no_weight_leave_the_guess():
    row = refit(GUESS, np.array([[0, 5], [50, 5.0]]), np.zeros(2), SETTINGS)
    assert row.origin_cm == GUESS.origin_cm and row.flags & UNSURE


def test_scatter_makes_a_row_unsure_and_more_stems_settle_it():
    points = along(GUESS, np.arange(-80, 81, 8), 5.0)
    assert refit(GUESS, points, np.ones(len(points)), SETTINGS).flags & UNSURE
    two = refit(GUESS, np.array([[0, 0], [50, 0.0]]), np.ones(2), SETTINGS)
    assert two.flags & UNSURE
    settled = refit(two, along(GUESS, np.arange(-80, 81, 8), 0.5), np.ones(21), SETTINGS)
    assert not settled.flags & UNSURE


def test_stems_in_one_place_do_no_harm():
    row = refit(GUESS, np.tile([[5.0, 1.0]], (4, 1)), np.ones(4), SETTINGS)
    assert np.isfinite([*row.origin_cm, *row.direction, row.bend_per_cm]).all()


@given(st.floats(0, 2 * np.pi), st.floats(-200, 200), st.floats(-200, 200), st.integers(0, 5))
@settings(max_examples=40)
def test_turning_and_moving_the_ground_turns_and_moves_the_row(a, x, y, seed):
    turn = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
    points = along(GUESS, np.arange(-90, 91, 15), 1.0, seed)
    weight = np.random.default_rng(seed).uniform(0.1, 1, len(points))
    row = refit(GUESS, points, weight, SETTINGS)
    moved = refit(RowLine((x, y), tuple(turn[:, 0])), points @ turn.T + [x, y], weight, SETTINGS)
    np.testing.assert_allclose(moved.offset(points @ turn.T + [x, y]), row.offset(points), atol=1e-6)
    np.testing.assert_allclose(moved.position(points @ turn.T + [x, y]), row.position(points), atol=1e-6)


def test_the_stretch_stays_in_place():
    given_row = RowLine((0.0, 0.0), (1.0, 0.0), from_cm=-70.0, to_cm=90.0)
    row = refit(given_row, along(GUESS, np.arange(0, 81, 10), 0.3), np.ones(9), SETTINGS)
    for before, after in ((-70.0, row.from_cm), (90.0, row.to_cm)):
        np.testing.assert_allclose(given_row.points(before), row.points(after), atol=0.5)


def test_a_bent_guess_through_its_own_stems_stays_where_it_is():
    # stems on one side only, so the new origin lies where the old curve has a slope
    true = RowLine((0.0, 0.0), (1.0, 0.0), 2e-4)
    place = np.arange(30, 151, 10)
    row = refit(true, along(true, place), np.ones(len(place)), SETTINGS)
    assert farthest(row, true, place) < 0.05
    ends = row.position(true.points(np.array([40.0, 100.0])))
    assert np.diff(ends)[0] == pytest.approx(60, abs=0.05)
