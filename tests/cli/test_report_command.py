from pathlib import Path

import pytest
from typer.testing import CliRunner

from standcam import tables
from standcam.cli.app import app
from standcam.report.csv_tables import read_table
from standcam.report.folder import read_results, read_run
from standcam.spacing.edits import Edit, finds_digest, next_number

TAPE = "plot,row,row_unit,position_cm\n" + "".join(
    f"{plot},1,{unit},{8 + 16 * k + (k * 7 % 5) / 2}\n"
    for plot, unit in (("a", 1), ("b", 2), ("c", 1), ("d", 2))
    for k in range(25)
    if (k + unit) % 9
)


def call(*args):
    return CliRunner().invoke(app, [str(a) for a in args])


@pytest.fixture
def results(tmp_path):
    (tmp_path / "t.csv").write_text(TAPE)
    done = call("tape", tmp_path / "t.csv", "--nominal-cm", 16, "--row-width-cm", 75, "--out", tmp_path / "r")
    assert done.exit_code == 0, done.output
    return tmp_path / "r"


def test_a_tape_gives_page_and_workbook(results):
    page = (results / "report.html").read_text(encoding="utf-8")
    assert "Stand report: r" in page and "Row units are not known" not in page
    assert (results / "results.xlsx").stat().st_size > 5_000
    assert not list(results.glob(".standcam*"))


def test_what_is_not_wanted_is_not_written(results, tmp_path):
    done = call("tape", tmp_path / "t.csv", "--out", results, "--force", "--no-report")
    assert done.exit_code == 0 and not (results / "report.html").exists() and not (results / "results.xlsx").exists()


def test_older_results_get_a_page_with_their_design(results, tmp_path):
    (results / "report.html").unlink()
    (tmp_path / "plots.csv").write_text("plot,range,column,treatment\na,1,1,x\nb,1,2,y\nc,2,1,y\nd,2,2,x\n")
    before = {p.name: p.read_bytes() for p in results.iterdir()}
    done = call("report", results, "--plot-map", tmp_path / "plots.csv", "--tables", "parquet", "--units", "us")
    assert done.exit_code == 0, done.output
    page = (results / "report.html").read_text(encoding="utf-8")
    assert "in the field plan" in page and "Plants per acre" in page
    assert (results / "results.parquet").exists()
    assert all((results / name).read_bytes() == data for name, data in before.items())
    again = call("report", results)
    assert again.exit_code == 0 and "report.html replaces the earlier one" in again.output


def test_a_folder_without_results(tmp_path):
    done = call("report", tmp_path)
    assert done.exit_code == 2 and not (Path(tmp_path) / "report.html").exists()


def test_edits_by_hand_are_laid_once_and_both_numbers_stand_in_the_page(results):
    plants = read_table(results, tables.PLANTS)
    own = plants[plants["photo"] == "t.csv"]
    made = {"when": "2031-05-14T10:00:00.000+00:00", "who": "a scout", "photo": "t.csv", "finds": finds_digest(own)}
    first = own.iloc[0]
    added = Edit("1", what="add", plot="a", row=1, plant=next_number(own, [], "t.csv"), position_cm=2.0, judged="crop",
                 offset_cm=0.0, x_px=1.0, y_px=1.0, **made)  # fmt: skip
    moved = Edit("2", what="move", plot=first["plot"], row=int(first["row"]), plant=int(first["plant"]), position_cm=9,
                 offset_cm=0.0, x_px=1.0, y_px=1.0, **made)  # fmt: skip
    (results / "edits.jsonl").write_text(added.line() + "\n" + moved.line() + "\n")

    run, both = read_run(results), read_results(results)
    found = len(plants)
    assert run.raw_rows is not None and run.raw_gaps is not None
    assert int(run.raw_rows["plants"].sum()) == found and int(run.rows["plants"].sum()) == found + 1
    # the road of the other commands, which lay the edits by themselves, gives the same tables
    assert run.rows[both.rows.columns].equals(both.rows) and run.gaps.whole().equals(both.gaps)
    assert run.raw_gaps.whole().equals(read_table(results, tables.GAPS))
    assert len(run.notes) == len(set(run.notes)) and not any("not used" in note for note in run.notes)

    done = call("report", results)
    assert done.exit_code == 0 and done.output.count("2 plants edited by hand: 1 added, 1 moved.") == 1
    page = (results / "report.html").read_text(encoding="utf-8")
    edited = page.split("<h3>Edited by hand</h3>")[1].split("<h3>")[0]
    assert f"{found} plants on" in edited and f"{found + 1} plants on" in page.split('id="units"')[0]
