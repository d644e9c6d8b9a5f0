"""Names of photos, plots and folders as disks allow them; links, pipes and folders that look like photos."""

import json
import os
import subprocess
import sys
import unicodedata
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from PIL import Image

from standcam import tables
from standcam.batch.inputs import find_inputs
from standcam.errors import UnreadablePhoto, UnwritableResults
from standcam.images.photo import read_photo
from standcam.plants.labels import photo_of
from standcam.report.csv_tables import csv_text, read_table
from standcam.report.file_names import safe_stem, same_name
from standcam.report.results import ResultsWriter, check_out
from standcam.stand.plotmap import join_plot_map, read_plot_map

ROOT = Path(__file__).resolve().parents[2]
posix = pytest.mark.skipif(os.name != "posix", reason="links, pipes and such names")
NAMES = [
    "two words .jpg",
    "-out.jpg",
    "--force.jpg",
    "comma, and 'quotes' \".jpg",
    "=cmd|' C'!A0.jpg",
    "+1+1.jpg",
    "@SUM.jpg",
    "line\nfeed.jpg",
    "car\rriage.jpg",
    "tab\tand\x1b[2Jescape.jpg",
    "größe 玉米 🌽.jpg",
    unicodedata.normalize("NFD", "größe.jpg"),
    unicodedata.normalize("NFC", "größe.jpg"),
    "con.jpg",
    "a:b?c*d<e>|.jpg",
    "trailing. .jpg",
    "x.jpg.jpg",
    "a" * 251 + ".jpg",
    "玉" * 83 + ".jpg",
    "\u202eabc.jpg",
    "NaN.jpg",
    "1e5.jpg",
    "%s{0}$HOME.jpg",
    "[bold]x[#fff].jpg",
    "x;=1+1;.jpg",
    "IMG" + "9" * 240 + ".jpg",
    "#no comment.jpg",
    "survey.toml.jpg",
]


def standcam(*arguments, cwd):
    return subprocess.run(
        [sys.executable, "-m", "standcam.cli.app", *map(str, arguments)],
        capture_output=True, text=True, errors="replace", timeout=60, cwd=cwd,
        env=os.environ | {"PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1"},
    )  # fmt: skip


def told(*arguments, cwd, monkeypatch):
    """The same within this process: quicker, and no guard against waiting for ever."""
    from typer.testing import CliRunner

    from standcam.cli.app import app

    monkeypatch.chdir(cwd)
    return CliRunner().invoke(app, [str(a) for a in arguments])


def picture(path, seed=0):
    path.parent.mkdir(parents=True, exist_ok=True)
    Image.fromarray(np.random.default_rng(seed).integers(60, 120, (30, 40, 3), dtype=np.uint8)).save(path)
    return path


@posix
def test_photos_of_any_name_are_counted_marked_and_come_back(tmp_path):
    for n, name in enumerate(NAMES):
        picture(tmp_path / "in" / name, n)
    picture(tmp_path / "in" / "other" / NAMES[0], 90)
    (tmp_path / "in" / os.fsdecode(b"no \xff unicode.jpg")).write_bytes(b"")
    done = standcam("count", "in", "--out", "out", cwd=tmp_path)
    assert done.returncode == 1, done.stderr
    assert "fault" not in done.stdout + done.stderr
    assert "\x1b[2J" not in done.stdout + done.stderr and "\u202e" not in done.stdout
    rows = read_table(tmp_path / "out", tables.ROWS)
    run = json.loads((tmp_path / "out" / "run.json").read_text(encoding="utf-8"))
    expected = {name for name in NAMES if name != NAMES[0]} | {f"in/{NAMES[0]}", f"other/{NAMES[0]}"}
    assert set(rows["photo"]) == expected
    assert {record["photo"] for record in run["inputs"]} == expected
    marked = [record["marked"] for record in run["inputs"]]
    assert len({same_name(name) for name in marked}) == len(expected)
    assert {p.name for p in (tmp_path / "out" / "marked").iterdir()} == set(marked)
    assert all(not set(name) & set('<>:"/\\|?*\r\n\t') and len(os.fsencode(name)) <= 255 for name in marked)
    problems = read_table(tmp_path / "out", tables.PROBLEMS)
    assert len(problems) == 1 and "0 bytes" in problems.loc[0, "reason"]
    text = (tmp_path / "out" / "rows.csv").read_text(encoding="utf-8")
    assert not [line for line in text.split("\n") if line[:1] in "=+@-\t" and line]


@posix
def test_a_photo_whose_name_begins_with_a_dash_can_be_named(tmp_path, monkeypatch):
    picture(tmp_path / "-x.jpg")
    call = ("count", "--out", "out", "--no-marked", "--", "-x.jpg")
    assert told(*call, cwd=tmp_path, monkeypatch=monkeypatch).exit_code == 0
    assert told("count", "-x.jpg", cwd=tmp_path, monkeypatch=monkeypatch).exit_code == 2


@pytest.mark.parametrize("name", [*NAMES, "a\r\nb", "\n=1", " lead", "'", '"', "\u2028", "\x0b", "nan", "None"])
def test_any_name_survives_the_tables(tmp_path, name):
    frame = tables.conform(
        tables.PROBLEMS, pd.DataFrame({"path": [name, "b"], "reason": [name, "c"], "remedy": ["x", name]})
    )
    (tmp_path / "problems.csv").write_bytes(csv_text(tables.PROBLEMS, frame).encode())
    pd.testing.assert_frame_equal(read_table(tmp_path, tables.PROBLEMS), frame)


def test_names_of_marked_photos():
    assert safe_stem("a" * 300) != safe_stem("a" * 299) and len(safe_stem("a" * 300)) == 200
    assert len(safe_stem("玉" * 300).encode()) <= 200
    assert [safe_stem(n) for n in ("nul", "LPT1.x", "console", "x. ", "..", "")] == [
        "_nul",
        "_LPT1.x",
        "console",
        "x",
        "_",
        "_",
    ]


def test_marked_names_of_one_look_stay_apart(tmp_path):
    with ResultsWriter(tmp_path / "out") as writer:
        names = [writer.add_marked(unicodedata.normalize(form, "größe.jpg"), b"x") for form in ("NFC", "NFD")]
    assert len({same_name(name) for name in names}) == 2


def test_accents_are_one_name_to_people_whatever_the_disk(tmp_path):
    nfd, nfc = (unicodedata.normalize(form, "größe") for form in ("NFD", "NFC"))
    assert photo_of(f"{nfc}.jpg", [f"{nfd}.jpg"], [Path(f"/in/{nfd}.jpg")]) == 0
    assert photo_of(f"in/{nfc}.jpg", ["x"], [Path(f"/in/{nfd}.jpg")]) == 0
    (tmp_path / "map.csv").write_text(f"plot,treatment\n{nfc},slow\n", encoding="utf-8")
    rows = pd.DataFrame({"photo": ["a"], "plot": [nfd], "row": [1]})
    joined, notes = join_plot_map(rows, read_plot_map(tmp_path / "map.csv"))
    assert joined.loc[0, "treatment"] == "slow" and notes == []


# ---- what is no photo, though it looks like one


@posix
def test_pipes_devices_and_broken_links_in_a_folder_are_problems_and_hold_nothing_up(tmp_path):
    folder = tmp_path / "in"
    picture(folder / "good.jpg")
    os.mkfifo(folder / "pipe.jpg")
    (folder / "device.png").symlink_to("/dev/zero")
    (folder / "broken.jpg").symlink_to(tmp_path / "nowhere.jpg")
    (folder / "round.jpg").symlink_to(folder / "round.jpg")
    (folder / "folder.jpg").mkdir()
    picture(folder / "folder.jpg" / "inside.jpg", 1)
    done = standcam("count", "in", "--out", "out", "--no-marked", cwd=tmp_path)
    assert done.returncode == 1, done.stderr
    assert set(read_table(tmp_path / "out", tables.ROWS)["photo"]) == {"good.jpg", "inside.jpg"}
    problems = read_table(tmp_path / "out", tables.PROBLEMS)
    reasons = dict(zip(problems["path"].map(lambda p: Path(p).name), problems["reason"], strict=True))
    assert set(reasons) == {"pipe.jpg", "device.png", "broken.jpg", "round.jpg"}
    assert "pipe or device" in reasons["pipe.jpg"] and "pipe or device" in reasons["device.png"]
    assert "cannot be read" in reasons["broken.jpg"] and "cannot be read" in reasons["round.jpg"]


@posix
def test_links_to_folders_are_followed_but_never_to_one_above(tmp_path):
    season, elsewhere = tmp_path / "season", tmp_path / "card"
    picture(season / "day" / "a.jpg")
    picture(season / "other day" / "b.jpg", 1)
    picture(elsewhere / "c.jpg", 2)
    (season / "day" / "card").symlink_to(elsewhere)
    (season / "day" / "up").symlink_to(season)
    (season / "day" / "disk").symlink_to("/")
    (season / "day" / "self").symlink_to(season / "day")
    (elsewhere / "back").symlink_to(season / "day")
    inputs, problems = find_inputs([season / "day"])
    assert sorted(i.photo for i in inputs) == ["a.jpg", "c.jpg"] and problems == []


@pytest.fixture
def without_rights(tmp_path, monkeypatch):
    """Works in ``tmp_path`` as somebody whom rights bind, also where the tests run as root; paths must be relative."""
    if os.name != "posix":
        pytest.skip("rights of POSIX")
    monkeypatch.chdir(tmp_path)
    tmp_path.chmod(0o777)
    root = os.geteuid() == 0
    if root:
        os.setresuid(65534, 65534, 0)  # the saved one lets us come back
    yield tmp_path
    if root:
        os.setresuid(0, 0, 0)


def test_a_photo_without_rights_is_a_problem(without_rights):
    picture(Path("in/a.jpg")).chmod(0)
    picture(Path("in/locked/b.jpg")).parent.chmod(0)
    inputs, problems = find_inputs([Path("in")])
    assert [i.photo for i in inputs] == ["a.jpg"]
    assert [p.reason for p in problems] == ["in/locked cannot be read: Permission denied."]
    with pytest.raises(UnreadablePhoto, match=r"a\.jpg cannot be read: Permission denied"):
        read_photo(inputs[0].path)
    Path("in/locked").chmod(0o700)


def test_a_read_only_place_for_results_is_refused_before_any_work(without_rights):
    for name in ("locked", "locked/deep", "locked/deep/er"):
        Path("locked").mkdir(exist_ok=True)
        Path("locked").chmod(0o500)
        with pytest.raises(UnwritableResults, match="Nothing can be written in locked"):
            check_out(name)


def test_a_photo_that_went_away_after_it_was_listed_is_a_problem(tmp_path):
    from standcam.batch.run import count_photos
    from standcam.settings import Settings

    kept, gone = picture(tmp_path / "a.png"), picture(tmp_path / "b.png", 1)
    inputs, _ = find_inputs([tmp_path])
    gone.unlink()
    batch = count_photos(inputs, Settings())
    assert [m.path for m in batch.measurements] == [kept]
    assert batch.problems["reason"].tolist() == ["b.png cannot be read: No such file or directory."]


# ---- the results folder


def test_results_in_the_folder_of_the_photos_or_below_it_are_no_photos_of_the_next_run(tmp_path, monkeypatch):
    picture(tmp_path / "in" / "a.jpg")
    for out in ("in", "in/results"):
        for _ in range(2):
            done = told("count", "in", "--out", out, "--force", cwd=tmp_path, monkeypatch=monkeypatch)
            assert done.exit_code == 0, done.stderr
            assert read_table(tmp_path / out, tables.ROWS)["photo"].tolist() == ["a.jpg"]


@posix
def test_results_that_cannot_be_put_are_refused_before_any_work(tmp_path, monkeypatch):
    picture(tmp_path / "a.jpg")
    (tmp_path / "file").write_text("mine")
    (tmp_path / "broken").symlink_to(tmp_path / "nowhere" / "deep")
    os.mkfifo(tmp_path / "pipe")
    for out in ("file", "file/deep", "pipe", "x" * 300, "/proc/no"):
        done = told("count", "a.jpg", "--out", out, "--no-marked", cwd=tmp_path, monkeypatch=monkeypatch)
        assert done.exit_code == 2, (out, done.stdout)
        assert done.stderr.count("\n") == 1 and done.stderr.startswith("standcam: "), done.stderr
        assert "Traceback" not in done.stderr
    assert (tmp_path / "file").read_text() == "mine"


@posix
def test_a_results_folder_of_the_longest_name_is_made(tmp_path):
    out = tmp_path / ("r" * 255)
    with ResultsWriter(out) as writer:
        writer.finish_files({"a.txt": "x"}, {})
    assert (out / "run.json").exists() and [p.name for p in tmp_path.iterdir()] == [out.name]


def test_a_clock_that_was_set_back_is_said(tmp_path):
    from datetime import UTC, datetime, timedelta

    from standcam.report.run_file import run_record
    from standcam.settings import Settings

    record = run_record("count", Settings(), [], datetime.now(UTC) + timedelta(hours=2), ["a note"])
    assert record["seconds"] is None and record["started"] > record["finished"]
    assert record["notes"][0] == "a note" and "clock was set back" in record["notes"][1]
    forward = run_record("count", Settings(), [], datetime.now(UTC) - timedelta(seconds=5))
    assert 5 <= forward["seconds"] < 60 and forward["notes"] == []
