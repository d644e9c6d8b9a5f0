"""Pairing and agreement by cases that can be worked out by head."""

import itertools

import numpy as np
import pytest

from standcam.validation.agreement import agreement
from standcam.validation.match import match


def test_pairs_of_a_row():
    # 10 and 10.5 are near; 22 has lost its stem at 30 by more than 4; 41 pairs with 40
    pairs = match([10.5, 22.0, 41.0], [10.0, 30.0, 40.0], 4.0)
    assert pairs.found.tolist() == [0, 2] and pairs.true.tolist() == [0, 2]
    assert pairs.distance == pytest.approx([0.5, 1.0])
    assert pairs.found_alone(3).tolist() == [1] and pairs.true_alone(3).tolist() == [1]


def test_as_many_pairs_as_can_be_though_nearest_first_finds_fewer():
    # nearest first would pair 3 with 4 and leave 0 and the find at 7 (3 from 4, 7 from 0) without one
    pairs = match([3.0, 7.0], [0.0, 4.0], 4.0)
    assert dict(zip(pairs.found, pairs.true, strict=True)) == {0: 0, 1: 1}


def test_of_as_many_pairs_the_nearest_in_sum():
    # a double 3 cm apart, both found: crossing over would cost 2.8 + 3.2
    pairs = match([0.2, 3.0], [0.0, 3.0], 4.0)
    assert pairs.distance == pytest.approx([0.2, 0.0])


def test_two_finds_at_one_stem_are_one_hit():
    pairs = match([9.0, 10.5], [10.0], 4.0)
    assert pairs.found.tolist() == [1] and pairs.found_alone(2).tolist() == [0]


def test_in_the_plane_distance_counts_both_ways():
    # 3-4-5 triangle
    assert len(match([[3.0, 4.0]], [[0.0, 0.0]], 4.9)) == 0
    assert match([[3.0, 4.0]], [[0.0, 0.0]], 5.0).distance == pytest.approx([5.0])


@pytest.mark.parametrize(("found", "true"), [([], [1.0]), ([1.0], []), ([], []), ([np.nan], [1.0])])
def test_nothing_pairs_with_nothing(found, true):
    pairs = match(np.array(found), np.array(true), 1.0)
    assert len(pairs) == 0 and pairs.found_alone(len(found)).tolist() == list(range(len(found)))


def test_impossible_calls_are_refused():
    with pytest.raises(ValueError, match="tolerance"):
        match([1.0], [1.0], 0.0)
    with pytest.raises(ValueError, match="coordinates"):
        match([[1.0, 2.0]], [1.0], 1.0)


def test_no_other_pairing_is_better():
    """All pairings of small sets, tried one by one: none has more pairs, nor as many with a smaller sum."""
    rng = np.random.default_rng(5)
    for _ in range(40):
        found, true = rng.uniform(0, 12, (4, 2)), rng.uniform(0, 12, (5, 2))
        best = (0, 0.0)
        for order in itertools.permutations(range(5), 4):
            distance = np.linalg.norm(found - true[list(order)], axis=1)
            near = distance[distance <= 4.0]
            best = min(best, (-len(near), near.sum()))
        pairs = match(found, true, 4.0)
        assert (-len(pairs), pairs.distance.sum()) == pytest.approx(best)


def test_agreement_by_head():
    # differences 1, -1, 3: mean 1, deviations 0, -2, 2, sd = sqrt(8 / 2) = 2
    a = agreement([11, 9, 13], [10, 10, 10])
    assert (a.n, a.bias, a.sd, a.low, a.high) == pytest.approx((3, 1, 2, -3, 5))


def test_agreement_of_two_peak_flow_meters():
    # Bland & Altman 1986, Lancet 327:307-310, table 1, first readings of the large and the mini meter
    # [l/min]: mean difference -2.1, SD 38.8, limits -79.7 and 75.5. The readings are from memory; that their
    # mean and SD come out as printed speaks for them.
    large = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
    mini = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]
    a = agreement(large, mini)
    assert a.n == 17
    assert a.bias == pytest.approx(-2.1, abs=0.05)
    assert a.sd == pytest.approx(38.8, abs=0.05)
    # the paper works with rounded mean and SD
    assert (a.low, a.high) == pytest.approx((-79.7, 75.5), abs=0.15)


def test_agreement_of_too_few():
    assert np.isnan(agreement([], []).bias)
    one = agreement([3, np.nan], [1, 1])
    assert one.n == 1 and one.bias == 2 and np.isnan(one.sd) and np.isnan(one.low)
    with pytest.raises(ValueError, match="cannot be paired"):
        agreement([1, 2], [1])
