"""``standcam visits``: folders in, tables and picture out."""

import json

import pandas as pd
import pytest
from fixtures.emerging import made, write
from typer.testing import CliRunner

from standcam.cli.app import app

runner = CliRunner()


@pytest.fixture(scope="module")
def field():
    return made(seed=1, boards=True, sections=2, length_cm=400.0)


@pytest.fixture
def folders(tmp_path, monkeypatch, field):
    monkeypatch.chdir(tmp_path)
    for n, visit in enumerate(field.visits, start=1):
        write(tmp_path / f"day{n}", [visit])
    return [f"day{n}" for n in range(1, len(field.visits) + 1)]


def call(*arguments):
    return runner.invoke(app, ["visits", *map(str, arguments)])


def test_five_days_give_the_curve(folders, tmp_path):
    result = call(*folders, "--planted", "2031-05-01", "--nominal-cm", 16, "--out", "curve")
    assert result.exit_code == 0, result.output
    assert result.output.startswith("Half of ")
    for said in ("days after planting", "between the visits of day 8 and day 10", "no skip of the planter", "Cautions"):
        assert said in " ".join(result.output.split())
    out = tmp_path / "curve"
    assert sorted(p.name for p in out.iterdir()) == [
        "emergence.csv", "emergence.png", "emergence_days.csv", "run.json", "visits.csv",
    ]  # fmt: skip
    line = pd.read_csv(out / "emergence.csv").iloc[0]
    assert 8 < line["t50_days"] < 10 and line["sections"] == 2
    assert list(pd.read_csv(out / "emergence_days.csv")["days"]) == [6, 8, 10, 13, 17]
    run = json.loads((out / "run.json").read_text())
    assert run["command"] == "visits" and run["asked"]["planted"] == "2031-05-01"
    assert call(*folders, "--out", "curve").exit_code == 2  # never over results unasked


def test_the_report_of_a_day_shows_when_plants_came_up(folders, tmp_path):
    import re

    assert call(*folders, "--planted", "2031-05-01", "--nominal-cm", 16, "--out", "curve").exit_code == 0
    done = runner.invoke(app, ["report", "day5", "--visits", "curve"])
    assert done.exit_code == 0, done.output
    page = (tmp_path / "day5" / "report.html").read_text(encoding="utf-8").replace("\N{NO-BREAK SPACE}", " ")
    part = page.split('<section id="emergence">')[1].split("</section>")[0]
    assert 'href="#emergence"' in page and "<svg" in part and "visits on day 6, 8, 10, 13, 17" in part
    cells = re.findall(r"<td>(.*?)</td>", part)
    line = pd.read_csv(tmp_path / "curve" / "emergence.csv").iloc[0]
    t50, low, high = (f"{line[k]:.1f}".removesuffix(".0") for k in ("t50_days", "t50_days_low", "t50_days_high"))
    assert cells[:2] == [str(line["plot"]), f"{t50}<br><small>{low} to {high}</small>"]
    assert cells[3:5] == [str(line["late_plants"]), str(line["lost"])] and cells[-1] == str(line["plants"])
    # found by itself where it lies in the results; a folder named in vain is told of
    (tmp_path / "curve").rename(tmp_path / "day4" / "visits")
    assert runner.invoke(app, ["report", "day4"]).exit_code == 0
    assert '<section id="emergence">' in (tmp_path / "day4" / "report.html").read_text(encoding="utf-8")
    wrong = runner.invoke(app, ["report", "day4", "--visits", "day1"])
    assert wrong.exit_code == 2 and "emergence.csv" in wrong.output


def test_damaged_tables_of_visits_cost_only_their_section(folders, tmp_path):
    assert call(*folders, "--out", "day5/visits").exit_code == 0
    (tmp_path / "day5" / "visits" / "emergence.csv").write_text("plot,plants\n1,many\n")
    done = runner.invoke(app, ["report", "day5"])
    assert done.exit_code == 0 and "Left out of the report" in done.output
    page = (tmp_path / "day5" / "report.html").read_text(encoding="utf-8")
    assert 'id="emergence"' not in page and "Left out of the report" in page


def test_planter_takes_late_plants_from_visits(folders):
    assert call(*folders, "--out", "curve").exit_code == 0
    result = runner.invoke(app, ["planter", "day5", "--visits", "curve", "--nominal-cm", "16", "--out", "pl"])
    assert result.exit_code == 0, result.output
    assert "Which plants came late was told by curve" in result.output
    other = runner.invoke(app, ["planter", "day5", "--visits", "day1", "--out", "pl2"])
    assert other.exit_code == 2 and "visits.csv" in other.output


def test_dates_by_hand_go_before_what_photos_tell(folders):
    days = "2031-06-01,2031-06-03,2031-06-05,2031-06-08,2031-06-12"
    assert call(*folders, "--dates", days, "--out", "a").exit_code == 0
    assert list(pd.read_csv("a/emergence_days.csv")["visit"]) == days.split(",")
    result = call(*folders, "--dates", "2031-06-01", "--out", "b")
    assert result.exit_code == 2 and "1 days for 5 folders" in result.output
    result = call(*folders, "--dates", days.replace("2031-06-01", "June"), "--out", "b")
    assert result.exit_code == 2 and "2031-05-14" in result.output


@pytest.mark.parametrize("column", ["visit", "visit_date", None])
def test_one_folder_with_all_visits(tmp_path, monkeypatch, field, column):
    monkeypatch.chdir(tmp_path)
    write(tmp_path / "all", field.visits, column=column)
    result = call("all", "--planted", "2031-05-01", "--nominal-cm", 16, "--out", "curve")
    assert result.exit_code == 0, result.output
    line = pd.read_csv("curve/emergence.csv").iloc[0]
    assert 8 < line["t50_days"] < 10


def test_folders_that_tell_no_date_ask_for_it(tmp_path, monkeypatch, field):
    monkeypatch.chdir(tmp_path)
    write(tmp_path / "a", field.visits[:1], day="none")
    write(tmp_path / "b", field.visits[1:2], day="none")
    result = call("a", "b")
    assert result.exit_code == 2 and "--dates" in result.output


def test_out_must_not_be_a_results_folder(folders):
    result = call(*folders, "--out", "day1", "--force")
    assert result.exit_code == 2 and "one of the results folders" in result.output
