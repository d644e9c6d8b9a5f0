"""``standcam plan``: what it prints and writes, and what it makes of a first sample."""

import json

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from standcam.cli.app import app
from standcam.stand import sampling
from standcam.stand.plotmap import read_plot_map


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    return tmp_path


def run(command, *arguments):
    return CliRunner().invoke(app, [command, *map(str, arguments)])


def said(result):
    assert result.exit_code == 0, result.output
    return " ".join(result.output.split())


@pytest.fixture
def first_sample(folder):
    """Twelve rows of 6 m, each in a place of its own, density differing by 10 %."""
    rng = np.random.default_rng(9)
    lines = ["plot,row,position_cm,row_length_cm"]
    for i in range(12):
        gap = 17 * np.exp(rng.normal(0, 0.1)) * rng.choice([1.0, 2.0], 60, p=[0.9, 0.1]) + rng.normal(0, 2.5, 60)
        place = np.cumsum(np.maximum(gap, 2))
        lines += [f"P{i},1,{p:.1f},600" for p in place[place < 600]]
    (folder / "first.csv").write_text("\n".join(lines))
    assert run("tape", "first.csv", "--out", "first", "--row-width-cm", 75, "--nominal-cm", 17).exit_code == 0
    return "first"


def test_plan_without_anything(folder):
    text = said(run("plan"))
    assert text.startswith("41 places (photos of 1.80 m), 73.80 m of row in all; 54 to be sure of it.")
    for part in (
        "common practice, no source",
        "Taken for want of better: rows 76.2 cm (30 in) apart",
        "look at ten places, then plan again with --from RESULTS",
        "1/1000 acre is 17'5\" (5.31 m) of row, 1/1000 ha is 13.12 m",
        "North Carolina State: 3 samples for 1 to 15 acres",
        "Park, shut down and block machines",
        "a licensed adviser decides",
        "P41",
    ):
        assert part in text, part
    assert not list(folder.iterdir())


def test_wishes_are_those_asked_for(folder):
    text = said(run("plan", "--within-pct", 10))
    assert "population within 10 %" in text and "CV of spacing within" not in text and "skips within" not in text
    # wheel of University of Illinois in US units: 2,613,600 / 90 ft is 29,040
    us = said(run("plan", "--within-pct", 10, "--units", "us", "--row-width-cm", 76.2, "--seeding-rate-ha", 74131.6))
    assert "per acre = 2,613,600 / feet" in us and "30,000/acre are" in us and "Taken for want" not in us
    assert "Out of reach with photos" in said(run("plan", "--cv-within", 0.2))


def test_written_plan(folder):
    wish = ("--row-units", 8, "--rows-per-place", 2, "--within-pct", 5, "--row-width-cm", 75)
    result = run("plan", "--out", "plan", *wish)
    assert "The plan is in plan" in said(result)
    table = pd.read_csv(folder / "plan" / "plan.csv")
    variation = sampling.common_variation(1e8 / (75_000 * 75))
    for line in table.itertuples():
        (need,) = sampling.needs(variation, sampling.Wanted(5, None, None), line.row_length_cm, 2)
        assert (line.places, line.rows, line.sure_places) == (need.places, 2 * need.places, need.sure)
        assert line.row_m == pytest.approx(line.rows * line.row_length_cm / 100, abs=1e-3)
    places = pd.read_csv(folder / "plan" / "places.csv")
    assert places["plot"].nunique() == table["places"].iloc[0] and set(places["row_unit"]) == set(range(1, 9))
    plot_map = read_plot_map(folder / "plan" / "places.csv")
    assert list(plot_map["row_unit"])[:2] == [str(u) for u in places["row_unit"][:2]]
    assert json.loads((folder / "plan" / "run.json").read_text())["command"] == "plan"
    assert run("plan", "--out", "plan").exit_code == 2
    assert run("plan", "--out", "plan", "--force").exit_code == 0


def test_narrow_rows_by_hoop(folder):
    # Purdue field guide 2010 prints 6,165 per plant in a hoop of 36 in, with pi = 3.14: 0.05 % more than ours
    assert "counts for 15 228/ha, 6,162/acre" in said(run("plan", "--row-width-cm", 19.05))
    assert "hoop" not in said(run("plan", "--row-width-cm", 75))


def test_each_row_unit_is_seen(folder):
    text = said(run("plan", "--within-pct", 20, "--row-units", 24))
    assert "24 places and not" in text and "so that each of 24 row units is seen" in text


def test_plan_from_a_first_sample(folder, first_sample):
    text = said(run("plan", "--from", first_sample, "--row-m", 6, "--out", "plan"))
    assert "Rests on the first sample" in text and "First sample: 12 rows in 12 places" in text
    assert "Design effect" in text and "So small a sample may flatter" in text
    assert "Rows 75 cm apart" in text and "Taken for want" not in text
    table = pd.read_csv(folder / "plan" / "plan.csv")
    rows = pd.read_csv(folder / first_sample / "rows.csv")
    # of rows as long as those of the sample, the plan knows the variation by itself: the usual formula
    cv = 100 * rows["plants"].std() / rows["plants"].mean()
    line = table[(table["row_length_cm"] == 600) & (table["quantity"] == "population")].iloc[0]
    assert line["place_sd"] == pytest.approx(cv, rel=0.03)
    assert line["places"] == sampling.places_needed(line["place_sd"] ** 2, 5.0)
    assert (table["careful_places"] > table["places"]).all()


def test_what_cannot_be(folder, first_sample):
    (folder / "one.csv").write_text("position_cm,row_length_cm\n4,100\n20,100\n")
    assert run("tape", "one.csv", "--out", "one").exit_code == 0
    few = run("plan", "--from", "one")
    assert few.exit_code == 2 and "better ten, far apart" in few.stderr
    assert "holds no results" in run("plan", "--from", "nowhere").stderr
    for option in ("--within-pct", "--cv-within", "--skips-within", "--photo-m", "--row-m"):
        wrong = run("plan", option, 0)
        assert wrong.exit_code == 2 and option in wrong.stderr
    assert run("plan", "--rows-per-place", 3, "--row-units", 2).exit_code == 2
