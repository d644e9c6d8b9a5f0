"""A count that is broken off, meets a full disk, a second run or a dead worker gives no half results."""

import errno
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pandas as pd
import pytest
from typer.testing import CliRunner

from standcam.batch import pool, run, store
from standcam.batch.inputs import find_inputs
from standcam.cli.app import app
from standcam.errors import ResultsBusy, UnwritableResults
from standcam.settings import Settings

PHOTOS = Path(__file__).parents[2] / "demo-images"
NAMES = ("slow_1_board.jpg", "slow_2_stick.jpg", "soy_1_board.jpg", "fast_3_double.jpg")
TABLES = ("plants.csv", "gaps.csv", "rows.csv", "plots.csv", "problems.csv")


@pytest.fixture
def photos(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "in").mkdir()
    for name in NAMES:
        shutil.copy(PHOTOS / name, tmp_path / "in" / name)
    return tmp_path / "in"


def count(*arguments):
    return CliRunner().invoke(
        app, ["count", "in", "--row-width-cm", "76", "--nominal-cm", "16.5", "--no-report", *map(str, arguments)]
    )


def tables_of(out: Path) -> dict[str, bytes]:
    return {name: (out / name).read_bytes() for name in TABLES} | {
        p.name: p.read_bytes() for p in sorted((out / "marked").iterdir())
    }


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory):
    folder = tmp_path_factory.mktemp("calm")
    before = os.getcwd()
    os.chdir(folder)
    try:
        (folder / "in").mkdir()
        for name in NAMES:
            shutil.copy(PHOTOS / name, folder / "in" / name)
        assert count("--out", "out", "--workers", 1).exit_code == 0
        return tables_of(folder / "out")
    finally:
        os.chdir(before)


def test_processes_give_what_one_process_gives(photos, undisturbed):
    assert count("--out", "out", "--workers", 2).exit_code == 0
    assert tables_of(Path("out")) == undisturbed


def killed_and_resumed(after_s: float) -> bool:
    """Kill a count after so many seconds, call again; whether the kill came before its end."""
    shutil.rmtree("out", ignore_errors=True)
    line = [sys.executable, "-c", "from standcam.cli.app import main; main()", "count", "in", "--row-width-cm", "76"]
    line += ["--nominal-cm", "16.5", "--no-report", "--out", "out", "--workers", "1"]
    here = {"PYTHONPATH": str(PHOTOS.parent)}
    running = subprocess.Popen(line, env=os.environ | here, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    time.sleep(after_s)
    ended = running.poll() is None
    running.send_signal(signal.SIGKILL)
    running.wait()
    done = count("--out", "out", "--force", "--workers", 1)
    assert done.exit_code == 0, done.output
    left = [p.name for p in Path().iterdir() if p.name not in ("in", "out")]
    assert left == [], left
    return ended


@pytest.mark.parametrize("seed", range(3))
def test_a_killed_count_goes_on_to_the_undisturbed_result(photos, undisturbed, seed):
    killed_and_resumed(random.Random(seed).uniform(1.0, 3.5))
    assert tables_of(Path("out")) == undisturbed


@pytest.mark.speed
def test_a_hundred_kills(photos, undisturbed):
    chance = random.Random(7)
    early = 0
    for _ in range(100):
        early += killed_and_resumed(chance.uniform(0.5, 4.5))
        assert tables_of(Path("out")) == undisturbed
    assert early >= 50


def counted(out, monkeypatch) -> list[str]:
    """Names of photos that a count really measures."""
    seen = []
    real = run.measure_photo

    def spy(photo, *rest, **more):
        seen.append(photo.path.name)
        return real(photo, *rest, **more)

    monkeypatch.setattr(run, "measure_photo", spy)
    assert count("--out", out, "--force", "--workers", 1).exit_code == 0
    monkeypatch.setattr(run, "measure_photo", real)
    return seen


def test_only_changed_photos_and_changed_settings_are_counted_again(photos, monkeypatch):
    assert sorted(counted("out", monkeypatch)) == sorted(NAMES)
    assert counted("out", monkeypatch) == []
    shutil.copy(PHOTOS / "fast_4_weeds.jpg", photos / NAMES[0])
    os.utime(photos / NAMES[0], (0, 0))  # an older time than before: content decides
    assert counted("out", monkeypatch) == [NAMES[0]]
    (photos / "survey.toml").write_text("[stems]\ncrop_probability = 0.6\n")
    assert sorted(counted("out", monkeypatch)) == sorted(NAMES)
    (photos / "survey.toml").write_text("[stems]\ncrop_probability = 0.6\n[statistics]\nlevel = 0.9\n")
    assert counted("out", monkeypatch) == []


def test_a_damaged_piece_counts_as_none(photos, undisturbed):
    assert count("--out", "out", "--workers", 1).exit_code == 0
    pieces = [p for p in Path("out/.standcam-work").rglob("*") if p.is_file() and p.stat().st_size > 1000]
    assert pieces
    for k, piece in enumerate(pieces):
        data = piece.read_bytes()
        piece.write_bytes(data[: len(data) // 2] if k % 2 else bytes([data[0] ^ 255]) + data[1:])
    assert count("--out", "out", "--force", "--workers", 1).exit_code == 0
    assert tables_of(Path("out")) == undisturbed


def test_two_runs_on_one_folder_do_not_mix(photos):
    with store.WorkStore("out"):
        refused = count("--out", "out")
        assert refused.exit_code == 2 and "out is in the hands of another run" in refused.stderr
        with pytest.raises(ResultsBusy):
            store.WorkStore("out")
    assert count("--out", "out", "--workers", 1).exit_code == 0


@pytest.mark.parametrize("which", [0, 1, 3, 6])
def test_a_full_disk_leaves_earlier_results_and_what_was_counted(photos, monkeypatch, which):
    assert count("--out", "out", "--workers", 1).exit_code == 0
    before = tables_of(Path("out"))
    (photos / "survey.toml").write_text("[stems]\ncrop_probability = 0.6\n")
    real, calls = Path.write_bytes, [0]

    def full(self, data):
        calls[0] += 1
        if calls[0] > which:
            raise OSError(errno.ENOSPC, "No space left on device")
        return real(self, data)

    monkeypatch.setattr(Path, "write_bytes", full)
    done = count("--out", "out", "--force", "--workers", 1)
    assert done.exit_code == 2 and "No space left" in done.stderr and "Free some space" in done.stderr
    monkeypatch.setattr(Path, "write_bytes", real)
    assert tables_of(Path("out")) == before
    assert json.loads(Path("out/run.json").read_text())["settings"]["stems"]["crop_probability"] == 0.5
    assert count("--out", "out", "--force", "--workers", 1).exit_code == 0


def test_a_photo_that_changes_while_it_is_drawn_keeps_its_numbers_and_says_so(photos, monkeypatch):
    assert count("--out", "out", "--workers", 1).exit_code == 0
    real = run.chain_photos

    def late(*rest):
        shutil.copy(PHOTOS / "fast_4_weeds.jpg", photos / NAMES[0])  # after counting, before drawing
        return real(*rest)

    monkeypatch.setattr(run, "chain_photos", late)
    done = count("--out", "out", "--force", "--workers", 1)
    assert "could not be drawn: the file has changed since" in " ".join(
        json.loads(Path("out/run.json").read_text())["notes"]
    )
    assert done.exit_code == 0
    rows = pd.read_csv("out/rows.csv")
    assert set(rows["photo"]) == set(NAMES)


def dies_at_two(k: int) -> int:
    if k == 2:
        os.kill(os.getpid(), signal.SIGKILL)
    return k * k


def test_a_killed_worker_costs_its_own_job_only():
    assert list(pool.map_jobs(dies_at_two, range(6), 2, lost=lambda k: -k)) == [0, 1, -2, 9, 16, 25]


def test_no_store_no_trace(photos, tmp_path):
    inputs, problems = find_inputs([photos], tmp_path / "out")
    batch = run.count_photos(inputs, Settings(), problems)
    assert len(batch.measurements) == len(NAMES) and batch.reused == 0
    assert sorted(p.name for p in tmp_path.iterdir()) == ["in"]


def test_a_store_in_a_place_that_cannot_be_written(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(UnwritableResults):
        store.WorkStore(tmp_path / "file" / "out")
