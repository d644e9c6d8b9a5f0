"""Colour indices against values worked out from their published formulas."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from standcam.vegetation.index import brightness, excess_green, green_minus_red

LEAF, SOIL = (100, 150, 80), (120, 100, 80)
"""8-bit colours of a leaf and of dry soil."""

level = st.integers(0, 255)


@pytest.mark.parametrize(("colour", "chromatic"), [(LEAF, 0.363636), (SOIL, 0.0)])
def test_excess_green_over_the_sum_is_the_chromatic_index(colour, chromatic):
    # 2g - r - b with r + g + b = 1, Woebbecke et al. 1995; values derived from that formula
    assert excess_green(*colour) / sum(colour) == pytest.approx(chromatic, abs=5e-7)


@pytest.mark.parametrize(("colour", "ratio"), [(LEAF, 0.2), (SOIL, -0.090909)])
def test_green_minus_red_is_the_numerator_of_the_normalised_difference(colour, ratio):
    # (G - R) / (G + R), Tucker 1979; values derived
    r, g, _ = colour
    assert green_minus_red(*colour) / (g + r) == pytest.approx(ratio, abs=5e-7)


@pytest.mark.parametrize(("colour", "index"), [(LEAF, 0.25), (SOIL, 0.0)])
def test_excess_green_over_four_brightnesses_is_the_green_leaf_index(colour, index):
    # (2G - R - B) / (2G + R + B), Louhaichi et al. 2001; values derived
    assert excess_green(*colour) / (4 * brightness(*colour)) == pytest.approx(index, abs=5e-7)


@given(level, level, level)
def test_greys_are_not_green(value, r, b):
    assert excess_green(value, value, value) == green_minus_red(value, value, value) == 0
    assert brightness(value, value, value) == value
    # red and blue count alike in excess green
    assert excess_green(r, value, b) == excess_green(b, value, r)


def test_bytes_do_not_wrap_round():
    r, g, b = (np.full((2, 3), v, np.uint8) for v in (255, 10, 255))
    assert (excess_green(r, g, b) == -490).all()
    assert (green_minus_red(r, g, b) == -245).all()
    assert excess_green(r, g, b).shape == (2, 3)
