"""``standcam replant`` from end to end."""

import json
from pathlib import Path

import pandas as pd
import pytest
from typer.testing import CliRunner

from standcam import units
from standcam.cli.app import app
from standcam.cli.replant import _parts, _span
from standcam.errors import BadSettings
from standcam.report import replant_figure, replant_report
from standcam.report.csv_tables import read_table

DATES = ("--planted", "2026-04-25", "--replant-on", "2026-05-15")
THIN = ("--stand-acre", "16000", *DATES, "--target-acre", "30000", "--gaps", "none")
MONEY = ("--yield-bu-acre", "180", "--price-bu", "4", "--cost-acre", "60")


def run(*arguments):
    return CliRunner().invoke(app, ["replant", *map(str, arguments)])


def record_of(out):
    return json.loads((Path(out) / "run.json").read_text(encoding="utf-8"))


def order(text, *pieces):
    places = [text.index(piece) for piece in pieces]
    return places == sorted(places)


@pytest.fixture(autouse=True)
def folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture(autouse=True)
def drawn(request, monkeypatch):
    """Figures take most of the time: only the tests that look at one draw it."""
    if "figure" not in request.node.name:
        monkeypatch.setattr(replant_figure, "figure", lambda words: b"")


@pytest.fixture
def counted(folder):
    """A hand count of six rows in three plots, about 40,000 plants per ha, with long gaps and doubtful plants."""
    lines = ["plot,row,position_cm,doubtful"]
    for plot in "ABC":
        for row in (1, 2):
            x = 5.0
            for k in range(30 + row + "ABC".index(plot)):
                lines.append(f"{plot},{row},{x:.1f},{'yes' if k % 10 == 3 else ''}")
                x += 150 if k % 15 == 7 else 24
    (folder / "tape.csv").write_text("\n".join(lines) + "\n")
    result = CliRunner().invoke(
        app, ["tape", "tape.csv", "--row-width-cm", "76.2", "--nominal-cm", "17", "--out", "res"]
    )
    assert result.exit_code == 0, result.output
    return "res"


def test_answer_first_then_range_then_limits_and_a_figure():
    """The worked example: Purdue 84 kept, 95 replanted, 11 points of 180 bu are 19.8 bu per acre."""
    result = run(*THIN, *MONEY, "--published", "purdue", "--risk", "0", "--out", "r", "--currency", "crowns")
    assert result.exit_code == 0, result.output
    out = result.stdout
    assert out.startswith("REPLANT\n")
    # 19.8 bu at 4 less 60
    assert "+19 to +19 crowns per acre (likeliest +19), over 1 table and" in out
    assert "84 (84 to 84)" in out and "95 (95 to 95)" in out
    assert order(
        out, "REPLANT", "Kept:", "Replanted:", "What decides it", "Where it turns", "What went in",
        "What cannot be told", "Local extension or a licensed adviser decides", "are in r",
    )  # fmt: skip
    assert "ask before destroying a stand" in out
    assert "Replanting may cost at most 79 crowns/acre" in out
    table = read_table("r", replant_report.REPLANT)
    whole, purdue = table.iloc[0], table.iloc[1]
    assert whole["verdict"] == purdue["verdict"] == "replant"
    assert purdue["net_gain_per_ha"] == pytest.approx(19.2 * units.ACRES_PER_HA, abs=1e-4)
    assert purdue["breakeven_price_per_t"] == pytest.approx(60 / 19.8 * 1000 / 25.40117, rel=1e-4)
    assert "76 and 85" in purdue["validity"] and "after 25 May" in purdue["validity"]
    assert (pd.read_csv("r/replant_assumptions.csv")["assumption"] == "a later replanting").any()
    assert Path("r/replant.png").read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"
    record = record_of("r")
    assert record["command"] == "replant" and record["case"]["planted"] == "2026-04-25"
    assert record["cost_as_given"] == "60" and record["currency"] == "crowns"


def test_all_tables_by_default_and_yield_only_without_money_with_figure():
    result = run(*THIN, "--out", "r")
    assert result.stdout.startswith("TOO CLOSE TO CALL")
    assert "points of full yield" in result.stdout and "before its cost" in result.stdout
    table = read_table("r", replant_report.REPLANT)
    assert set(table["kept_table"][table["decides"]]) == {"all", "purdue", "iowa_2001"}
    half = table[table["kept_table"] == "wisconsin_south_full"].iloc[0]
    assert half["why_not"] == "kept: stand below 64 200/ha" and half["half_answer"] < 15
    assert table["net_gain_per_ha"].isna().all()


def test_late_disagreement_is_said():
    out = run(
        "--stand-acre", "20000", "--planted", "2026-04-28", "--replant-on", "2026-06-01", "--target-acre", "30000"
    ).stdout
    assert "disagree widely on a planting of 2026-06-01: 63 to 90 % of full yield" in out
    assert "the source itself extrapolated so late a date" in out and "UNL 2009 warns" in out


def test_from_a_count(counted):
    result = run(counted, *DATES, "--target-ha", "75000", "--out", "r")
    assert result.exit_code == 0, result.output
    out = result.stdout
    assert "95 % interval over 3 plots" in out and "12 of 122 cm or more" in out
    assert "10 % of those counted, each counted 0.5 (half: Lauer 2003)" in out
    case = record_of("r")["case"]
    rows = pd.read_csv("res/rows.csv")
    density = 1e8 * rows["plants"].sum() / (rows["row_length_cm"] * 76.2).sum()
    assert case["stand"]["value"] == pytest.approx(density) and case["stand"]["low"] < density < case["stand"]["high"]
    assert (case["gaps"]["low"], case["gaps"]["high"]) == (4, 6)
    one = run(
        counted, *DATES, "--target-ha", "75000", "--plot", "A", "--gaps", "none", "--doubtful-pct", "0", "--out", "r2"
    )
    assert "interval over 2 rows" in one.stdout and "Gaps: as told; 0 taken off" in one.stdout
    assert "Doubtful" not in one.stdout
    wrong = run(counted, *DATES, "--target-ha", "75000", "--plot", "Z", "--out", "r3")
    assert wrong.exit_code == 2 and "no plot Z" in wrong.stderr


def test_own_table_wins_and_published_stand_beside(folder):
    (folder / "mine.csv").write_text("stand_per_acre,04-20,05-20\n10000,90,80\n30000,100,92\n")
    result = run(*THIN, *MONEY, "--table", "mine.csv", "--out", "r")
    assert result.stdout.startswith("KEEP\n"), result.output
    table = read_table("r", replant_report.REPLANT)
    assert list(table["kept_table"][table["decides"]]) == ["all", "own"]
    assert "purdue" in set(table["kept_table"][~table["decides"]])
    assert order(result.stdout, "Own table mine.csv", "beside, not part of the result", "Purdue")
    assert record_of("r")["inputs"][0]["path"] == "mine.csv"
    (folder / "bad.csv").write_text("stand,05-01\nx,90\n")
    bad = run(*THIN, "--table", "bad.csv", "--out", "r2")
    assert bad.exit_code == 2 and "per ha or per acre; line 2" in bad.stderr


def test_soybean():
    result = run(
        "--crop", "soybean", "--stand-acre", "70000", "--planted", "2026-05-10", "--replant-on", "2026-06-10",
        "--target-acre", "140000", "--risk", "0", "--gaps", "none", "--out", "r",
    )  # fmt: skip
    out = result.stdout
    assert result.exit_code == 0 and out.startswith("KEEP\n")  # 90 to 95 kept, 88 replanted
    assert "Soybean points, low" in out and "does not raise yield" in out and "under 2 ft" in out
    table = read_table("r", replant_report.REPLANT)
    assert sorted(table["kept_pct"][1:]) == [90, 95] and set(table["replanted_pct"][1:]) == {88}


def test_si_and_us_say_the_same():
    us = run(*THIN, *MONEY, "--out", "r1").stdout
    si = run(*THIN, *MONEY, "--out", "r2", "--units", "si").stdout
    assert "/acre" in us and "bu" in us and " ft" not in si and "/acre" not in si.split("About the tables")[0]
    a, b = (read_table(folder, replant_report.REPLANT) for folder in ("r1", "r2"))
    pd.testing.assert_frame_equal(a, b)
    same = run(
        "--stand-ha", 16000 * units.ACRES_PER_HA, *DATES, "--target-ha", 30000 * units.ACRES_PER_HA, "--gaps", "none",
        "--yield-t-ha", 180 * 25.40117272 * units.ACRES_PER_HA / 1000, "--price-t", 4 / 25.40117272 * 1000,
        "--cost-ha", 60 * units.ACRES_PER_HA, "--out", "r3",
    )  # fmt: skip
    assert same.stdout.split("What went in")[0] == si.split("What went in")[0]


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ((*DATES, "--target-acre", "30000"), "There is no stand"),
        (("--stand-ha", "40000", *DATES), "no target stand"),
        (("--stand-ha", "40000", "--planted", "2026-04-25", "--target-ha", "75000"), "--replant-on is missing"),
        (("--stand-ha", "40000", "--planted", "25.4.", "--replant-on", "2026-05-15"), "--planted is '25.4.'"),
        ((*THIN, "--stand-ha", "40000"), "--stand-ha and --stand-acre are both given"),
        ((*THIN, "--price-bu", "4"), "--yield-t-ha or --yield-bu-acre and --cost-ha or --cost-acre is missing too"),
        ((*THIN, "--risk", "much"), "--risk is 'much'"),
        ((*THIN, "--published", "ohio"), "no maize table named ohio"),
        ((*THIN, "--gap-penalty", "150"), "--gap-penalty is '150'"),
        (("nowhere", *DATES, "--target-acre", "30000"), "nowhere holds no results"),
        ((*THIN, "--replant-on", "2026-07-20"), "Purdue (Nafziger 1994): replanted: date after 9 June"),
    ],
)
def test_wrong_calls(arguments, message):
    result = run(*arguments, "--out", "r")
    assert result.exit_code == 2 and message in result.stderr, result.output


def test_held_at_the_edge_is_said():
    result = run("--stand-acre", "9000", *DATES, "--target-acre", "30000", "--hold-edge", "--out", "r")
    assert "kept: the table is held at its edge (stand below)" in result.stdout


def test_results_are_not_overwritten():
    assert run(*THIN, "--out", "r").exit_code == 0
    again = run(*THIN, "--out", "r")
    assert again.exit_code == 2 and "already holds results" in again.stderr
    assert run(*THIN, "--out", "r", "--force").exit_code == 0


@pytest.mark.parametrize(
    ("text", "ends"),
    [
        ("180", (180, 180, 180)), ("160-200", (160, 180, 200)), ("160-170-200", (160, 170, 200)),
        ("1.5..2", (1.5, 1.75, 2)), ("30,000", (30_000,) * 3), ("70 000 - 80 000", (70_000, 75_000, 80_000)),
        ("4 to 6", (4, 5, 6)), ("55,000-60,000-64,000", (55_000, 60_000, 64_000)),
    ],
)  # fmt: skip
def test_numbers_and_ranges(text, ends):
    x = _span("--x", text)
    assert (x.low, x.value, x.high) == ends


@pytest.mark.parametrize("text", ["", "-5", "0", "9-3", "1-2-3-4", "nan", "1e9e", "5 %", "3-9-6"])
def test_no_numbers(text):
    with pytest.raises(BadSettings, match="--x is"):
        _span("--x", text)


@pytest.mark.parametrize(
    ("text", "ends"),
    [
        ("250", (250, 250, 250)), ("220-280", (220, 250, 280)),
        ("seed 95, tillage 15, passes 18-25, chemicals 20", (148, 151.5, 155)), ("seed: 1,200; pass = 40", (1240,) * 3),
        ("2 passes 30", None), ("seed", None), ("seed 10, ", None),
    ],
)  # fmt: skip
def test_cost_as_a_total_or_in_parts(text, ends):
    if ends is None:
        with pytest.raises(BadSettings):
            _parts("--cost-ha", text)
    else:
        x = _parts("--cost-ha", text)
        assert (x.low, x.value, x.high) == ends


def test_a_narrow_screen_gets_lines_and_loses_nothing(monkeypatch):
    from rich.console import Console

    monkeypatch.setattr("standcam.report.screen.console", lambda: Console(width=70, highlight=False))
    out = " ".join(run(*THIN, *MONEY, "--published", "purdue", "--risk", "0", "--out", "r").stdout.split())
    told = (
        "- Purdue (Nafziger 1994): kept 84 (84 to 84) %, replanted 95 (95 to 95) %, net gain +19 (+19 to +19) per acre"
    )
    # 60 of 7.2 a point are 8.33 points: 86.67 lies two thirds of the way from 84 at 16,000 to 88 at 18,000
    assert f"{told}, pays below 17,300/acre; replant." in out
