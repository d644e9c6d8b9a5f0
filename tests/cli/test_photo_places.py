"""What run.json keeps of where photos lie on disk and on the ground, and who reads it."""

import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from fixtures.measured import measuring
from PIL import Image
from typer.testing import CliRunner

from standcam.cli.app import app
from standcam.review.desk import Desk
from standcam.review.pictures import original

runner = CliRunner()


def photo(path, place=None, seed=0):
    path.parent.mkdir(parents=True, exist_ok=True)
    exif = Image.Exif()
    if place is not None:
        lat, lon = place
        gps = exif.get_ifd(0x8825)
        gps.update({1: "N" if lat >= 0 else "S", 2: (abs(lat), 0.0, 0.0), 3: "E" if lon >= 0 else "W"})
        gps[4] = (abs(lon), 0.0, 0.0)
    picture = np.random.default_rng(seed).integers(60, 120, (80, 160, 3), dtype=np.uint8)
    Image.fromarray(picture).save(path, exif=exif)


@pytest.fixture
def day(tmp_path, monkeypatch):
    """Three photos and a file that is none, in day/in; calls come from day."""
    monkeypatch.setattr("standcam.batch.run.measure_photo", measuring)
    folder = tmp_path / "day"
    photo(folder / "in" / "a.jpg", (48.25, -9.5), seed=1)
    photo(folder / "in" / "b.jpg", (-33.5, 9.501), seed=2)
    photo(folder / "in" / "c.png", seed=3)
    (folder / "in" / "d.jpg").write_text("no photo")
    monkeypatch.chdir(folder)
    return folder


def count(*arguments, code=1):
    call = ["count", *arguments, "--row-width-cm", "75", "--nominal-cm", "16.5", "--workers", "1"]
    done = runner.invoke(app, call)
    assert done.exit_code == code, done.output
    return done


def inputs_of(folder):
    return {record["photo"]: record for record in json.loads((folder / "run.json").read_text())["inputs"]}


def test_originals_are_found_from_any_folder(day, tmp_path, monkeypatch):
    count("in", "--out", "results")
    records = inputs_of(day / "results")
    assert [record["path"] for record in records.values()] == [str(day / "in" / n) for n in ("a.jpg", "b.jpg", "c.png")]
    assert records["a.jpg"]["path_from_results"] == "../in/a.jpg"
    # the table for people says what they wrote
    assert list(pd.read_csv("results/problems.csv")["path"]) == [str(Path("in") / "d.jpg")]

    (tmp_path / "elsewhere").mkdir()
    monkeypatch.chdir(tmp_path / "elsewhere")
    for folder in (day / "results", Path("..") / "day" / "results"):
        for picture in Desk(folder, "a scout").pictures:
            found = original(picture, folder, None)
            assert found is not None and found[1] == (day / "in" / picture.name).read_bytes()
    # a call from another folder into the same results counts nothing anew, and knows where the photos are
    said = count(str(Path("..") / "day" / "in"), "--out", str(day / "results"), "--force").output
    assert "3 of 4 photos had been counted before" in said
    assert inputs_of(day / "results")["a.jpg"]["path"] == str(day / "in" / "a.jpg")


def test_the_path_from_the_results_holds_when_both_are_moved(day, tmp_path):
    count("in", "--out", "results")
    shutil.move(day, tmp_path / "moved")
    results = tmp_path / "moved" / "results"
    for record in inputs_of(results).values():
        assert not Path(record["path"]).exists()
        assert (results / record["path_from_results"]).is_file()


def test_photos_moved_with_their_results_are_found_again_and_others_are_not_taken_for_them(day, tmp_path, monkeypatch):
    count("in", "--out", "results")
    before = {name: (day / "in" / name).read_bytes() for name in ("a.jpg", "b.jpg", "c.png")}
    shutil.move(day, tmp_path / "moved")
    monkeypatch.chdir(tmp_path)
    for folder in (tmp_path / "moved" / "results", Path("moved") / "results"):
        for picture in Desk(folder, "a scout").pictures:
            found = original(picture, folder, None)
            assert found is not None and found[1] == before[picture.name]
    # another picture of that name at that place is not the photo, and nonsense in the record is passed over
    photo(tmp_path / "moved" / "in" / "a.jpg", seed=9)
    folder = tmp_path / "moved" / "results"
    for picture in Desk(folder, "a scout").pictures:
        assert (original(picture, folder, None) is None) == (picture.name == "a.jpg")
        for odd in (None, 7, "", "\0", "x" * 5000):
            assert original(replace(picture, record={**picture.record, "path_from_results": odd}), folder, None) is None


def test_a_link_stays_the_path_that_was_given(day, tmp_path, monkeypatch):
    (tmp_path / "link").symlink_to(day / "in")
    monkeypatch.chdir(tmp_path)
    count("link", "--out", "r")
    assert inputs_of(tmp_path / "r")["a.jpg"]["path"] == str(tmp_path / "link" / "a.jpg")


def test_places_of_photos_without_a_survey(day):
    count("in", "--out", "results")
    places = {name: (record["latitude"], record["longitude"]) for name, record in inputs_of(day / "results").items()}
    assert places == {"a.jpg": (48.25, -9.5), "b.jpg": (-33.5, 9.501), "c.png": (None, None)}


def test_a_survey_corrects_places_and_the_report_draws_plots_there(day):
    (day / "in" / "d.jpg").unlink()
    (day / "in" / "plots.csv").write_text(
        "photo,plot,treatment,latitude,longitude\na.jpg,N1,x,,\nb.jpg,N2,y,48.2502,-9.5\nc.png,N3,x,48.2504,-9.5\n"
    )
    count("in", "--out", "results", code=0)
    places = {name: (record["latitude"], record["longitude"]) for name, record in inputs_of(day / "results").items()}
    assert places == {"a.jpg": (48.25, -9.5), "b.jpg": (48.2502, -9.5), "c.png": (48.2504, -9.5)}
    page = (day / "results" / "report.html").read_text()
    assert "Plots by GPS: population and share of singles" in page


def test_paths_of_tapes_are_whole_too(day):
    Path("tape.csv").write_text("# row_length_cm: 60\nplot,row,position_cm\nn,1,4.5\nn,1,22\nn,1,38\n")
    done = runner.invoke(app, ["tape", "tape.csv", "--out", "t"])
    assert done.exit_code == 0, done.output
    assert inputs_of(day / "t")["tape.csv"]["path"] == str(day / "tape.csv")
