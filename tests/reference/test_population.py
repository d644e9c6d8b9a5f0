"""Population, spacing and units against printed tables; sources stand beside each check."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from standcam import units
from standcam.settings import SpacingSettings
from standcam.spacing.nominal import theoretical_spacing
from standcam.spacing.tape import read_tape
from standcam.summarise import summarise

DATA = Path(__file__).parent / "data"


def per_acre_of(plants, length_cm, width_cm):
    """Plants per acre by the road that photos and tapes take."""
    positions = pd.DataFrame({"photo": "a", "plot": "a", "row": 1, "plant": range(plants), "position_cm": 1.0})
    stretches = pd.DataFrame(
        {"photo": ["a"], "plot": "a", "row": 1, "from_cm": 0.0, "to_cm": length_cm, "plants": plants}
    ).assign(status="ok")
    rows = summarise(positions, stretches, SpacingSettings(row_width_cm=width_cm)).rows
    return units.per_acre(rows["plants_per_ha"].iloc[0])


def inches(value):
    return value * units.CM_PER_INCH


@pytest.mark.parametrize(
    "line", list(pd.read_csv(DATA / "population_row_by_spacing.csv").itertuples(index=False)), ids=str
)
def test_printed_population_table(line):
    """Potato Grower, March 2021, p. 12, every cell, printed to one plant."""
    got = per_acre_of(100, 100 * inches(line.within_row_in), inches(line.row_in))
    assert got == pytest.approx(line.printed_plants_per_acre, abs=0.5)
    # and backwards: the spacing that gives the printed population
    back = units.inches(units.spacing_cm(units.per_ha(line.printed_plants_per_acre), inches(line.row_in)))
    assert back == pytest.approx(line.within_row_in, rel=0.5 / line.printed_plants_per_acre * 1.01)


@pytest.mark.parametrize(
    ("within", "printed"), [(12, 17424), (18, 11616), (24, 8712), (30, 6969), (36, 5808), (42, 4978)]
)
def test_older_table_is_cut_off(within, printed):
    """Commercial Gardening, 30 in rows; the book cuts decimals off (6,969.6 is printed as 6,969)."""
    assert int(per_acre_of(1, inches(within), inches(30)) + 1e-6) == printed


def test_single_printed_points():
    # OMAFRA (Stewart 2006): 30 in rows, 7.25 in apart, 28,840; printed to ten plants
    assert per_acre_of(40, 40 * inches(7.25), inches(30)) == pytest.approx(28_840, abs=5)
    # Thompson 2013: 74,130 per ha is 30,000 per acre; to ten plants
    assert units.per_ha(30_000) == pytest.approx(74_130, abs=5)
    # University of Illinois, wheel: 150 plants on 90 ft of 30 in rows, 29,040 per acre
    assert per_acre_of(150, 90 * units.CM_PER_FOOT, inches(30)) == pytest.approx(29_040, abs=0.5)


@pytest.mark.parametrize(("row_in", "thousand"), [(36, 15), (30, 17), (24, 22), (20, 26), (15, 35), (7.5, 70)])
def test_one_plant_a_foot(row_in, thousand):
    """Virginia Tech: plants per foot of row to thousands per acre, printed to a thousand."""
    assert per_acre_of(10, 10 * units.CM_PER_FOOT, inches(row_in)) == pytest.approx(1000 * thousand, abs=500)


@pytest.mark.parametrize(
    "line", list(pd.read_csv(DATA / "row_length_thousandth_acre.csv").itertuples(index=False)), ids=str
)
def test_row_length_of_a_thousandth_acre(line):
    """On the printed length of row, 30 plants are 30,000 per acre as near as the print tells."""
    length_in = line.feet * 12 + line.inches
    got = per_acre_of(30, inches(length_in), inches(line.row_in))
    assert got == pytest.approx(30_000, rel=line.printed_to_in / 2 / length_in * 1.01)


def test_row_feet_of_an_acre():
    """Penn State: 30 in rows are 17,424 row-feet an acre; 1.7 plants a foot are 29,621, "about 30,000"."""
    assert per_acre_of(1, units.CM_PER_FOOT, inches(30)) == pytest.approx(17_424, abs=0.5)
    assert per_acre_of(17, 10 * units.CM_PER_FOOT, inches(30)) == pytest.approx(29_621, abs=0.5)


def row_of(plants, length_cm, **spacing):
    """ROWS of one row with plants evenly along it."""
    key = {"photo": "a", "plot": "a", "row": 1}
    positions = pd.DataFrame({"plant": range(plants), "position_cm": (np.arange(plants) + 0.5) * length_cm / plants})
    stretches = pd.DataFrame([key | {"from_cm": 0.0, "to_cm": length_cm, "plants": plants, "status": "ok"}])
    return summarise(positions.assign(**key), stretches, SpacingSettings(**spacing)).rows.iloc[0]


def test_small_areas():
    # a hectare is 1000 times 10 m² and 2.47105 acres: 29 on 1/1000 acre are 71.66 on 10 m²
    row = row_of(29, 17.424 * units.CM_PER_FOOT, row_width_cm=inches(30))
    assert row["plants_per_10m2"] == pytest.approx(29 * 2.47105, abs=29 * 0.5e-5)
    assert row["plants_per_thousandth_acre"] == pytest.approx(29, abs=1e-6)
    assert row["plants_per_acre"] == pytest.approx(29_000, abs=1e-3)


@pytest.mark.parametrize(
    ("stand", "rate", "emergence"),
    [(32_500, 34_210, 95.0), (34_000, 36_957, 92.0), (30_400, 32_000, 95.0)],
)
def test_emergence_of_a_seeding_rate(stand, rate, emergence):
    """Farm Progress 2021: 32,500 / 0.95 = 34,210; 34,000 / 0.92 = 36,957; 32,000 x 0.95 = 30,400 plants per acre."""
    plants = stand // 100
    length = plants / stand * 43_560 * 12 / 30 * units.CM_PER_FOOT
    row = row_of(plants, length, row_width_cm=inches(30), seeding_rate_per_ha=units.per_ha(rate))
    assert row["plants_per_acre"] == pytest.approx(stand)
    assert row["emergence_pct"] == pytest.approx(emergence, abs=100 * 0.5 / rate)
    assert np.isnan(row["emergence_of_viable_pct"])


def test_emergence_of_viable_seeds():
    """0.95 of seeds germinate, 0.96 of these come up: 0.912 in all (Farm Progress 2021)."""
    row = row_of(912, 1000 * 16.5, nominal_spacing_cm=16.5, germination_pct=95.0)
    assert row["emergence_pct"] == pytest.approx(91.2)
    assert row["emergence_of_viable_pct"] == pytest.approx(96.0, abs=0.05)


def test_misprint_stays_a_misprint():
    """UNL 2009 prints 13.2 ft for 40 in rows; 522.72 / 40 is 13.07 ft, and we do not follow the print."""
    assert abs(per_acre_of(30, 13.2 * units.CM_PER_FOOT, inches(40)) - 30_000) > 200


@pytest.mark.parametrize(
    ("population", "row_in", "spacing_in"),
    [(34_000, 30, 6.15), (32_000, 30, 6.53), (28_000, 15, 14.93), (20_000, 38, 8.25), (36_000, 20, 8.71)],
)
def test_theoretical_spacing_from_seeding_rate(population, row_in, spacing_in):
    """6,272,640 / (population x row width), worked out apart from this program, to a hundredth of an inch."""
    got = theoretical_spacing(
        [], SpacingSettings(seeding_rate_per_ha=units.per_ha(population), row_width_cm=inches(row_in))
    )
    assert got.source == "seeding_rate"
    assert units.inches(got.spacing_cm) == pytest.approx(spacing_in, abs=5.1e-3)


def test_tape_of_one_thousandth_acre(tmp_path):
    """30 plants on 17 ft 5 in of 30 in rows (University of Tennessee 2011) by way of a tape file."""
    gap = 17 * 12 + 5
    lines = [f"{(i + 0.5) * gap / 30:.3f}" for i in range(30)]
    path = tmp_path / "tape.csv"
    path.write_text(f"# row_length: 17'5\"\nposition_in\n{chr(10).join(lines)}\n")
    positions, stretches = read_tape(path)
    row = summarise(positions, stretches, SpacingSettings(row_width_cm=inches(30))).rows.iloc[0]
    assert units.per_acre(row["plants_per_ha"]) == pytest.approx(30_000, rel=0.5 / gap)
