"""Speed of the lower half: what is timed, that time grows with the rows and no faster, and the full size."""

import tracemalloc

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from standcam import benchmark, summarise, tables
from standcam.cli.app import app


def test_made_rows_are_what_they_are_said_to_be():
    positions, stretches = benchmark.made_rows(400, 50, rows_per_plot=4)
    tables.check(tables.POSITIONS, positions)
    tables.check(tables.STRETCHES, stretches)
    assert len(stretches) == 400 and stretches["plot"].nunique() == 100
    assert stretches["plants"].sum() == len(positions)
    # 8 % give no plant, 3 % of the others two: 0.9476 a seed, and 20,000 seeds have a standard error of 0.0023
    assert len(positions) / 20_000 == pytest.approx(0.92 * 1.03, abs=4 * 0.0023)
    assert benchmark.made_rows(40, 50)[0].equals(benchmark.made_rows(40, 50)[0])


def test_all_that_costs_is_timed():
    result = benchmark.summary(rows=60, plants=20, rows_per_plot=3)
    assert (result.rows, result.plots) == (60, 20) and result.seconds > 0
    seen = []
    real = summarise.summarise

    def spy(*arguments):
        seen.append(real(*arguments))
        return seen[-1]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("standcam.summarise.summarise", spy)
        benchmark.summary(rows=60, plants=20, rows_per_plot=3)
    plots = seen[-1].plots
    assert (plots["interval_source"] == "rows").all() and plots["sd_gap_corrected_cm"].notna().all()
    assert plots[["plants_per_ha_low", "cv_pct_high", "emergence_pct"]].notna().all(axis=None)


def test_time_grows_about_in_step_with_the_rows():
    """Eight times the rows in at most three times eight times the time; a loop over pairs of rows would take 64."""
    few, many = (min(benchmark.summary(rows, 50).seconds for _ in range(2)) for rows in (500, 4000))
    assert many < 3 * 8 * few


@pytest.mark.speed
@pytest.mark.parametrize("rows_per_plot", [1, 4, 100_000])
def test_a_hundred_thousand_rows(rows_per_plot):
    result = benchmark.summary(100_000, 50, rows_per_plot)
    assert result.rows == 100_000 and result.seconds < 60


@pytest.mark.speed
@pytest.mark.parametrize("rows_per_plot", [4, 100_000])
def test_memory_of_the_bootstrap_at_full_size(rows_per_plot):
    from standcam.settings import StatisticsSettings
    from standcam.spacing import intervals

    rows = 100_000
    gap = np.random.default_rng(1).gamma(16, 1.25, 10 * rows)
    unit = np.repeat(np.arange(rows), 10)
    tracemalloc.start()
    intervals.spacing_intervals(
        gap, np.ones(len(gap), int), unit, np.arange(rows) // rows_per_plot, rows // rows_per_plot, StatisticsSettings()
    )
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 1e9


def bench(*words):
    return CliRunner().invoke(app, ["bench", "summary", *map(str, words)])


def test_command(tmp_path):
    csv = tmp_path / "s.csv"
    result = bench("--rows", 40, "--plants", 10, "--rows-per-plot", 4, "--csv", csv)
    assert result.exit_code == 0, result.output
    assert "40 rows with" in result.stdout and "10 plots" in result.stdout and "rows/s" in result.stdout
    assert pd.read_csv(csv)["rows"].tolist() == [40]
    again = bench("--rows", 40, "--csv", csv)
    assert again.exit_code == 2 and "there already" in again.stderr
    assert bench("--rows", 0).exit_code == 2
