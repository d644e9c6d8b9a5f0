from pathlib import Path

import pytest
from typer.testing import CliRunner

from standcam.cli.app import app

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
