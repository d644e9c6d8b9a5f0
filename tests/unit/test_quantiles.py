"""Quantiles against scipy's."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import special

from standcam.spacing import quantiles

levels = st.sampled_from([0.5, 0.8, 0.9, 0.95, 0.99, 0.999])
freedom = st.one_of(st.integers(1, 400).map(float), st.floats(1, 50_000))


@pytest.mark.parametrize("p", [1e-9, 0.001, 0.025, 0.3, 0.5, 0.9, 0.975, 0.9995])
def test_normal(p):
    assert quantiles.normal(p) == pytest.approx(special.ndtri(p), rel=1e-12, abs=1e-12)


@given(freedom, levels)
def test_student_t(df, level):
    p = 0.5 + level / 2
    assert quantiles.student_t(np.array([df]), p)[0] == pytest.approx(special.stdtrit(df, p), rel=1e-9)


@given(freedom, levels, st.booleans())
def test_chi_squared(df, level, below):
    upper = (1 + level) / 2 if below else (1 - level) / 2
    assert quantiles.chi_squared(np.array([df]), upper)[0] == pytest.approx(special.chdtri(df, upper), rel=1e-9)


def test_student_t_with_one_and_two_degrees_of_freedom_is_known_in_closed_form():
    p = 0.975
    assert quantiles.student_t(np.array([1.0, 2.0]), p) == pytest.approx(
        [np.tan(np.pi * (p - 0.5)), (2 * p - 1) * np.sqrt(2 / (4 * p * (1 - p)))], rel=1e-12
    )


def test_chi_squared_with_two_degrees_of_freedom_is_an_exponential_distribution():
    assert quantiles.chi_squared(np.array([2.0]), 0.05)[0] == pytest.approx(-2 * np.log(0.05), rel=1e-12)


def test_shape_and_missing_stay():
    df = np.array([[3.0, np.nan], [3.0, 8.0]])
    for found in (quantiles.student_t(df, 0.975), quantiles.chi_squared(df, 0.975)):
        assert found.shape == (2, 2) and np.isnan(found[0, 1]) and found[0, 0] == found[1, 0] < np.inf
    assert quantiles.student_t(np.zeros(0), 0.9).shape == (0,)
    assert quantiles.chi_squared(np.array(5.0), 0.5).shape == ()
