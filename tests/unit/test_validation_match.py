"""Pairing by cases that can be worked out by head."""

import itertools

import numpy as np
import pytest

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


@pytest.mark.parametrize("dimensions", [1, 2])
def test_no_other_pairing_is_better(dimensions):
    """All pairings of small sets, tried one by one: none has more pairs, nor as many with a smaller sum."""
    rng = np.random.default_rng(5)
    for _ in range(40):
        found, true = rng.uniform(0, 12, (4, dimensions)), rng.uniform(0, 12, (5, dimensions))
        best = (0, 0.0)
        for order in itertools.permutations(range(5), 4):
            distance = np.linalg.norm(found - true[list(order)], axis=1)
            near = distance[distance <= 2.0 * dimensions]
            best = min(best, (-len(near), near.sum()))
        pairs = match(found, true, 2.0 * dimensions)
        assert (-len(pairs), pairs.distance.sum()) == pytest.approx(best)


def test_pairs_on_a_line_do_not_cross():
    # 0 with 2 and 1 with 3, or crossed: 4 cm in sum either way
    pairs = match([1.0, 0.0], [2.0, 3.0], 3.5)
    assert dict(zip(pairs.found, pairs.true, strict=True)) == {0: 1, 1: 0}
    assert pairs.distance == pytest.approx([2, 2])
