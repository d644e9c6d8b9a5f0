"""Sample sizes, row lengths and variance components against printed values; sources beside each check."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from standcam import units
from standcam.stand import row_length, sampling

DATA = Path(__file__).parent / "data"


@pytest.mark.parametrize(
    ("cv", "within", "places"),
    [(8, 5, 13), (8, 10, 5), (10, 5, 18), (10, 10, 7), (12, 5, 25), (12, 10, 9), (15, 5, 38), (15, 10, 12),
     (20, 5, 64), (20, 10, 18)],
)  # fmt: skip
def test_sample_size_with_t_iterated(cv, within, places):
    """The usual table of n = (t CV / E)² with t iterated, worked out apart from this program."""
    assert sampling.places_needed(cv**2, within) == places


@pytest.mark.parametrize(
    "line", list(pd.read_csv(DATA / "row_length_thousandth_acre.csv").itertuples(index=False)), ids=str
)
def test_printed_row_length_of_a_thousandth_acre(line):
    """Extension tables of University of Tennessee 2011, University of Nebraska-Lincoln 2009, Virginia Tech."""
    got_in = units.inches(row_length.thousandth_acre_cm(line.row_in * 2.54))
    # Tennessee rounds some up: 26 ft 1.6 in is printed as 26 ft 2 in
    assert got_in == pytest.approx(line.feet * 12 + line.inches, abs=line.printed_to_in / 2 * 1.01)


@pytest.mark.parametrize(("row_in", "misprint_ft", "feet"), [(40, 13.2, 13.068), (22, 23 + 10 / 12, 23.76)])
def test_misprints_are_not_followed(row_in, misprint_ft, feet):
    """UNL 2009 prints 13.2 ft for 40 in rows, NDSU 2015 23 ft 10 in for 22 in rows."""
    got = units.feet(row_length.thousandth_acre_cm(row_in * 2.54))
    assert got == pytest.approx(feet, abs=5e-4) and abs(got - misprint_ft) > 0.07


@pytest.mark.parametrize(("row_cm", "metres"), [(76.2, 13.123), (50.8, 19.685), (38.1, 26.247), (101.6, 9.843)])
def test_row_length_of_a_thousandth_hectare(row_cm, metres):
    """10 / row width in metres, worked out apart from this program."""
    assert row_length.thousandth_ha_cm(row_cm) == pytest.approx(100 * metres, abs=0.05)


def test_wheel():
    """University of Illinois: 150 plants on 90 ft of 30 in rows are 29,040 per acre."""
    per_ha = row_length.wheel_population(150, 90 * units.CM_PER_FOOT, 30 * 2.54)
    assert units.per_acre(per_ha) == pytest.approx(29_040, abs=0.5)


@pytest.mark.parametrize(("row_in", "thousand"), [(36, 15), (30, 17), (24, 22), (20, 26), (15, 35), (7.5, 70)])
def test_plants_per_foot(row_in, thousand):
    """Virginia Tech: one plant per foot of row in thousands per acre, printed to a thousand."""
    assert row_length.plants_per_foot(units.per_ha(1000 * thousand), row_in * 2.54) == pytest.approx(
        1, abs=500 / (1000 * thousand) * 1.05
    )


def test_thirty_inch_rows_of_17_plants():
    """Penn State by way of the farm press: 1.7 plants per foot of 30 in rows are 29,621 per acre."""
    assert row_length.plants_per_foot(units.per_ha(29_621), 76.2) == pytest.approx(1.7, abs=1e-4)


@pytest.mark.parametrize(
    ("diameter_in", "printed"),
    [(18, 24662), (21, 18119), (24, 13872), (27, 10961), (30, 8878), (33, 7337), (36, 6165)],
)
def test_hoop(diameter_in, printed):
    """Purdue field guide 2010, printed with pi = 3.14, which is 0.05 % below ours; to one unit besides."""
    exact = units.per_acre(row_length.hoop_factor_per_ha(diameter_in * 2.54))
    assert exact * np.pi / 3.14 == pytest.approx(printed, abs=1.0)
    assert exact < printed


def test_worked_counts():
    """29, 31, 27, 30, 28 in 1/1000 acre: mean 29.0, CV 5.452 %, interval 27,037 to 30,963 per acre."""
    counts = np.array([29, 31, 27, 30, 28.0])
    cv = 100 * counts.std(ddof=1) / counts.mean()
    half = float(sampling.half_width_of(cv**2, 5)) / 100 * 29_000
    assert (29_000 - half, 29_000 + half) == pytest.approx((27_037, 30_963), abs=0.5)
    # planned from these counts, five places give what five places gave, and not a hair less
    assert sampling.places_needed(cv**2, 100 * half / 29_000 * 1.0001) == 5


def test_nested_components():
    """Calcium of turnip leaves, Snedecor and Cochran, Statistical Methods, nested sampling (from memory).

    4 plants x 3 leaves x 2 determinations; printed components 0.3652, 0.1611 and 0.0067.
    """
    value = np.array(
        [3.28, 3.09, 3.52, 3.48, 2.88, 2.80, 2.46, 2.44, 1.87, 1.92, 2.19, 2.19,
         2.77, 2.66, 3.74, 3.44, 2.55, 2.55, 3.78, 3.87, 4.07, 4.12, 3.31, 3.31]
    )  # fmt: skip
    got = sampling.components(value, np.repeat(np.arange(12), 2), np.repeat(np.arange(4), 3))
    assert (got.places, got.rows, got.within) == pytest.approx((0.3652, 0.1611, 0.0067), abs=6e-5)
