"""Plants per area with rows or plots as the units, emergence, and all rows together."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from standcam.settings import SpacingSettings, StatisticsSettings
from standcam.spacing.spacings import Spacings
from standcam.stand import population
from standcam.summarise import summarise


def test_rows_of_one_length_are_a_t_interval():
    plants = np.array([29, 31, 27, 30, 28])
    low, high = population.ratio_interval(plants, np.full(5, 531.0), np.zeros(5, int), 1, 76.2)
    per_ha = plants / 531 / 76.2 * 1e8
    expected = stats.t.interval(0.95, 4, per_ha.mean(), stats.sem(per_ha))
    assert (low[0], high[0]) == pytest.approx(expected)


def test_long_rows_weigh_more():
    # by hand: R = 60 / 1000; residuals 10 - 12, 20 - 18, 30 - 30; (4 + 4 + 0) / 2 / 3 over (1000 / 3)²
    plants, length = np.array([10, 20, 30]), np.array([200.0, 300, 500])
    low, high = population.ratio_interval(plants, length, np.zeros(3, int), 1, 100.0)
    se = np.sqrt(8 / 2 / 3) / (1000 / 3)
    half = stats.t.ppf(0.975, 2) * se
    assert (low[0] / 1e6, high[0] / 1e6) == pytest.approx((0.06 - half, 0.06 + half))


def test_counts_that_agree_by_chance_are_not_believed():
    low, high = population.ratio_interval(np.array([10, 10]), np.full(2, 180.0), np.zeros(2, int), 1, 100.0)
    half = stats.t.ppf(0.975, 1) * np.sqrt(1 / 12 / 2) / 180
    assert (low[0] / 1e6, high[0] / 1e6) == pytest.approx((max(10 / 180 - half, 0), 10 / 180 + half))


def test_no_plant_seen_is_not_no_plant():
    low, high = population.ratio_interval(np.zeros(4), np.full(4, 500.0), np.zeros(4, int), 1, 75.0)
    assert low[0] == 0 and high[0] > 0


def test_groups_and_rows_without_length():
    plants = np.array([10, 12, 5, 9, 11, 7])
    length = np.array([200.0, 200, np.nan, 200, 0, 100])
    low, high = population.ratio_interval(plants, length, np.array([0, 0, 0, 1, 1, 2]), 4, 75.0)
    two = population.ratio_interval(plants[:2], length[:2], np.zeros(2, int), 1, 75.0)
    assert (low[0], high[0]) == (two[0][0], two[1][0])
    assert np.isnan(low[1:]).all() and np.isnan(high[1:]).all()
    assert np.isnan(population.ratio_interval(plants[:2], length[:2], np.zeros(2, int), 1, np.nan)[0]).all()


@pytest.mark.parametrize("rows", [2, 3, 6])
def test_intervals_hold_the_truth(rows):
    """500 plots, rows of 2 to 4 m at random places of rows that skip 8 %, more or less: 95 % and what few rows lose."""
    rng = np.random.default_rng(1)
    n = 500 * rows
    length = rng.uniform(200, 400, n)
    start = rng.uniform(0, 16.5, n)
    seats = np.floor((length - start) / 16.5).astype(int) + 1
    plants = rng.binomial(seats, 1 - np.clip(rng.normal(0.08, 0.04, n), 0, 1))
    low, high = population.ratio_interval(plants, length, np.repeat(np.arange(500), rows), 500, 76.0)
    skipped = np.clip(np.random.default_rng(2).normal(0.08, 0.04, 100_000), 0, 1).mean()
    truth = 1e8 / 76 / 16.5 * (1 - skipped)
    assert 0.91 <= ((low <= truth) & (truth <= high)).mean() <= 1.0


def test_density_of_an_empty_row_needs_no_width():
    assert list(population.density_per_ha([0, 4], [100.0, 100], np.nan)) == pytest.approx([0, np.nan], nan_ok=True)
    assert np.isnan(population.density_per_ha([0, 4], [0.0, np.nan], 75.0)).all()
    assert population.density_per_ha([4], [100.0], 75.0) == pytest.approx([4 / 0.75 * 1e4])


def test_emergence_goes_by_rate_then_by_spacing_given():
    by_rate = SpacingSettings(seeding_rate_per_ha=80_000, row_width_cm=75, nominal_spacing_cm=20)
    # 80,000 per ha at 75 cm are 16.667 cm, 60 seeds on 10 m
    assert population.emergence([54], [1000.0], by_rate)[0] == pytest.approx([90])
    by_spacing = SpacingSettings(seeding_rate_per_ha=80_000, nominal_spacing_cm=20, germination_pct=96)
    assert population.emergence([48], [1000.0], by_spacing)[0] == pytest.approx([96])
    assert population.emergence([48], [1000.0], by_spacing)[1] == pytest.approx([100])
    unknown = population.emergence([48, 3], [1000.0, 0.0], SpacingSettings(seeding_rate_per_ha=80_000))
    assert np.isnan(unknown).all()
    assert population.emergence([0], [1000.0], by_rate)[0] == pytest.approx([0])
    assert np.isnan(population.emergence([3], [0.0], by_rate)[0])


# ---- plots and all rows, by way of summarise


SPACING = SpacingSettings(nominal_spacing_cm=20, row_width_cm=75)
QUICK = StatisticsSettings(resamples=200)


def survey(plots, seed=0, plants=12, **more):
    """POSITIONS and STRETCHES of plots with so many rows."""
    rng = np.random.default_rng(seed)
    positions, stretches = [], []
    for plot, rows in plots.items():
        for row in range(1, rows + 1):
            key = {"photo": f"{plot}.jpg", "plot": plot, "row": row}
            place = np.cumsum(20 * (1 + (rng.random(plants) < 0.1)) + rng.normal(0, 3, plants))
            positions.append(pd.DataFrame({"plant": range(plants), "position_cm": place}).assign(**key))
            stretches.append(key | {"from_cm": 0.0, "to_cm": place[-1] + 10, "plants": plants, "status": "ok"} | more)
    return pd.concat(positions, ignore_index=True), pd.DataFrame(stretches)


def test_where_the_interval_of_a_plot_comes_from():
    positions, stretches = survey({"many": 4, "two": 2, "one": 1, "none": 1})
    positions = positions[positions["plot"] != "none"]
    bare = stretches[stretches["plot"] == "none"].assign(row=2, status="no_row")
    stretches = pd.concat([stretches, bare, bare.assign(row=3, status="ok")], ignore_index=True)
    plots = summarise(positions, stretches, SPACING, QUICK).plots.set_index("plot")
    assert plots["interval_source"].to_dict() == {
        "many": "rows", "two": "gaps, population by rows", "one": "gaps", "none": "population by rows"
    }  # fmt: skip
    for name in ("mean_gap_cm", "sd_gap_cm", "cv_pct", "plants_per_ha", "misses_pct", "multiples_pct"):
        low, value, high = (plots.loc[["many", "two", "one"], f"{name}{end}"] for end in ("_low", "", "_high"))
        assert (low <= value).all() and (value <= high).all() and (low < high).all()
    assert plots.loc["none", "plants_per_ha"] == 0 and plots.loc["none", "plants_per_ha_high"] > 0


def test_the_only_row_has_its_population_from_its_gaps():
    plot = summarise(*survey({"a": 1}), SPACING, QUICK).plots.iloc[0]
    spread = np.exp(stats.t.ppf(0.975, 10) * plot["cv_pct"] / 100 / np.sqrt(11))
    assert plot["plants_per_ha_low"] == pytest.approx(plot["plants_per_ha"] / spread)
    assert plot["plants_per_ha_high"] == pytest.approx(plot["plants_per_ha"] * spread)


def test_photos_of_one_plot_are_its_rows():
    """Several photos in one plot, as a plot map has it: row 1 of each is a row of its own."""
    positions, stretches = survey({"a": 1, "b": 1, "c": 1})
    plot = summarise(positions.assign(plot="north"), stretches.assign(plot="north"), SPACING, QUICK).plots.iloc[0]
    assert plot["rows"] == 3 and plot["interval_source"] == "rows"


def test_overall_goes_by_plots_where_there_are_several():
    positions, stretches = survey({"a": 3, "b": 3, "c": 3, "d": 3})
    s = summarise(positions, stretches, SPACING, QUICK)
    many = population.overall(s.rows, Spacings.of(s.rows, s.gaps), QUICK)
    assert (many.unit, many.units, many.spacing_unit, many.spacing_units) == ("plots", 4, "plots", 4)
    # the same rows as one plot: units are the rows, and the interval is another one about the same value
    s = summarise(positions.assign(plot="x"), stretches.assign(plot="x"), SPACING, QUICK)
    one = population.overall(s.rows, Spacings.of(s.rows, s.gaps), QUICK)
    assert (one.unit, one.units, one.spacing_unit) == ("rows", 12, "rows")
    for name in ("plants_per_ha", "mean_gap_cm", "sd_gap_cm", "cv_pct", "multiples_pct", "misses_pct"):
        a, b = getattr(many, name), getattr(one, name)
        assert a.value == pytest.approx(b.value) and a.low <= a.value <= a.high
        # what the one plot says of itself
        assert b.value == pytest.approx(s.plots[name].iloc[0])
        assert (b.low, b.high) == pytest.approx((s.plots[f"{name}_low"].iloc[0], s.plots[f"{name}_high"].iloc[0]))


def test_overall_of_few_and_of_nothing():
    s = summarise(*survey({"a": 1}), SPACING, QUICK)
    one = population.overall(s.rows, Spacings.of(s.rows, s.gaps), QUICK)
    assert (one.unit, one.units, one.spacing_unit) == ("gaps", 11, "gaps") and one.plants_per_ha.low > 0
    s = summarise(*survey({"a": 1, "b": 1}), SPACING, QUICK)
    two = population.overall(s.rows, Spacings.of(s.rows, s.gaps), QUICK)
    assert (two.unit, two.units, two.spacing_unit, two.spacing_units) == ("plots", 2, "gaps", 22)
    empty = population.overall(s.rows.iloc[:0], Spacings.of(s.rows.iloc[:0], s.gaps.iloc[:0]), QUICK)
    assert (empty.unit, empty.units, empty.spacing_unit) == ("", 0, "") and not empty.plants_per_ha.known
    s = summarise(*survey({"a": 3}, status="no_scale"), SPACING, QUICK)
    unscaled = population.overall(s.rows, Spacings.of(s.rows, s.gaps), QUICK)
    assert unscaled.unit == "" and not unscaled.mean_gap_cm.known


def test_overall_without_row_width_has_spacing_only():
    s = summarise(*survey({"a": 3}), SpacingSettings(nominal_spacing_cm=20), QUICK)
    found = population.overall(s.rows, Spacings.of(s.rows, s.gaps), QUICK)
    assert not found.plants_per_ha.known and np.isnan(found.plants_per_ha.low)
    assert found.mean_gap_cm.low < found.mean_gap_cm.value < found.mean_gap_cm.high


def test_settings_that_contradict_one_another_are_told():
    told = SpacingSettings(nominal_spacing_cm=20, row_width_cm=76, seeding_rate_per_ha=79_700)
    (note,) = summarise(*survey({"a": 1}), told, QUICK).notes
    assert "20.0 cm" in note and "16.5 cm" in note and "79700" in note
    agree = SpacingSettings(nominal_spacing_cm=16.5, row_width_cm=76, seeding_rate_per_ha=79_700)
    assert summarise(*survey({"a": 1}), agree, QUICK).notes == ()
