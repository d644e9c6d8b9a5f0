"""Limits of agreement, concordance and shares by cases that can be worked out by head."""

import math

import numpy as np
import pytest

from standcam.spacing.intervals import share_estimate
from standcam.validation.agreement import (
    NORMAL_MULTIPLIER,
    agreement,
    clustered,
    concordance,
    concordance_words,
)


def test_limits_of_the_paper_by_head():
    # differences 1, -1, 3: mean 1, deviations 0, -2, 2, sd = sqrt(8 / 2) = 2
    a = agreement([11, 9, 13], [10, 10, 10])
    assert (a.n, a.bias, a.sd, a.low, a.high) == pytest.approx((3, 1, 2, -3, 5))


def test_limits_by_head():
    a = agreement([11, 9, 13], [10, 10, 10], NORMAL_MULTIPLIER)
    assert (a.bias, a.low, a.high, a.multiplier) == pytest.approx((1, 1 - 3.92, 1 + 3.92, 1.96))
    # t(0.975, 2) = 4.302653 (from tables)
    half = 4.302653 * 2 / math.sqrt(3)
    assert (a.bias_interval.low, a.bias_interval.high) == pytest.approx((1 - half, 1 + half), rel=1e-6)


def test_the_intervals_level_is_kept():
    narrow, wide = (agreement([11, 9, 13, 10], [10, 10, 10, 10], level=level) for level in (0.8, 0.99))
    assert narrow.low_interval.level == 0.8
    assert narrow.low_interval.low > wide.low_interval.low and narrow.bias == wide.bias


def test_agreement_of_too_few():
    assert np.isnan(agreement([], []).bias)
    one = agreement([3, np.nan], [1, 1])
    assert one.n == 1 and one.bias == 2 and np.isnan(one.sd) and np.isnan(one.low)
    with pytest.raises(ValueError, match="cannot be paired"):
        agreement([1, 2], [1])


def test_intervals_of_too_few():
    one = agreement([3.0], [1.0])
    assert one.bias == 2 and math.isnan(one.bias_interval.low) and math.isnan(one.high_interval.high)


def test_concordance_by_head():
    # x = 1, 2, 3 against x + 1: covariance and variances 2/3, shift 1: 2 (2/3) / (4/3 + 1) = 4/7
    assert concordance([2, 3, 4], [1, 2, 3]).value == pytest.approx(4 / 7)
    # turned round: -1
    assert concordance([3, 2, 1], [1, 2, 3]).value == pytest.approx(-1)


def test_concordance_of_the_same_is_one():
    same = concordance([1, 5, 2, 8], [1, 5, 2, 8])
    assert (same.value, same.low, same.high) == pytest.approx((1, 1, 1))


@pytest.mark.parametrize(
    ("found", "true"), [([], []), ([1, 2], [1, 2]), ([3, 3, 3], [3, 3, 3]), ([1, np.nan, 2], [1, 2, 2])]
)
def test_concordance_of_nothing_is_unknown(found, true):
    assert math.isnan(concordance(found, true).value)


def test_concordance_where_one_stands_still_has_no_interval():
    rho = concordance([1, 2, 3, 4], [2, 2, 2, 2])
    assert rho.value == 0 and math.isnan(rho.low)


def test_concordance_interval_covers():
    # correlation 0.9, equal means and spreads: the coefficient is 0.9
    rng = np.random.default_rng(3)
    covered = 0
    for _ in range(300):
        x, e = rng.normal(size=(2, 40))
        rho = concordance(0.9 * x + math.sqrt(1 - 0.81) * e, x)
        covered += rho.low <= 0.9 <= rho.high
    assert 0.92 <= covered / 300 <= 0.98


@pytest.mark.parametrize(
    ("rho", "word"),
    [(0.5, "poor"), (0.9, "moderate"), (0.949, "moderate"), (0.95, "substantial"), (0.995, "excellent")],
)
def test_words_of_concordance(rho, word):
    assert concordance_words(rho) == word


def test_no_word_for_nothing():
    assert concordance_words(math.nan) == ""


def test_share_of_nothing_is_unknown():
    assert math.isnan(share_estimate(0, 0).value)


def test_share_stays_within_its_bounds():
    all_found = share_estimate(20, 20)
    assert all_found.value == 1 and all_found.high == 1 and all_found.low == pytest.approx(1 - 0.1611, abs=5e-5)


def test_clustered_needs_three_rows():
    two = clustered([9, 8], [10, 10])
    assert two.value == pytest.approx(0.85) and math.isnan(two.low)
    assert math.isnan(clustered([], []).value) and math.isnan(clustered([0, 0, 0], [0, 0, 0]).value)


def test_rows_that_differ_widen_the_interval():
    # 90 of 120 either way: in all rows alike, or in all but one complete
    alike = clustered(np.full(12, 7.5), np.full(12, 10))
    apart = clustered([10] * 9 + [0] * 3, [10] * 12)
    assert alike.high - alike.low == pytest.approx(0)
    wilson = share_estimate(90, 120)
    assert apart.high - apart.low > 2 * (wilson.high - wilson.low)


def test_clustered_is_the_same_each_time():
    assert clustered([9, 8, 7, 10], [10, 10, 10, 10]) == clustered([9, 8, 7, 10], [10, 10, 10, 10])
