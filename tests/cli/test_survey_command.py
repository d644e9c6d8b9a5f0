"""A survey through ``count`` into the commands that read row units, treatments and blocks."""

import numpy as np
import pandas as pd
import pytest
from fixtures.measured import measuring
from PIL import Image
from typer.testing import CliRunner

from standcam.cli.app import app
from standcam.report.folder import read_results, with_design

runner = CliRunner()


@pytest.fixture
def survey(tmp_path, monkeypatch):
    """Eight photos of four plots, two visits of the first."""
    monkeypatch.setattr("standcam.batch.run.measure_photo", measuring)
    monkeypatch.chdir(tmp_path)
    (tmp_path / "s").mkdir()
    rng = np.random.default_rng(1)
    for plot in (1, 2, 3, 4):
        for shot in "ab":
            picture = rng.integers(60, 120, (80, 160, 3), dtype=np.uint8)
            Image.fromarray(picture).save(tmp_path / "s" / f"{plot}_{shot}.png")
    (tmp_path / "s" / "survey.toml").write_text('[ties]\nfile_name = "{plot}_*.png"\n')
    (tmp_path / "s" / "plots.csv").write_text(
        "photo,plot,row_unit,treatment,block,visit\n,1,01,A,1,\n,2,02,B,1,\n,3,01,A,2,\n,4,02,B,2,\n1_b.png,,,,,late\n"
    )
    return tmp_path


def call(*arguments):
    if arguments[0] == "count":  # in this process, where measuring is replaced
        arguments += ("--workers", "1")
    return runner.invoke(app, list(arguments))


def test_results_carry_the_design(survey):
    done = call("count", "s", "--row-width-cm", "75", "--nominal-cm", "16.5", "--no-marked")
    assert done.exit_code == 0, done.output
    assert "8 of 8 photos are tied to 4 plots (8 by file name)" in done.output
    plots = pd.read_csv("results/plots.csv", dtype=str)
    assert list(plots["plot"]) == ["1", "2", "3", "4"] and list(plots["rows"]) == ["2"] * 4
    assert list(plots["treatment"]) == ["A", "B", "A", "B"] and list(plots["row_unit"]) == ["01", "02", "01", "02"]
    assert (pd.read_csv("results/ties.csv")["tied_by"] == "file_name").all()
    for name in ("plants", "gaps", "rows"):
        assert set(pd.read_csv(f"results/{name}.csv", dtype=str)["row_unit"]) == {"01", "02"}
    read = read_results("results")
    rows, notes = with_design(read.rows, read.plants, None)
    assert list(rows["block"]) == ["1", "1", "1", "1", "2", "2", "2", "2"] and notes == []
    trial = call("trial", "results", "--out", "t")
    assert trial.exit_code == 0, trial.output
    assert set(pd.read_csv("t/trial.csv")["treatment"]) == {"A", "B"}
    planter = call("planter", "results", "--out", "p")
    assert planter.exit_code == 0, planter.output
    assert len(pd.read_csv("p/units.csv")) == 2


def test_visits(survey):
    assert call("count", "s", "--visit", "late", "--no-marked").exit_code == 0
    assert list(pd.read_csv("results/rows.csv")["photo"].unique()) == ["1_b.png"]
    none = call("count", "s", "--visit", "never", "--no-marked", "--out", "x")
    assert none.exit_code == 2 and "late" in none.output
