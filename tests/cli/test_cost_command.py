"""``standcam cost`` from the call to the folder."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from typer.testing import CliRunner

from standcam.cli.app import app
from standcam.report.cost_report import COST
from standcam.report.csv_tables import read_table
from standcam.report.folder import read_results
from standcam.stand.uniformity import LATE_ROWS
from standcam.stand.yield_risk import spacing_sd

ROWS = 6
MONEY = ("--price-t", "180", "--area-ha", "300", "--repair-cost-row", "150", "--rows", "8")


def run(*arguments):
    return CliRunner().invoke(app, [*map(str, arguments)])


def tape(path, rows=ROWS, sd=4.0, late=True, seed=4):
    """A tape file of rows of 20 plants: skips, scatter, and late plants by leaf stage."""
    rng = np.random.default_rng(seed)
    lines = ["plot,row,position_cm,row_unit,leaf_stage"]
    for row in range(1, rows + 1):
        place = np.cumsum(np.r_[8, np.maximum(rng.normal(16.5, sd, 19) + 16.5 * (rng.random(19) < 0.08), 1.0)])
        for i, cm in enumerate(place):
            stage = "" if not late else 2 if i % 9 == 4 else 4
            lines.append(f"north,{row},{cm:.1f},{(row - 1) % 3 + 1},{stage}")
    path.write_text("\n".join(lines) + "\n")


@pytest.fixture
def results(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    tape(tmp_path / "tape.csv")
    done = run("tape", "tape.csv", "--out", "results", "--row-width-cm", "76", "--nominal-cm", "16.5")
    assert done.exit_code == 0, done.output
    return tmp_path / "results"


def test_answer_range_doubt_and_caution(results):
    done = run("cost", results, *MONEY)
    assert done.exit_code == 0, done.output
    text = " ".join(done.output.split())
    order = ["Yield at risk from uneven spacing: 0 to", "What decides:", "Payback:", "Late plants:", "Cannot be told:",
             "Caution:"]  # fmt: skip
    places = [text.index(head) for head in order]
    assert places == sorted(places)
    sd = spacing_sd(read_results(results).rows, read_results(results).gaps).sd_gap_cm.value
    assert f"SD of the spacings: {sd:.1f} cm (95 % interval" in text and f"{ROWS} rows as the unit" in text
    assert f"Carlson, Doerge and Clay {4 * 24.711 * (sd - 5.08):.0f}" in text
    assert "Liu et al. 2004 0 0 no significant effect" in text
    assert "to never." in text and "By 3 of 7 studies it never pays through spacing." in text
    assert "local extension or a licensed adviser" in text and "park, shut down" in text
    assert "12 of 120 plants are late (10 %" in text and "by leaf stage" in text
    assert "row unit" in text and "standcam planter" in text


def test_us_units_say_the_same(results):
    si = run("cost", results, "--price-t", "180", "--area-ha", "300")
    us = run("cost", results, "--units", "us", "--price-bu", 180 * 0.0254011727, "--area-acre", 300 * 2.47105381)
    assert us.exit_code == 0, us.output
    assert "bu/ac" in us.output and "kg/ha" not in us.output.replace("1,200 kg/ha (Krall", "")
    money = [line.split("worth ")[1] for out in (si.output, us.output) for line in out.splitlines() if "worth" in line]
    assert money[0].replace(" ", "") == money[1].replace(" ", "").replace(",", "")


def test_folder(results):
    done = run("cost", results, "--out", "cost", *MONEY, "--yield-t-ha", "11")
    assert done.exit_code == 0, done.output
    table = read_table("cost", COST)
    everyone = table[table["scope"] == "all rows"]
    assert len(everyone) == 11 and set(table["scope"]) == {"all rows", "row unit 1", "row unit 2", "row unit 3"}
    nielsen = everyone.set_index("study").loc["Nielsen 1997"]
    assert nielsen["loss_kg_per_ha"] == pytest.approx(61.78 * (nielsen["sd_gap_cm"] - 5.08), rel=1e-3)
    assert nielsen["loss_t"] == pytest.approx(nielsen["loss_kg_per_ha"] * 0.3, rel=1e-4)
    assert nielsen["payback_seasons_low"] == pytest.approx(1200 / nielsen["gain_money_high"], rel=1e-4)
    assert everyone.set_index("study").loc["Liu et al. 2004", "payback_seasons_low"] == np.inf
    assert everyone["source"].ne("").all() and everyone["mark"].isin(["seen", "memory", "derived"]).all()
    assert read_table("cost", LATE_ROWS)["late_plants"].sum() == 12
    record = json.loads(Path("cost/run.json").read_text())
    assert record["command"] == "cost" and record["asked"]["price_per_t"] == 180
    assert record["files"] == ["cost.csv", "late_rows.csv", "cost.png", "run.json"]
    with Image.open("cost/cost.png") as picture:
        assert picture.width == 1050 and np.asarray(picture.convert("L")).std() > 20
    assert run("cost", results, "--out", "cost").exit_code == 2
    assert run("cost", results, "--out", "cost", "--force").exit_code == 0


def test_equal_input_gives_equal_files(results):
    for out in ("a", "b"):
        assert run("cost", results, "--out", out, *MONEY).exit_code == 0
    for name in ("cost.csv", "cost.png", "late_rows.csv"):
        assert Path("a", name).read_bytes() == Path("b", name).read_bytes()


def test_plot_map_names_row_units(results, tmp_path):
    lines = ["row,row_unit", *(f"{row},{'left' if row < 4 else 'right'}" for row in range(1, 7))]
    (tmp_path / "map.csv").write_text("\n".join(lines) + "\n")
    done = run("cost", results, "--plot-map", "map.csv", "--out", "cost")
    assert done.exit_code == 0, done.output
    assert set(read_table("cost", COST)["scope"]) == {"all rows", "row unit left", "row unit right"}


def test_an_even_stand_has_nothing_to_gain(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    lines = [f"{r},{16 * i + (i % 2)}" for r in (1, 2, 3) for i in range(1, 15)]
    (tmp_path / "even.csv").write_text("row,position_cm\n" + "\n".join(lines) + "\n")
    run("tape", "even.csv", "--out", "even")
    done = run("cost", "even", *MONEY)
    assert "Yield at risk from uneven spacing: 0 kg/ha" in done.output
    assert "no study sees anything to gain" in " ".join(done.output.split())
    assert "Never through spacing: the SD is already as small as a field can expect." in done.output


def test_one_row_has_no_interval(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    tape(tmp_path / "one.csv", rows=1, sd=6.0, late=False)
    run("tape", "one.csv", "--out", "one")
    text = " ".join(run("cost", "one").output.split())
    assert "(one row, so no interval)" in text and "one row has no interval. Measure at least five" in text
    assert "Late plants cannot be told" in text


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("--price-t", "0"), "--price-t is 0"),
        (("--price-t", "180", "--price-bu", "4"), "--price-t and --price-bu are both given"),
        (("--repair-cost-row", "150"), "Payback also takes a grain price"),
        (("--repair-cost-row", "150", "--price-t", "180"), "the number of row units (--rows)"),
        (("--sd-after-cm", "6"), "Give --repair-cost-row too"),
        ((*MONEY, "--sd-after-in", "9"), "The SD expected after the repair is 22.86 cm"),
        (("--rows", "0"), "--rows is 0"),
        (("--out", "results", "--force"), "is the results folder itself"),
        (("--plot-map", "none.csv"), "Plot map none.csv cannot be read"),
    ],
)
def test_wrong_calls_are_told(results, arguments, message):
    done = run("cost", results, *arguments)
    assert done.exit_code == 2 and message in done.stderr, done.output
    assert (results / "rows.csv").exists()


def test_no_results(tmp_path):
    done = run("cost", tmp_path)
    assert done.exit_code == 2 and "holds no results" in done.stderr


def test_soybean_is_refused(results):
    record = json.loads((results / "run.json").read_text())
    record["settings"]["spacing"]["crop"] = "soybean"
    (results / "run.json").write_text(json.dumps(record))
    done = run("cost", results)
    assert done.exit_code == 2 and "published losses by uneven spacing are of maize only" in done.stderr


def test_rows_of_the_planter_come_from_the_survey(results):
    record = json.loads((results / "run.json").read_text())
    record["settings"]["planter"]["row_units"] = 24
    (results / "run.json").write_text(json.dumps(record))
    done = run("cost", results, "--price-t", "180", "--repair-cost-row", "100")
    assert "Repair of all row units: 2 400." in done.output
    assert "One season pays it on" in done.output and "Paid back:" not in done.output


def test_text_is_plain_when_piped(results):
    done = run("cost", results)
    assert "\x1b" not in done.output
    assert done.output.isascii()
