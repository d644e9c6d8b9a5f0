"""Two lists of one row are laid over each other, or it is said that they cannot be."""

import math

import numpy as np
import pytest

from standcam.errors import BadSettings
from standcam.validation.align import AMBIGUOUS, NO_FIT, OK, TOO_FEW, AlignSettings, Place, align

NOMINAL = 16.5


def planted(rng, length, scatter):
    """Places of a row: one seed every 16.5 cm, 8 % missing, 5 % double, sd of spacings as a share of 16.5."""
    n = int(length / NOMINAL) + 3
    place = np.arange(n) * NOMINAL + rng.uniform(0, NOMINAL) + rng.normal(0, scatter * NOMINAL / math.sqrt(2), n)
    place = place[rng.random(n) > 0.08]
    double = place[rng.random(len(place)) < 0.05]
    place = np.concatenate([place, double + rng.uniform(1, 5, len(double))])
    return np.sort(place[(place >= 0) & (place <= length)])


def photographed(rng, row, begin, length, direction, scale):
    """A photo of a stretch: 10 % missed, 5 % extra, errors of 5 mm. Its places, its stretch, where it truly lies."""
    place = row[(row >= begin) & (row <= begin + length)]
    place = place[rng.random(len(place)) > 0.10]
    place = np.concatenate([place, rng.uniform(begin, begin + length, rng.binomial(len(place), 0.05))])
    place = place + rng.normal(0, 0.5, len(place))
    place = place[(place >= begin) & (place <= begin + length)]
    truth = Place(begin if direction > 0 else begin + length, direction, scale)
    return truth.to_photo(place), (0.0, length / scale), truth


def lies_right(found, truth, stretch):
    ends = np.array(stretch)
    return found.direction == truth.direction and np.abs(found.to_tape(ends) - truth.to_tape(ends)).max() < 4.0


@pytest.mark.parametrize("photo_is_longer", [False, True])
def test_long_rows_are_laid_right(photo_is_longer):
    # 4.5 m within 6 m, or the reverse: 25 plants and more tell the scale to 0.2 %
    rng = np.random.default_rng(5)
    scale_error, covered = [], 0
    for i in range(20):
        row = planted(rng, 600, 0.25)
        direction, scale = (1, -1)[i % 2], 1 + rng.uniform(-0.025, 0.025)
        photo, stretch, truth = photographed(rng, row, rng.uniform(0, 150), 450, direction, scale)
        tape, tape_stretch = row + rng.normal(0, 0.3, len(row)), (0.0, 600.0)
        if photo_is_longer:
            laid = align(tape, photo, tape_stretch, stretch)
            sign = truth.direction
            truth = Place(-sign * truth.offset_cm / truth.scale, sign, 1 / truth.scale)
            stretch = tape_stretch
        else:
            laid = align(photo, tape, stretch, tape_stretch)
        assert laid.status == OK, laid.reason
        assert laid.place.direction == truth.direction
        assert laid.place.to_tape(np.array([np.mean(stretch)])) == pytest.approx(
            truth.to_tape(np.array([np.mean(stretch)])), abs=1.0
        )
        true_pct = 100 * (1 / truth.scale - 1)
        scale_error.append(laid.scale_pct.value - true_pct)
        covered += laid.scale_pct.low <= true_pct <= laid.scale_pct.high
    assert np.sqrt(np.mean(np.square(scale_error))) < 0.2
    assert covered >= 17  # 95 % of 20, less what chance takes in 1 of 300 such tests


def test_short_photos_are_never_laid_wrong():
    # 1.8 m of a 6 m row: 8 plants or so. Most can be laid, some cannot, none is laid wrong
    rng = np.random.default_rng(8)
    status = []
    for i in range(40):
        row = planted(rng, 600, (0.1, 0.2, 0.3, 0.5)[i % 4])
        photo, stretch, truth = photographed(
            rng, row, rng.uniform(-30, 450), 180, rng.choice([-1, 1]), 1 + rng.uniform(-0.025, 0.025)
        )
        laid = align(photo, row + rng.normal(0, 0.3, len(row)), stretch, (0.0, 600.0))
        status.append(laid.status)
        if laid.sure:
            assert lies_right(laid.place, truth, stretch)
    assert status.count(OK) >= 26


def test_photos_of_another_row_are_seldom_claimed():
    rng = np.random.default_rng(9)
    claimed = 0
    for _ in range(30):
        photo, stretch, _ = photographed(rng, planted(rng, 600, 0.2), 100, 180, 1, 1.0)
        claimed += align(photo, planted(rng, 600, 0.2), stretch, (0.0, 600.0)).sure
    assert claimed <= 5  # 3 to 8 % in longer simulations


def test_an_even_row_is_ambiguous():
    rng = np.random.default_rng(2)
    tape = np.arange(8, 600, NOMINAL) + rng.normal(0, 0.3, 36)
    photo = np.arange(5, 200, NOMINAL) + rng.normal(0, 0.3, 12)
    laid = align(photo, tape, (0, 200), (0, 600))
    assert laid.status == AMBIGUOUS and not laid.sure
    assert laid.reason.startswith(("shifted by", "read in the other direction"))
    assert laid.rival is not None and laid.odds < 30


def test_a_known_zero_settles_an_even_row():
    tape = np.arange(8, 200, NOMINAL)
    laid = align(tape - 1.2, tape, (0, 200), (0, 200), same_zero=True)
    assert laid.status == OK and laid.place.offset_cm == pytest.approx(1.2)
    assert len(laid.pairs) == len(tape) and "taken as the same" in laid.reason


def test_a_known_zero_stays_known():
    # all places 9 cm off: the zeros may differ by the tolerance only, and nothing slides to a better fit
    tape = np.array([20.0, 41, 50, 77, 92, 120])
    laid = align(tape + 9, tape, (0, 140), (0, 140), same_zero=True)
    assert abs(laid.place.offset_cm) <= laid.tolerance_cm


def test_an_empty_photo_at_a_known_zero_has_missed_all():
    laid = align([], [10.0, 30, 50], (0, 60), (0, 60), same_zero=True)
    assert laid.sure and len(laid.pairs) == 0 and laid.common_cm == (0, 60)
    assert align([], [10.0, 30, 50], (0, 60), (0, 60)).status == TOO_FEW


def test_the_same_list_twice():
    place = planted(np.random.default_rng(1), 200, 0.3)
    laid = align(place, place, (0, 200), (0, 200))
    assert laid.status == OK and laid.place.direction == 1
    assert laid.place.offset_cm == pytest.approx(0, abs=1e-9) and laid.scale_pct.value == pytest.approx(0, abs=1e-9)
    assert laid.pairs.found.tolist() == laid.pairs.true.tolist() == list(range(len(place)))
    assert laid.common_cm == pytest.approx((0, 200))


def test_what_lies_beyond_the_other_is_not_common():
    # photo from 50 to 150 of the row, tape from 100 to 300
    row = planted(np.random.default_rng(4), 300, 0.4)
    photo = row[(row > 20) & (row < 200)] - 20
    tape = row[row > 60] - 60
    laid = align(photo, tape, (0, 180), (0, 240))
    assert laid.sure and laid.place.offset_cm == pytest.approx(-40, abs=1e-6)
    assert laid.common_cm == pytest.approx((0, 140), abs=1e-6)


def test_too_large_a_scale_error_is_found_when_looked_for():
    rng = np.random.default_rng(6)
    row = planted(rng, 600, 0.3)
    photo = row * 0.93
    assert align(photo, row, (0, 558), (0, 600)).status == NO_FIT
    wide = align(photo, row, (0, 558), (0, 600), AlignSettings(max_scale_pct=10))
    assert wide.sure and wide.scale_pct.value == pytest.approx(-7, abs=0.01) and not wide.scale_at_limit


def test_the_limit_of_the_search_is_told():
    row = planted(np.random.default_rng(6), 200, 0.3)
    laid = align(row * 1.04, row, (0, 208), (0, 200))
    assert laid.scale_at_limit and laid.place.scale == pytest.approx(0.97)


def test_scale_can_be_held():
    row = planted(np.random.default_rng(6), 200, 0.3)
    laid = align(row * 1.01, row, (0, 202), (0, 200), AlignSettings(max_scale_pct=0))
    assert laid.place.scale == 1 and not laid.scale_at_limit


def test_few_plants_are_not_claimed():
    laid = align([1.0, 17, 40], [1.0, 17, 40], (0, 50), (0, 50))
    assert laid.status == TOO_FEW and laid.place is None and "3 plants" in laid.reason


def test_there_and_back():
    place = Place(12.0, -1, 1.02)
    where = np.array([0.0, 3.5, 88])
    assert place.to_photo(place.to_tape(where)) == pytest.approx(where)
    assert place.to_tape(np.array([100.0])) == pytest.approx([-90])


def test_numbers_that_are_none_are_refused():
    with pytest.raises(ValueError, match="finite"):
        align([1.0, math.nan], [1.0, 2.0], (0, 5), (0, 5))
    with pytest.raises(ValueError, match="finite"):
        align([1.0, 2.0], [1.0, 2.0], (0, math.nan), (0, 5))


@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        ({"max_scale_pct": -1.0}, "0 to 30"),
        ({"tolerance_cm": 0.0}, "greater than zero"),
        ({"alone_share": 0.7}, "between 0 and 0.5"),
        ({"sure_odds": 0.5}, "1 or more"),
    ],
)
def test_settings_that_make_no_sense(wrong, message):
    with pytest.raises(BadSettings, match=message):
        AlignSettings(**wrong)
