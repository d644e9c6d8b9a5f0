"""Exact distributions against brute force, and intervals of shares with rows as the unit."""

from __future__ import annotations

from itertools import pairwise, permutations

import numpy as np
import pytest

from standcam.spacing.intervals import clopper_pearson
from standcam.stand.chance import at_least, beside_counts, clustered_share, run_counts


def bools(text):
    return np.array([c == "1" for c in text])


def test_runs_agree_with_all_orders():
    rows = [bools("110100"), bools("0110"), bools("1"), bools("000")]
    marked, observed, weights = run_counts(rows)
    assert (marked, observed) == (6, 2)
    sums = [
        sum(a * b for a, b in pairwise(x)) + sum(a * b for a, b in pairwise(y))
        for x in set(permutations("110100"))
        for y in set(permutations("0110"))
        for x, y in [([int(c) for c in x], [int(c) for c in y])]
    ]
    brute = np.bincount(sums, minlength=len(weights)) / len(sums)
    assert weights == pytest.approx(brute, abs=1e-12)


def test_runs_agree_with_drawn_orders():
    rng = np.random.default_rng(7)
    rows = [rng.random(n) < 0.3 for n in (12, 9, 15, 12, 20)]
    weights = run_counts(rows)[2]
    drawn = np.zeros(4000, int)
    for row in rows:
        order = np.argsort(rng.random((4000, len(row))), axis=1)
        mixed = row[order]
        drawn += (mixed[:, 1:] & mixed[:, :-1]).sum(axis=1)
    share = np.bincount(drawn, minlength=len(weights))[: len(weights)] / 4000
    assert np.abs(np.cumsum(share) - np.cumsum(weights)).max() < 0.03  # 1.36 / sqrt(4000) is 0.022


def test_beside_is_hypergeometric():
    marks, places = bools("11000"), bools("10100")
    marked, observed, weights = beside_counts([(marks, places)])
    assert (marked, observed) == (2, 1)
    assert weights == pytest.approx([3 / 10, 6 / 10, 1 / 10])


def test_clustered_and_random_orders_are_told_apart():
    together = at_least("pairs", "they cluster", *run_counts([bools("00000111110000000000")] * 3))
    assert together.told and together.observed == 12 and together.p < 1e-6
    assert together.expected == pytest.approx(3 * 5 * 4 / 20)
    assert together.adjusted(together.p, 0.05).sentence.endswith("(p below 0.001): they cluster.")
    apart = at_least("pairs", "they cluster", *run_counts([bools("1010101010")] * 4))
    assert apart.adjusted(apart.p, 0.05).sentence.endswith("they keep apart more than chance would.")


@pytest.mark.parametrize("rows", [[], [bools("0000")], [bools("0100")], [bools("1100")]])
def test_too_few_cannot_be_told(rows):
    test = at_least("pairs", "they cluster", *run_counts(rows))
    assert not test.told
    assert test.sentence.startswith("Whether they cluster cannot be told: too few (")


def test_many_rows_are_summed():
    """A thousand rows: mean and variance of the sum are a thousand times those of one."""
    one = run_counts([bools("110010")])[2]
    many = run_counts([bools("110010")] * 1000)[2]
    k, n = np.arange(len(one)), np.arange(len(many))
    mean = one @ k
    assert many @ n == pytest.approx(1000 * mean, rel=1e-9)
    assert many @ n**2 - (many @ n) ** 2 == pytest.approx(1000 * (one @ k**2 - mean**2), rel=1e-6)


def test_share_of_rows():
    alike = clustered_share(np.full(10, 2), np.full(10, 20), 0.95)
    assert alike.value == pytest.approx(0.1)
    # no more scatter than chance: the exact interval of 20 of 200, widened by t at 9 degrees of freedom only
    low, high = clopper_pearson(20, 200, 0.95)
    assert alike.low < low < 0.1 < high < alike.high < 0.2
    lumped = clustered_share(np.array([20] + [0] * 9), np.full(10, 20), 0.95)
    assert lumped.value == pytest.approx(0.1)
    assert lumped.high - lumped.low > 2 * (alike.high - alike.low)
    assert np.isnan(clustered_share(np.array([3]), np.array([20]), 0.95).low)
    assert not clustered_share(np.array([]), np.array([]), 0.95).known
    none = clustered_share(np.zeros(5), np.full(5, 20), 0.95)
    assert none.value == none.low == 0 and 0 < none.high < 0.15


def test_share_covers_the_truth_when_rows_differ():
    """Beta-binomial rows, 12 of 12 plants, correlation 0.1: nominal 95 %, measured 95 to 99 over 1,500 draws."""
    rng = np.random.default_rng(3)
    hits = 0
    for _ in range(400):
        share = rng.beta(0.12 * 9, 0.88 * 9, 12)
        got = clustered_share(rng.binomial(12, share), np.full(12, 12), 0.95)
        hits += got.low <= 0.12 <= got.high
    assert hits / 400 > 0.93  # three standard errors below 0.965
