"""Seed-rate arithmetic, intervals and tests against printed tables and second implementations."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from standcam import units
from standcam.planter import arithmetic
from standcam.planter.contrasts import mean_error
from standcam.planter.missing import split_missing
from standcam.spacing.intervals import holm, share_estimate

DATA = Path(__file__).parent / "data"


RATES = list(pd.read_csv(DATA / "planter_seed_rate.csv").itertuples())


@pytest.mark.parametrize("line", RATES, ids=[f"{r.mph} mph" for r in RATES])
def test_seed_rate_table(line):
    # worked out by hand from 6,272,640 / (population x row width) and 17.6 in/s per mph
    spacing = units.spacing_cm(units.per_ha(line.population_per_acre), line.row_width_in * units.CM_PER_INCH)
    assert units.inches(spacing) == pytest.approx(line.spacing_in, abs=0.0005)
    rate = arithmetic.SeedRate(spacing, arithmetic.kmh(line.mph), 30)
    assert rate.seeds_per_second == pytest.approx(line.seeds_per_s, abs=0.0005)
    assert rate.disc_rpm == pytest.approx(line.rpm_30_cells, abs=0.005)
    # the same in one step
    assert rate.seeds_per_second == pytest.approx(
        line.population_per_acre * line.row_width_in * line.mph * 17.6 / 6_272_640, rel=1e-9
    )


def test_theoretical_spacing_table():
    table = pd.read_csv(DATA / "theoretical_seed_spacing_in.csv").set_index("population_per_acre")
    for population, line in table.iterrows():
        for name, printed in line.items():
            width = float(name[1:]) * units.CM_PER_INCH
            ours = units.inches(units.spacing_cm(units.per_ha(population), width))
            assert ours == pytest.approx(printed, abs=0.0050001), (population, name)
    assert table.size == 78


def test_ten_milliseconds_at_five_miles_an_hour():
    # 17.6 in/s per mph: 5 mph for 0.01 s is 0.88 in
    shift = arithmetic.release_shift_cm(arithmetic.kmh(5), 0.010)
    assert units.inches(shift) == pytest.approx(0.88, abs=1e-9)
    assert arithmetic.release_delay_ms(arithmetic.kmh(5), shift) == pytest.approx(10)


def test_speeds():
    # 1 mph = 17.6 in/s = 1.60934 km/h
    assert arithmetic.kmh(1) == pytest.approx(1.60934, abs=5e-6)
    assert arithmetic.mph(arithmetic.kmh(4.5)) == pytest.approx(4.5)
    assert arithmetic.speed_kmh(arithmetic.seeds_per_second(7.3, 16.1), 16.1) == pytest.approx(7.3)


def test_turn_of_a_disc_of_30_cells():
    # 30 x 6.5 in = 195 in = 16.25 ft
    turn = arithmetic.turn_length_cm(6.5 * units.CM_PER_INCH, 30)
    assert units.inches(turn) == pytest.approx(195) and units.feet(turn) == pytest.approx(16.25)


@pytest.mark.parametrize(
    ("cases", "trials", "low", "high"),
    [
        (81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0, 0.1611), (1, 29, 0.0061, 0.1718),
        (184, 200, 0.8740, 0.9502), (90, 100, 0.8256, 0.9448),
    ],
)  # fmt: skip
def test_wilson(cases, trials, low, high):
    # Newcombe 1998, Stat. Med. 17:857-872, from memory for the first four; recomputed alike elsewhere
    interval = share_estimate(cases, trials)
    assert (interval.low, interval.high) == pytest.approx((low, high), abs=0.00005)


def test_seed_found_in_four_of_five_gaps():
    # farm press 2021 (Nanda): four of five gaps held seed. Five gaps are few: Wilson's 95 % runs from 0.376 to 0.964
    # (from memory)
    from standcam.estimate import Estimate

    split = split_missing(Estimate(0.08, 0.06, 0.10), 1000, dug=5, seed_found=4)
    assert split.seed_in_gaps.value == 0.8
    assert (split.seed_in_gaps.low, split.seed_in_gaps.high) == pytest.approx((0.376, 0.964), abs=0.0005)
    assert split.skipped.value == pytest.approx(0.016) and split.failed.value == pytest.approx(0.064)


def test_holm_like_statsmodels():
    from statsmodels.stats.multitest import multipletests

    p = np.random.default_rng(3).random(20) ** 3
    assert holm(p) == pytest.approx(multipletests(p, method="holm")[1])
    # the textbook case (from memory): 0.01, 0.04, 0.03, 0.005
    adjusted = holm(np.array([0.01, 0.04, np.nan, 0.03, 0.005]))
    assert adjusted == pytest.approx([0.03, 0.06, np.nan, 0.06, 0.02], nan_ok=True)


def test_welch_like_scipy():
    from scipy.stats import ttest_ind

    rng = np.random.default_rng(4)
    a, b = rng.normal(0, 1, 30), rng.normal(0.5, 2, 50)
    sums = [np.array([f(a), f(b)]) for f in (len, np.sum, lambda v: np.sum(v**2))]
    mean, error = mean_error(*sums, np.array([True, True]))
    assert (mean[0] - mean[1]) / np.sqrt(error.sum()) == pytest.approx(ttest_ind(a, b, equal_var=False).statistic)
