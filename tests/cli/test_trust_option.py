"""``--min-trust``: what is left out is listed, stays in rows.csv, and is in no number after that."""

import shutil
from pathlib import Path

import pytest
from typer.testing import CliRunner

from standcam import tables
from standcam.cli.app import app
from standcam.report.folder import read_results
from standcam.report.results import read_table

DEMO = Path(__file__).resolve().parents[2] / "demo-images"
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
