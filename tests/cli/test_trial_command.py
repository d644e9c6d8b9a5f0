"""``standcam layout`` and ``standcam trial`` from layout to answer."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest
from fixtures.planted import tape_text
from typer.testing import CliRunner

from standcam.cli.app import app

PLANTER = {
    "disc A": {"skip": 0.11, "double": 0.03, "scatter_cm": 2.5},
    "disc B": {"skip": 0.02, "double": 0.03, "scatter_cm": 2.0},
}


def run(*arguments):
    return CliRunner().invoke(app, [*map(str, arguments)])


@pytest.fixture(scope="module")
def field(tmp_path_factory):
    """A trial laid out, planted, counted by tape and harvested."""
    folder = tmp_path_factory.mktemp("field")
    rng = np.random.default_rng(5)
    laid = run("layout", *PLANTER, "--blocks", 6, "--out", folder / "layout")
    assert laid.exit_code == 0, laid.output
    plots = pd.read_csv(folder / "layout" / "plot-map.csv")
    planted = [(p, PLANTER[t], {}) for p, t in zip(plots["plot"], plots["treatment"], strict=True)]
    (folder / "tape.csv").write_text(tape_text(rng, planted))
    good = plots["treatment"] == "disc B"
    yields = (11.0 + 0.5 * good + 0.2 * plots["block"] + rng.normal(0, 0.1, len(plots))).round(2)
    (folder / "harvest.csv").write_text(pd.DataFrame({"plot": plots["plot"], "yield_t_ha": yields}).to_csv(index=False))
    counted = run("tape", folder / "tape.csv", "--row-width-cm", 76, "--nominal-cm", 16, "--out", folder / "results")
    assert counted.exit_code == 0, counted.output
    return folder


def test_layout_says_what_to_do(field):
    files = sorted(p.name for p in (field / "layout").iterdir())
    assert files == ["layout.png", "plot-map.csv", "run.json"]
    again = run("layout", *PLANTER, "--out", field / "layout")
    assert again.exit_code == 2 and "already holds results" in again.stderr


def test_trial_answers_first(field):
    out = field / "trial"
    result = run("trial", field / "results", "--plot-map", field / "layout" / "plot-map.csv", "--measure", "misses_pct",
                 "--measure", "sd_gap_cm", "--harvest", field / "harvest.csv", "--out", out)  # fmt: skip
    assert result.exit_code == 0, result.output
    lines = result.stdout.splitlines()
    assert lines[0] == "2 treatments in 12 plots, 6 blocks, 24 measured rows."
    assert lines[2].startswith("disc B had ") and "points fewer skips than disc A" in lines[2]
    assert "likely real" in lines[2]
    for words in ("Skips: 6 plots of each treatment find a true difference of", "80% of the time", "primary measure",
                  "Published losses for maize run from 0 to 99 kg/ha per cm above an SD of 5.1 cm",
                  "no test of spacing",
                  "park it, shut it down and block it", "licensed adviser"):  # fmt: skip
        assert words in result.stdout, words
    assert sorted(p.name for p in out.iterdir()) == [
        "comparisons.csv", "means.csv", "run.json", "trial.csv", "trial.png",
    ]  # fmt: skip
    plots = pd.read_csv(out / "trial.csv")
    there = pd.read_csv(field / "results" / "plots.csv")
    both = plots.merge(there, on="plot", suffixes=("", "_there"))
    assert len(both) == 12 and both["misses_pct"].to_numpy() == pytest.approx(both["misses_pct_there"].to_numpy())
    assert plots["yield_kg_ha"].between(10_000, 13_000).all()
    pairs = pd.read_csv(out / "comparisons.csv").set_index("measure")
    assert list(pairs.index) == ["misses_pct", "sd_gap_cm", "yield_kg_ha"]
    raw = plots.groupby("treatment")["yield_kg_ha"].mean()
    assert pairs.loc["yield_kg_ha", "difference"] == pytest.approx(raw["disc B"] - raw["disc A"], abs=0.1)
    record = json.loads((out / "run.json").read_text())
    assert record["command"] == "trial" and len(record["inputs"]) == 3
    assert "logistic" in record["measures"][0]["model"]
    assert (out / "trial.png").read_bytes()[:4] == b"\x89PNG"


def test_us_units_and_a_wanted_difference(field):
    result = run(
        "trial",
        field / "results",
        "--plot-map",
        field / "layout" / "plot-map.csv",
        "--units",
        "us",
        "--harvest",
        field / "harvest.csv",
        "--difference",
        0.5,
        "--control",
        "disc B",
        "--out",
        field / "us",
    )
    assert result.exit_code == 0, result.output
    for words in (
        "spacing SD (in)",
        "plants per acre",
        "yield (bu/ac)",
        "To find 0.20 in would take",
        "bu/ac per inch",
    ):
        assert words in result.stdout, words
    assert "disc A had" in result.stdout  # compared with the control, not the other way round


def test_speeds(tmp_path):
    rng = np.random.default_rng(6)
    plots = [
        (f"{b}{v}", {"skip": 0.01 * (v - 4), "scatter_cm": 1 + 0.3 * (v - 6)}, {"speed_kmh": v, "block": b})
        for b in range(1, 4) for v in (6, 8, 10)
    ]  # fmt: skip
    (tmp_path / "tape.csv").write_text(tape_text(rng, plots))
    run("tape", tmp_path / "tape.csv", "--nominal-cm", 16, "--out", tmp_path / "results")
    result = run("trial", tmp_path / "results", "--dose", "speed_kmh", "--out", tmp_path / "trial")
    assert result.exit_code == 0, result.output
    assert "With each km/h of speed: " in result.stdout and "cm more spacing SD" in result.stdout
    assert "speed 10 km/h less speed 6 km/h" in result.stdout
    assert "plants per ha" not in result.stdout  # no row width: the measure is left out by itself
    trends = pd.read_csv(tmp_path / "trial" / "trends.csv").set_index("measure")
    assert trends.loc["sd_gap_cm", "slope"] > 0 and trends.loc["sd_gap_cm", "p_value"] < 0.05


def test_without_replication_means_only(tmp_path):
    rng = np.random.default_rng(7)
    plots = [(t[-1], PLANTER[t], {"treatment": t}) for t in PLANTER]
    (tmp_path / "tape.csv").write_text(tape_text(rng, plots, rows=6))
    run("tape", tmp_path / "tape.csv", "--nominal-cm", 16, "--out", tmp_path / "results")
    result = run("trial", tmp_path / "results", "--out", tmp_path / "trial")
    assert result.exit_code == 0, result.output
    assert "Nothing was tested, for every treatment stands in one plot only" in result.stdout
    assert "It takes 2 of each treatment at the very least" in result.stdout
    assert "likely real" not in result.stdout and "may be chance" not in result.stdout
    assert pd.read_csv(tmp_path / "trial" / "means.csv")["mean"].notna().all()
    assert len(pd.read_csv(tmp_path / "trial" / "comparisons.csv")) == 0


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (["--measure", "niceness"], "No column 'niceness'"),
        (["--control", "disc Z"], "'disc Z' named as control"),
        (["--measure", "status"], "Column 'status' holds no numbers"),
        (["--measure", "yield_kg_ha"], "needs yields"),
        (["--dose", "speed_kmh"], "No column 'speed_kmh'"),
        (["--difference", "-1"], "--difference is -1"),
        (["--harvest", "none.csv"], "none.csv cannot be read"),
    ],
)
def test_wrong_calls_say_what_is_wrong(field, options, message):
    result = run(
        "trial", field / "results", "--plot-map", field / "layout" / "plot-map.csv", "--out", field / "x", *options
    )
    assert result.exit_code == 2 and message in result.stderr and not (field / "x").exists()


def test_rows_without_design_are_refused(field):
    result = run("trial", field / "results", "--out", field / "y")
    assert result.exit_code == 2 and "No column 'treatment'" in result.stderr and "--plot-map" in result.stderr
