"""Laying one list over another does not hang on where either counts from, nor in which direction."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from standcam.validation.align import align
from standcam.validation.match import match

QUICK = settings(max_examples=25, deadline=None, derandomize=True)
gaps = st.lists(st.floats(2, 60), min_size=7, max_size=16)


def row_of(gap_list, drop):
    place = np.cumsum([5.0, *gap_list])
    kept = np.array([i for i in range(len(place)) if i % 7 != drop % 7])
    length = place[-1] + 5
    return place, place[kept], (0.0, float(length))


def found(laid):
    return sorted(zip(laid.pairs.found.tolist(), laid.pairs.true.tolist(), strict=True))


@QUICK
@given(gaps, st.integers(0, 6), st.floats(-500, 500), st.floats(-500, 500))
def test_shifting_either_list_changes_nothing(gap_list, drop, by, other):
    tape, photo, stretch = row_of(gap_list, drop)
    plain = align(photo, tape, stretch, stretch)
    moved = align(photo + by, tape + other, (by, stretch[1] + by), (other, stretch[1] + other))
    assert moved.status == plain.status
    if plain.sure:
        assert found(moved) == found(plain)
        assert moved.place.offset_cm == pytest.approx(
            plain.place.offset_cm + other - plain.place.direction * plain.place.scale * by, abs=1e-6
        )
        assert moved.common_cm == pytest.approx((plain.common_cm[0] + other, plain.common_cm[1] + other), abs=1e-6)


@QUICK
@given(gaps, st.integers(0, 6), st.booleans())
def test_reversing_either_list_turns_the_direction(gap_list, drop, turn_photo):
    tape, photo, stretch = row_of(gap_list, drop)
    plain = align(photo, tape, stretch, stretch)
    back = (-stretch[1], 0.0)
    turned = align(-photo, tape, back, stretch) if turn_photo else align(photo, -tape, stretch, back)
    assert turned.status == plain.status
    if plain.sure:
        assert found(turned) == found(plain)
        assert turned.place.direction == -plain.place.direction
        assert turned.scale_pct.value == pytest.approx(plain.scale_pct.value, abs=1e-6)


@QUICK
@given(gaps, st.randoms(use_true_random=False))
def test_the_order_of_the_lists_is_of_no_matter(gap_list, random):
    tape, photo, stretch = row_of(gap_list, 3)
    order = list(range(len(photo)))
    random.shuffle(order)
    plain, mixed = align(photo, tape, stretch, stretch), align(photo[order], tape, stretch, stretch)
    assert mixed.status == plain.status
    if plain.sure:
        assert sorted((order[i], j) for i, j in found(mixed)) == found(plain)


@settings(max_examples=100, deadline=None, derandomize=True)
@given(st.lists(st.integers(0, 400), max_size=30), st.lists(st.integers(0, 400), max_size=30), st.integers(1, 40))
def test_pairing_on_a_line_is_as_good_as_pairing_all_at_once(a, b, tenths):
    # the same places as points of a plane are paired as a whole
    a, b, tolerance = np.array(a) / 10, np.array(b) / 10, tenths / 10 + 0.05
    line = match(a, b, tolerance)
    plane = match(np.c_[a, np.zeros(len(a))], np.c_[b, np.zeros(len(b))], tolerance)
    assert len(line) == len(plane)
    assert line.distance.sum() == pytest.approx(plane.distance.sum(), abs=1e-9)
    assert len(set(line.found)) == len(set(line.true)) == len(line) and (line.distance <= tolerance + 1e-12).all()
    order = np.lexsort((b[line.true], a[line.found]))
    assert (np.diff(b[line.true][order]) >= 0).all()  # no crossing
