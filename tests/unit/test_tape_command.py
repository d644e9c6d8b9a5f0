import json

import pandas as pd
import pytest
from typer.testing import CliRunner

from standcam import tables
from standcam.cli.app import app
from standcam.report.csv_tables import read_table

GOOD = "plot,row,position (in)\nA,1,3\nA,1,9.5\nA,1,16\nA,1,29\nA,2,4\nA,2,10.5\nA,2,17\n"


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    return tmp_path


def run(*arguments):
    return CliRunner().invoke(app, ["tape", *map(str, arguments)])


def test_tape_gives_all_tables(folder):
    (folder / "a.csv").write_text(GOOD)
    result = run("a.csv", "--out", "out", "--row-width-cm", "76.2", "--nominal-cm", "16.51")
    assert result.exit_code == 0, result.output
    read = {t.name: read_table("out", t) for t in (tables.PLANTS, tables.GAPS, tables.ROWS, tables.PLOTS)}
    assert list(read["rows"]["plants"]) == [4, 3]
    assert read["rows"]["mean_gap_cm"].tolist() == pytest.approx([26 / 3 * 2.54, 6.5 * 2.54], abs=1e-3)
    assert read["rows"]["misses_pct"].tolist() == pytest.approx([33.33, 0])
    # one plant every 8.667 in of a 30 in row: 6,272,640 / 260 per acre
    assert read["rows"].loc[0, "plants_per_ha"] == pytest.approx(6_272_640 / 260 * 2.47105, rel=1e-5)
    assert len(read["plants"]) == 7 and read["plants"]["is_crop"].all() and read["plants"]["x_px"].isna().all()
    assert len(read["gaps"]) == 9 and read["plots"].loc[0, "plants"] == 7
    record = json.loads((folder / "out" / "run.json").read_text())
    assert record["command"] == "tape" and len(record["inputs"][0]["sha256"]) == 64
    assert record["settings"]["spacing"]["row_width_cm"] == 76.2


def test_a_bad_file_does_not_stop_the_others(folder):
    (folder / "a.csv").write_text(GOOD)
    (folder / "b.csv").write_text("position_cm\n3\n2\n")
    result = run("b.csv", "a.csv", "none.csv", ".", "--out", "out")
    assert result.exit_code == 1
    problems = read_table("out", tables.PROBLEMS)
    assert list(problems["path"]) == ["b.csv", "none.csv", "."]
    assert "Line 3: the tape runs backwards" in problems.loc[0, "reason"] and problems["remedy"].ne("").all()
    assert set(read_table("out", tables.ROWS)["photo"]) == {"a.csv"}


def test_nothing_usable(folder):
    (folder / "b.csv").write_text("position_cm\n3\n2\n")
    result = run("b.csv", "--out", "out")
    assert result.exit_code == 2
    assert "Line 3" in result.stderr and "No tape file could be used" in result.stderr
    assert len(read_table("out", tables.PROBLEMS)) == 1


def test_results_are_not_overwritten(folder):
    (folder / "a.csv").write_text(GOOD)
    assert run("a.csv", "--out", "out").exit_code == 0
    before = (folder / "out" / "rows.csv").read_text()
    (folder / "a.csv").write_text("position_cm\n3\n9\n")
    refused = run("a.csv", "--out", "out")
    assert refused.exit_code == 2 and "already holds results" in refused.stderr
    assert (folder / "out" / "rows.csv").read_text() == before
    assert run("a.csv", "--out", "out", "--force").exit_code == 0
    assert (folder / "out" / "rows.csv").read_text() != before


def test_failed_rerun_leaves_good_results(folder):
    (folder / "a.csv").write_text(GOOD)
    assert run("a.csv", "--out", "out").exit_code == 0
    before = (folder / "out" / "rows.csv").read_text()
    (folder / "a.csv").write_text("position_cm\n3\n2\n")
    assert run("a.csv", "--out", "out", "--force").exit_code == 2
    assert (folder / "out" / "rows.csv").read_text() == before


def test_units_serve_files_without_unit(folder):
    (folder / "a.csv").write_text("position\n3\n9.5\n16\n")
    assert run("a.csv", "--out", "out").exit_code == 2
    assert run("a.csv", "--out", "us", "--units", "us").exit_code == 0
    assert run("a.csv", "--out", "si", "--units", "si").exit_code == 0
    assert read_table("us", tables.ROWS).loc[0, "mean_gap_cm"] == pytest.approx(16.51)
    assert read_table("si", tables.ROWS).loc[0, "mean_gap_cm"] == pytest.approx(6.5)


def test_files_of_one_name_stay_apart(folder):
    for place in ("east", "west"):
        (folder / place).mkdir()
        (folder / place / "tape.csv").write_text("position_cm\n3\n9\n")
    assert run("east/tape.csv", "west/tape.csv", "east/tape.csv", "--out", "out").exit_code == 0
    assert list(read_table("out", tables.ROWS)["photo"]) == ["east/tape.csv", "west/tape.csv"]


def test_survey_gives_the_row_width(folder):
    (folder / "a.csv").write_text(GOOD)
    (folder / "survey.toml").write_text("[spacing]\nrow_width_cm = 75\nseeding_rate_per_ha = 80000\n")
    assert run("a.csv", "--out", "out", "--survey", "survey.toml").exit_code == 0
    rows = read_table("out", tables.ROWS)
    assert set(rows["nominal_source"]) == {"seeding_rate"} and set(rows["row_width_cm"]) == {75}


def test_further_columns_reach_plants_csv(folder):
    (folder / "a.csv").write_text("position_cm,stage\n3,V2\n9,V3\n")
    assert run("a.csv", "--out", "out").exit_code == 0
    assert list(pd.read_csv(folder / "out" / "plants.csv")["stage"]) == ["V2", "V3"]


def test_bare_counts(folder):
    (folder / "c.csv").write_text(
        "plot,row,row unit,plants,row length\nA,1,1,29,17'5\"\nA,2,2,31,17'5\"\nA,3,3,0,17'5\"\n"
    )
    result = run("c.csv", "--out", "out", "--row-width-cm", "76.2")
    assert result.exit_code == 0, result.output
    rows = read_table("out", tables.ROWS)
    # 30 in rows: 29 plants on 17 ft 5 in are 29,000 per acre as near as the inch tells
    assert rows["plants_per_ha"].tolist() == pytest.approx([29_000 * 2.47105, 31_000 * 2.47105, 0], rel=0.5 / 209)
    assert rows["status"].tolist() == ["ok", "ok", "empty"] and rows["mean_gap_cm"].isna().all()
    assert rows["row_unit"].astype(str).tolist() == ["1", "2", "3"]
    assert len(read_table("out", tables.PLANTS)) == 0


def test_columns_of_rows_reach_rows_csv_and_the_commands_behind(folder):
    from standcam.report.folder import read_results, with_design

    (folder / "a.csv").write_text(
        "row,position_cm,row_length_cm,treatment,late\n1,4,500,slow,\n1,20,500,slow,x\n2,none,500,fast,\n"
    )
    (folder / "b.csv").write_text("row,position_cm,row_length_cm,hybrid\n1,4,500,H1\n1,20,500,H1\n")
    assert run("a.csv", "b.csv", "--out", "out").exit_code == 0
    results = read_results("out")
    rows, notes = with_design(results.rows, results.plants, None)
    assert rows["treatment"].tolist() == ["slow", "fast", ""] and not notes
    assert rows["hybrid"].tolist() == ["", "", "H1"]
    assert results.plants["late"].tolist() == ["", "x", "", ""] and "late" not in results.rows


def test_doubts_are_told_and_recorded(folder):
    (folder / "a.csv").write_text("Field 7\nposition_cm\n4.5\n22.0\n38.5\n55.0\n71.5\n880.0\n")
    (folder / "b.csv").write_bytes((folder / "a.csv").read_bytes())
    result = run("a.csv", "b.csv", "--out", "out")
    assert result.exit_code == 0
    told = " ".join(result.output.split())
    assert "a.csv, line 8: 880.0 makes a gap 49 times the usual gap: right?" in told
    assert "b.csv and a.csv are the same readings, and count twice." in told
    notes = json.loads((folder / "out" / "run.json").read_text())["notes"]
    assert sum("Field 7" in note for note in notes) == 2 and any("count twice" in note for note in notes)


@pytest.mark.parametrize(("step", "told"), [(6.5, "inches called cm"), (42, "cm called inches"), (16.5, None)])
def test_a_wrong_unit_shows_against_the_theoretical_spacing(folder, step, told):
    (folder / "a.csv").write_text("position_cm\n" + "\n".join(f"{3 + step * i}" for i in range(8)))
    result = run("a.csv", "--out", "out", "--nominal-cm", "16.5")
    assert result.exit_code == 0
    assert ("are its readings" in result.output) == (told is not None) and (told or "") in result.output


def test_field_sheet(folder):
    result = run("--print-sheet", "sheet.pdf", "--paper", "letter", "--rows", "6", "--units", "us")
    assert result.exit_code == 0, result.output
    assert (folder / "sheet.pdf").read_bytes().startswith(b"%PDF") and "2 pages for 6 rows" in result.output
    assert "position_in" in (folder / "sheet.csv").read_text() and "Park, shut down and block" in result.output
    again = run("--print-sheet", "sheet.pdf")
    assert again.exit_code == 2 and "there already" in again.stderr
    assert run("--print-sheet", "sheet", "--force").exit_code == 0
    assert "position_cm" in (folder / "sheet.csv").read_text()


def test_wrong_calls(folder):
    (folder / "a.csv").write_text(GOOD)
    assert run("--out", "out").exit_code == 2
    assert run("a.csv", "--print-sheet", "sheet.pdf").exit_code == 2 and not (folder / "sheet.pdf").exists()
    assert run("--print-sheet", "sheet.pdf", "--rows", "0").exit_code == 2
