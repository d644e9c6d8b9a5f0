"""Intervals against printed values; sources stand beside each check."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from standcam import units
from standcam.settings import SpacingSettings
from standcam.spacing import intervals
from standcam.summarise import summarise

# Vangel 1996, Amer. Stat. 50:21-26: his example, and a second list; both as printed by K. Wright with code of the
# same formulas. k; n; ends of the naive, McKay's and Vangel's interval
VANGEL = [
    ([326, 302, 307, 299, 329], 0.044591, (0.026716, 0.128135), (0.026704, 0.129095), (0.026700, 0.128667)),
    (
        [3.8, 3.9, 3.9, 3.8, 4.1, 4.0, 3.4, 3.6, 3.8, 3.7],
        0.052632,
        (0.036202, 0.096085),
        (0.036180, 0.096410),
        (0.036176, 0.096321),
    ),
]


@pytest.mark.parametrize(("values", "k", "naive", "mckay", "vangel"), VANGEL)
def test_interval_of_a_cv(values, k, naive, mckay, vangel):
    got = np.std(values, ddof=1) / np.mean(values)
    assert got == pytest.approx(k, abs=5e-7)
    for method, printed in (("naive", naive), ("mckay", mckay), ("vangel", vangel)):
        ends = intervals.cv_interval(got, len(values), method=method)
        assert [float(e) for e in ends] == pytest.approx(printed, abs=6e-7)


def test_interval_of_a_large_cv_is_given_when_asked_for_only():
    # k = 0.40 of 40 gaps, worked out apart from this program from the same formulas
    for method, ends in (
        ("naive", (0.32766, 0.51361)),
        ("mckay", (0.31998, 0.54376)),
        ("vangel", (0.31916, 0.53978)),
    ):
        got = intervals.cv_interval(0.40, 40, method=method, beyond_limit=True)
        assert [float(e) for e in got] == pytest.approx(ends, abs=6e-6)
        assert np.isnan(intervals.cv_interval(0.40, 40, method=method)).all()
    assert np.isfinite(intervals.cv_interval(0.33, 40)).all()


# Newcombe 1998, Stat. Med. 17:857-872, method 3 (Wilson) and exact; from memory for the first four, the last two
# worked out apart from this program
SHARES = [
    (81, 263, (0.2553, 0.3662), (0.2527, 0.3676)),
    (15, 148, (0.0624, 0.1605), (0.0578, 0.1617)),
    (0, 20, (0.0, 0.1611), (0.0, 0.1684)),
    (1, 29, (0.0061, 0.1718), (0.0009, 0.1776)),
    (184, 200, (0.8740, 0.9502), (0.8733, 0.9536)),
    (90, 100, (0.8256, 0.9448), (0.8238, 0.9510)),
]


@pytest.mark.parametrize(("hits", "n", "wilson", "exact"), SHARES)
def test_intervals_of_shares(hits, n, wilson, exact):
    assert [float(e) for e in intervals.wilson(hits, n)] == pytest.approx(wilson, abs=5e-5)
    assert [float(e) for e in intervals.clopper_pearson(hits, n)] == pytest.approx(exact, abs=5e-5)
    # the share of the others mirrors it
    assert [1 - float(e) for e in intervals.wilson(n - hits, n)][::-1] == pytest.approx(wilson, abs=5e-5)


def test_exact_intervals_of_counts():
    # Garwood 1936, Biometrika 28:437-442; worked out apart from this program
    low, high = intervals.poisson_exact(np.array([24, 30, 100]))
    assert low == pytest.approx([15.377, 20.241, 81.364], abs=5e-4)
    assert high == pytest.approx([35.710, 42.827, 121.627], abs=5e-4)
    # none seen: 3 in the rule of three, 3.689 in two-sided 95 %
    assert float(intervals.poisson_exact(0)[0]) == 0
    assert float(intervals.poisson_exact(0, 0.9)[1]) == pytest.approx(2.996, abs=5e-4)


def test_five_stand_counts():
    """29, 31, 27, 30 and 28 plants on 1/1000 acre each: derived by hand from Student's t, 2.7764 at 4 degrees."""
    counts = np.array([29, 31, 27, 30, 28])
    mean, sd = counts.mean(), counts.std(ddof=1)
    assert (mean, sd, 100 * sd / mean) == pytest.approx((29.0, 1.5811, 5.452), abs=5e-4)
    assert [float(e) for e in intervals.t_interval(mean, sd, 5)] == pytest.approx((27.037, 30.963), abs=5e-4)

    # the same by the road of a survey: five rows of 17.424 ft, 30 in apart
    length = 17.424 * units.CM_PER_FOOT
    key = pd.DataFrame({"photo": "t.csv", "plot": "a", "row": range(1, 6)})
    stretches = key.assign(from_cm=0.0, to_cm=length, plants=counts, status="ok")
    place = np.concatenate([(np.arange(c) + 0.5) * length / c for c in counts])
    positions = key.take(np.repeat(range(5), counts)).assign(plant=1, position_cm=place)
    result = summarise(positions, stretches, SpacingSettings(row_width_cm=30 * units.CM_PER_INCH))
    rows, plot = result.rows, result.plots.iloc[0]
    assert rows["plants_per_thousandth_acre"].to_numpy() == pytest.approx(counts, abs=1e-6)
    assert plot["plants_per_acre"] == pytest.approx(29_000, abs=0.5)
    # worked with 2.47105 acres in a hectare, whose sixth digit is rounded: 29,000 x 0.5e-5 more
    assert plot["plants_per_ha"] == pytest.approx(71_660, abs=0.5 + 0.15)
    ends = [units.per_acre(plot[f"plants_per_ha_{end}"]) for end in ("low", "high")]
    assert ends == pytest.approx((27_037, 30_963), abs=0.5)
    assert plot["interval_source"] == "rows"
