"""``--min-trust``: what is left out is listed, stays in rows.csv, and is in no number after that."""

import shutil
from pathlib import Path

import pytest
from typer.testing import CliRunner

from standcam import tables
from standcam.cli.app import app
from standcam.report.csv_tables import read_table
from standcam.report.folder import read_results

DEMO = Path(__file__).resolve().parents[2] / "demo-images"
REPLANT = (
    "--planted 2026-05-02 --replant-on 2026-05-20 --target-ha 75000 --yield-t-ha 10-12 --price-t 170-200 --cost-ha 300"
)
BOARD, STICK = "slow_1_board.jpg", "slow_2_stick.jpg"


def call(*words):
    result = CliRunner().invoke(app, [str(w) for w in words])
    return result, " ".join(result.output.split())


@pytest.fixture(scope="module")
def photos(tmp_path_factory):
    folder = tmp_path_factory.mktemp("photos")
    for name in (BOARD, STICK):
        shutil.copy(DEMO / name, folder)
    return folder


def test_count_leaves_a_doubtful_photo_out(photos, tmp_path):
    result, said = call(
        "count", photos, "--row-width-cm", 76, "--min-trust", "fair", "--no-marked", "--out", tmp_path / "r"
    )
    assert result.exit_code == 0, said
    assert f"1 of 2 rows is left out of all summaries, trust being below fair: {STICK} row 1 (poor: one scale" in said
    assert "poor, left out" in said and "All: 1 photo, 1 row;" in said
    rows = read_table(tmp_path / "r", tables.ROWS).set_index("photo")
    assert rows["left_out"].to_dict() == {BOARD: "", STICK: "trust is poor"}
    assert (rows["plants"] > 0).all()
    plots = read_table(tmp_path / "r", tables.PLOTS).set_index("plot")
    assert plots["status"].tolist() == ["ok", "left_out"]
    read = read_results(tmp_path / "r")
    assert read.settings.statistics.min_trust == "fair" and read.rows["photo"].tolist() == [BOARD]
    assert STICK in read.run["notes"][0]


def test_the_survey_file_sets_the_bar_and_the_call_wins(photos, tmp_path):
    survey = tmp_path / "survey.toml"
    survey.write_text('[statistics]\nmin_trust = "good"\n')
    words = ["count", photos / STICK, "--survey", survey, "--no-marked"]
    result, said = call(*words, "--out", tmp_path / "a")
    assert result.exit_code == 0 and "has no row left" in said and "All: 0 photos, 0 rows" in said
    result, said = call(*words, "--min-trust", "poor", "--out", tmp_path / "b")
    assert result.exit_code == 0 and "left out" not in said and "poor a" in said
    # what the lower commands say to a folder without rows
    result, said = call("planter", tmp_path / "a", "--out", tmp_path / "c")
    assert result.exit_code == 2 and "trust is below good" in said


def test_tape_rows_have_grades_too(tmp_path):
    (tmp_path / "t.csv").write_text("# row_length_cm: 100\nrow, position_cm\n1, 5\n1, 21\n1, 37\n2, none\n")
    result, said = call("tape", tmp_path / "t.csv", "--min-trust", "good", "--out", tmp_path / "r")
    assert result.exit_code == 0, said
    rows = read_table(tmp_path / "r", tables.ROWS)
    assert rows["trust"].tolist() == ["good", "good"] and rows["left_out"].tolist() == ["", ""]


def test_a_grade_that_does_not_exist(photos, tmp_path):
    result, said = call("count", photos, "--min-trust", "great", "--out", tmp_path / "r")
    assert result.exit_code == 2 and "great" in said and not (tmp_path / "r").exists()


@pytest.fixture(scope="module")
def trial(tmp_path_factory):
    """The trial's tape counts, of which some rows are marked as a count of photos with a bar would mark them."""
    folder, short = tmp_path_factory.mktemp("trial") / "r", tmp_path_factory.mktemp("tape") / "tape.csv"
    lines = (DEMO / "tape_trial.csv").read_text().splitlines(keepends=True)
    short.write_text("".join(line for line in lines if line[0] != "M" or line.split(",")[2] in ("4", "5")))
    given = ("--row-width-cm", 76, "--nominal-cm", 16.5, "--min-trust", "fair")
    result, said = call("tape", short, *given, "--out", folder)
    assert result.exit_code == 0, said
    lines = (folder / "rows.csv").read_text().splitlines()
    head = lines[0].split(",")
    for n in (3, 4, 5):
        cells = lines[n].split(",")
        cells[head.index("trust")], cells[head.index("left_out")] = "poor", "trust is poor"
        cells[head.index("trust_reasons")] = "one scale for the whole picture"
        lines[n] = ",".join(cells)
    (folder / "rows.csv").write_text("\n".join(lines) + "\n")
    return folder


@pytest.mark.parametrize(
    "words",
    [
        ["planter"],
        ["cost", "--price-t", 180],
        ["trial", "--plot-map", DEMO / "trial_plots.csv"],
        ["plan", "--from"],
        ["replant", *REPLANT.split()],
    ],
    ids=lambda words: words[0],
)
def test_later_commands_say_what_was_left_out(words, trial, tmp_path):
    head = words if words[-1] == "--from" else words[:1]
    result, said = call(*head, trial, *words[len(head) :], "--out", tmp_path / "o")
    assert result.exit_code == 0, said
    assert "3 of 30 rows are left out of all summaries, trust being below fair" in said
    assert "3 of 30 rows are left out" in (tmp_path / "o" / "run.json").read_text()


def test_agreement_says_it_too(trial, tmp_path):
    result, said = call("agree", trial, trial, "--out", tmp_path / "o")
    assert result.exit_code in (0, 1), said
    assert "3 of 30 rows are left out" in said
