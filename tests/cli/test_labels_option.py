"""``standcam count --labels`` from the call to the folder."""

import json

import numpy as np
import pandas as pd
import pytest
from PIL import Image
from typer.testing import CliRunner

from standcam.cli.app import app


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """Two photos in ``in`` that measure as seven plants and a weed each, with looks if asked."""
    from fixtures.measured import measured

    from standcam.plants.traits import TRAITS

    def measure(photo, settings=None, plot=None, looks=False):
        m = measured(photo, plot=plot)
        crop = m.plants["is_crop"]
        object.__setattr__(m, "plants", m.plants.assign(flags="", judged=np.where(crop, "crop", "weed")))
        if looks:
            far = np.where(crop, 0.0, 20.0)
            object.__setattr__(m, "traits", pd.DataFrame({name: 0.0 * far for name in TRAITS}).assign(off_line_cm=far))
        return m

    monkeypatch.setattr("standcam.batch.run.measure_photo", measure)
    monkeypatch.chdir(tmp_path)
    (tmp_path / "in").mkdir()
    for n, name in enumerate(("a.png", "b.png")):
        rgb = np.random.default_rng(n).integers(60, 120, (400, 800, 3), dtype=np.uint8)
        Image.fromarray(rgb).save(tmp_path / "in" / name)
    return tmp_path


def count(*words):
    return CliRunner().invoke(app, ["count", *words, "--no-marked"])


X = (23 + 5) * 800 / 120 - 0.5
"""Pixel of the second plant."""


def test_labels_beside_the_photos_are_taken_and_said(folder):
    (folder / "in" / "labels.csv").write_text(
        f'photo,x_px,y_px,label,note\na.png,{X:.0f},199,weed,"big, red"\nb.png,3,3,crop,\nc.png,3,3,crop,\n'
    )
    result = count("in", "--out", "out")
    assert result.exit_code == 0, result.output
    for words in (
        "Labels were taken from in/labels.csv",
        "1 of 3 used",
        "line 4 (crop, c.png at 3, 3): no photo",
        "Weeds: 3 seen",
    ):
        assert words in result.stdout
    rows, said = pd.read_csv(folder / "out" / "rows.csv"), pd.read_csv(folder / "out" / "labelled.csv")
    assert rows["plants"].tolist() == [6, 7] and rows["weeds"].tolist() == [2, 1]
    assert said["became"].tolist() == ["used", "set_aside", "set_aside"] and said["note"][0] == "big, red"
    plants = pd.read_csv(folder / "out" / "plants.csv")
    named = plants[(plants["photo"] == "a.png") & (plants["plant"] == said["plant"][0])].iloc[0]
    assert named["judged"] == "weed" and named["flags"] == "labelled" and abs(named["x_px"] - X) < 1
    record = json.loads((folder / "out" / "run.json").read_text())
    assert record["labels"]["file"] == "in/labels.csv" and record["labels"]["given"] == 3
    assert record["labels"]["changed_by_own_label"] == 1 and "labelled.csv" in record["files"]


def test_without_labels_nothing_is_said_of_them(folder):
    result = count("in", "--out", "out")
    assert result.exit_code == 0 and "abel" not in result.stdout.replace("labels.csv", "")
    assert not (folder / "out" / "labelled.csv").exists()
    assert "labels" not in json.loads((folder / "out" / "run.json").read_text())


def test_labels_named_elsewhere(folder):
    (folder / "mine.csv").write_text("photo,x_px,y_px,label\n")
    result = count("in", "--out", "out", "--labels", "mine.csv")
    assert result.exit_code == 0 and "The labels file holds no label" in result.stdout
    assert len(pd.read_csv(folder / "out" / "labelled.csv")) == 0


def test_a_bad_labels_file_stops_before_any_work(folder):
    (folder / "in" / "labels.csv").write_text("photo,x_px,y_px,label\na.png,1,2,maize\n")
    result = count("in", "--out", "out")
    assert result.exit_code == 2 and "line 2" in result.stderr and "maize" in result.stderr
    assert not (folder / "out").exists()
