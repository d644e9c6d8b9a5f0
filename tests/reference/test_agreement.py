"""Agreement against printed values."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from standcam.spacing.intervals import share_estimate
from standcam.validation.agreement import NORMAL_MULTIPLIER, agreement, concordance

DATA = Path(__file__).parent / "data"


@pytest.fixture(scope="module")
def meters():
    """First readings of two peak flow meters. [l/min]"""
    frame = pd.read_csv(DATA / "bland_altman_1986_pefr.csv", comment="#")
    return frame["wright_first"].to_numpy(float), frame["mini_wright_first"].to_numpy(float)


def test_limits_of_the_paper(meters):
    # Bland & Altman 1986, Lancet 327:307-310: mean difference -2.1, SD 38.8 (from memory). Its limits, -79.7 and 75.5,
    # are -2.1 ± 2 x 38.8, worked out from the rounded mean and SD; from the unrounded ones they are:
    a = agreement(*meters)
    assert a.n == 17 and a.multiplier == 2
    assert (a.bias, a.sd) == pytest.approx((-2.1, 38.8), abs=0.05)
    assert (a.low, a.high) == pytest.approx((-79.65, 75.41), abs=0.005)


def test_intervals_of_the_paper(meters):
    # the same paper: the standard error of a limit is sqrt(3 s²/n); with s = 38.8 and t(16) = 2.12 the bias lies
    # between -22.0 and 17.8 (from memory; recomputed from the data in a second program)
    a = agreement(*meters)
    assert a.limit_error == pytest.approx(16.285, abs=0.0005)
    assert (a.bias_interval.low, a.bias_interval.high) == pytest.approx((-22.049, 17.814), abs=0.0005)
    low = a.low_interval
    assert (low.low + low.high) / 2 == pytest.approx(a.low)
    assert (low.high - low.low) / 2 == pytest.approx(2.1199 * 16.285, abs=0.005)


def test_limits_with_the_normal_quantile(meters):
    # the multiplier of most software; values recomputed in a second program
    a = agreement(*meters, NORMAL_MULTIPLIER)
    assert (a.low, a.high) == pytest.approx((-78.097, 73.862), abs=0.0005)


def test_concordance_of_the_meters(meters):
    # Lin 1989, Biometrics 45:255-268, divisor n; 0.942742 is a test constant for these data in an open package
    rho = concordance(*meters)
    assert rho.value == pytest.approx(0.942742, abs=5e-7)
    # by the inverse hyperbolic tangent; worked out by hand from Lin's variance as corrected in 2000
    assert (rho.low, rho.high) == pytest.approx((0.85049, 0.97873), abs=5e-6)


def test_divisor_of_the_concordance(meters):
    # n - 1 would give 0.942752 (derived): the digits tell the two apart
    x, y = meters
    other = 2 * np.cov(x, y)[0, 1] / (x.var(ddof=1) + y.var(ddof=1) + (x.mean() - y.mean()) ** 2)
    assert other == pytest.approx(0.942752, abs=5e-7)
    assert abs(concordance(x, y).value - other) > 5e-6


@pytest.mark.parametrize(
    ("part", "whole", "low", "high"),
    [
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0, 0.1611),
        (1, 29, 0.0061, 0.1718),
    ],
)
def test_wilson_intervals(part, whole, low, high):
    # Newcombe 1998, Statistics in Medicine 17:857-872, table I (from memory)
    interval = share_estimate(part, whole)
    assert (interval.low, interval.high) == pytest.approx((low, high), abs=5e-5)
