"""A count that is broken off, meets a full disk, a second run or a dead worker gives no half results."""

import errno
import json
import os
import random
import re
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


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    """The photos at half their size: what is tested here is files and processes, and counting is to be quick."""
    import cv2

    folder = tmp_path_factory.mktemp("small")
    for name in (*NAMES, "fast_4_weeds.jpg"):
        half = cv2.resize(cv2.imread(str(PHOTOS / name)), None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
        cv2.imwrite(str(folder / name), half, [cv2.IMWRITE_JPEG_QUALITY, 93])
    return folder


@pytest.fixture
def photos(small, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "in").mkdir()
    for name in NAMES:
        shutil.copy(small / name, tmp_path / "in" / name)
    return tmp_path / "in"


COUNT = ["count", "in", "--row-width-cm", "76", "--nominal-cm", "16.5", "--no-report"]


def count(*arguments, locator="shape"):
    store.program_digest.cache_clear()  # as a process started now, should somebody be at work on the program
    return CliRunner().invoke(app, [*COUNT, "--locator", locator, *map(str, arguments)])


def started(*arguments) -> subprocess.Popen:
    """The program in a process of its own."""
    line = [sys.executable, "-c", "from standcam.cli.app import main; main()", *COUNT, "--locator", "shape"]
    here = os.environ | {"PYTHONPATH": str(PHOTOS.parent)}
    return subprocess.Popen(
        [*line, *map(str, arguments)], env=here, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True
    )


def wait_for(what, running: subprocess.Popen) -> None:
    """Wait until something is there, or the program has ended."""
    until = time.monotonic() + 120
    while not what() and running.poll() is None:
        assert time.monotonic() < until
        time.sleep(0.002)


def pieces(beside: str = ".out.standcam-work") -> int:
    return sum("." not in p.name for p in Path(beside).glob("pieces/*/*"))


def tables_of(out: Path) -> dict[str, bytes]:
    return {name: (out / name).read_bytes() for name in TABLES} | {
        p.name: p.read_bytes() for p in sorted((out / "marked").iterdir())
    }


def notes_of(out: Path) -> str:
    return " ".join(json.loads((out / "run.json").read_text(encoding="utf-8"))["notes"])


@pytest.fixture(scope="module")
def calm(small, tmp_path_factory):
    """Results of an undisturbed count by one process."""
    folder = tmp_path_factory.mktemp("calm")
    before = os.getcwd()
    os.chdir(folder)
    try:
        (folder / "in").mkdir()
        for name in NAMES:
            shutil.copy(small / name, folder / "in" / name)
        assert count("--out", "out", "--workers", 1).exit_code == 0
        return folder / "out"
    finally:
        os.chdir(before)


@pytest.fixture(scope="module")
def undisturbed(calm):
    return tables_of(calm)


@pytest.fixture
def counted_before(calm, photos):
    """As if these photos had been counted here: pieces are known by content, not by place."""
    shutil.copytree(calm, "out")


@pytest.mark.parametrize("locator", ["learned", "shape"])
def test_processes_give_what_one_process_gives(photos, locator):
    for workers in (1, 2):
        assert count("--out", f"out{workers}", "--workers", workers, locator=locator).exit_code == 0
    assert tables_of(Path("out1")) == tables_of(Path("out2"))


def killed_and_resumed(running: subprocess.Popen) -> bool:
    """Kill a count now and call again; whether the kill came before its end."""
    with running:
        early = running.poll() is None and not Path("out").exists()
        running.send_signal(signal.SIGKILL)
    done = count("--out", "out", "--force", "--workers", 1)
    assert done.exit_code == 0, done.output
    # workers of a killed run end by themselves, and what they had written stays away from the results
    left = [p.name for p in Path().iterdir() if p.name not in ("in", "out")]
    assert left == [], left
    return early


@pytest.mark.parametrize(("workers", "after"), [(1, "counting"), (2, "counting"), (1, "drawing")])
def test_a_killed_count_goes_on_to_the_undisturbed_result(photos, undisturbed, workers, after):
    running = started("--out", "out", "--workers", workers)
    if after == "counting":
        wait_for(lambda: pieces() >= 2, running)
    else:
        wait_for(lambda: any(Path(".out.standcam-work").glob(".standcam-*/marked/*")), running)
    assert killed_and_resumed(running), "the kill came too late"
    assert tables_of(Path("out")) == undisturbed
    assert re.search(r"[234] of 4 photos had been counted before", notes_of(Path("out")))


@pytest.mark.speed
def test_a_hundred_kills(photos, undisturbed):
    chance = random.Random(7)
    early, whole_s = 0, {}
    for workers in (1, 2):  # how long a run takes here and now, so that the kills fall within it
        since = time.monotonic()
        with started("--out", f"whole{workers}", "--workers", workers) as whole:
            assert whole.wait() == 0
        whole_s[workers] = time.monotonic() - since
        shutil.rmtree(f"whole{workers}")
    for k in range(100):
        shutil.rmtree("out", ignore_errors=True)
        workers = 1 + k % 2
        running = started("--out", "out", "--workers", workers)
        time.sleep(chance.uniform(0.1, 1.0) * whole_s[workers])
        early += killed_and_resumed(running)
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


def test_only_changed_photos_and_changed_settings_are_counted_again(photos, small, counted_before, monkeypatch):
    assert counted("out", monkeypatch) == []
    shutil.copy(small / "fast_4_weeds.jpg", photos / NAMES[0])
    os.utime(photos / NAMES[0], (0, 0))  # an older time than before: content decides
    assert counted("out", monkeypatch) == [NAMES[0]]
    (photos / "survey.toml").write_text("[stems]\ncrop_probability = 0.6\n")
    assert sorted(counted("out", monkeypatch)) == sorted(NAMES)
    (photos / "survey.toml").write_text("[stems]\ncrop_probability = 0.6\n[statistics]\nlevel = 0.9\n")
    assert counted("out", monkeypatch) == []


def test_a_damaged_piece_counts_as_none(photos, counted_before, undisturbed):
    kept = [p for p in Path("out/.standcam-work").rglob("*") if p.is_file() and p.stat().st_size > 1000]
    assert len(kept) == len(NAMES)
    for k, piece in enumerate(kept):
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


def test_a_second_process_on_one_folder_is_refused_and_disturbs_nothing(photos, undisturbed):
    first = started("--out", "out", "--workers", 1)
    wait_for(lambda: os.path.isfile(".out.standcam-work/lock") and pieces() > 0, first)
    first.send_signal(signal.SIGSTOP)  # so that it is still at work when the second has started
    assert first.poll() is None and not Path("out").exists()
    second = started("--out", "out", "--workers", 1)
    said = second.communicate(timeout=60)[1]
    first.send_signal(signal.SIGCONT)
    assert second.returncode == 2
    assert f"out is in the hands of another run of standcam (process {first.pid}" in " ".join(said.split())
    with first:
        pass
    assert first.returncode == 0 and tables_of(Path("out")) == undisturbed


@pytest.fixture
def disk(photos):
    """A file system of its own, whose size can be set."""
    place = Path("disk").absolute()
    place.mkdir()

    def sized(kb: int, first: bool = False) -> None:
        kind = ["-t", "tmpfs", "-o", f"size={kb}k", "tmpfs"] if first else ["-o", f"remount,size={kb}k"]
        done = subprocess.run(["mount", *kind, str(place)], capture_output=True)
        if done.returncode:
            pytest.skip(f"nothing can be mounted here: {done.stderr.decode().strip()}")

    if shutil.which("mount") is None or not sys.platform.startswith("linux"):
        pytest.skip("no mount")
    sized(4, first=True)
    yield sized
    # lazily, for what was raised may still hold a file open
    subprocess.run(["umount", "-l", str(place)], check=True)


@pytest.mark.parametrize(("kb", "counted_by_then"), [(100, ""), (400, "[12]"), (900, "[34]")])
def test_a_disk_that_is_really_full(disk, undisturbed, kb, counted_by_then):
    """On a small file system: too small for one photo, for all photos, for the marked ones; then it is made larger."""
    disk(kb)
    for _ in range(2):
        full = count("--out", "disk/out", "--workers", 1)
        assert full.exit_code == 2 and "No space left" in full.stderr and "Free some space" in full.stderr, full.stderr
        assert not Path("disk/out").exists()
    disk(20_000)
    done = count("--out", "disk/out", "--workers", 1)
    assert done.exit_code == 0, done.output
    assert tables_of(Path("disk/out")) == undisturbed
    kept = re.search(r"(\d) of 4 photos had been counted before", notes_of(Path("disk/out")))
    assert re.fullmatch(counted_by_then, kept[1] if kept else "")


def failing(tried: list[str]):
    """As reading photos, and writes down which are tried."""
    real = run.read_photo

    def spy(path, *rest):
        tried.append(Path(path).name)
        return real(path, *rest)

    return spy


def test_a_photo_that_cannot_be_used_is_tried_again_only_when_its_bytes_change(photos, small, monkeypatch):
    whole = (photos / NAMES[0]).read_bytes()
    for name in NAMES[1:]:
        (photos / name).unlink()
    (photos / "cut.jpg").write_bytes(whole[: len(whole) // 2])
    tried: list[str] = []
    monkeypatch.setattr(run, "read_photo", failing(tried))
    assert count("--out", "out", "--workers", 1).exit_code == 1 and sorted(tried) == ["cut.jpg", NAMES[0]]
    problems = Path("out/problems.csv").read_bytes()
    assert b"cut short" in problems
    for _ in range(2):  # the piece of a failure stays with the results, as those of successes do
        tried.clear()
        assert count("--out", "out", "--force", "--workers", 1).exit_code == 1
        assert "cut.jpg" not in tried and Path("out/problems.csv").read_bytes() == problems  # others are drawn anew
        assert "1 photo that could not be used before was not tried again" in notes_of(Path("out"))
    os.rename(photos / "cut.jpg", photos / "renamed.jpg")  # what is said of it repeats its name
    assert count("--out", "out", "--force", "--workers", 1).exit_code == 1 and "renamed.jpg" in tried
    (photos / "renamed.jpg").write_bytes((small / NAMES[1]).read_bytes())
    tried.clear()
    assert count("--out", "out", "--force", "--workers", 1).exit_code == 0 and "renamed.jpg" in tried


def test_a_photo_still_being_copied_is_not_remembered_as_one_that_fails(photos, monkeypatch):
    """Its bytes are whole by the time they are looked at: that must not make them those of a failure."""
    whole = (photos / NAMES[0]).read_bytes()
    (photos / NAMES[0]).write_bytes(whole[:5000])
    real = run.read_photo

    def slow(path, *rest):
        try:
            return real(path, *rest)
        finally:
            Path(path).write_bytes(whole if path.name == NAMES[0] else Path(path).read_bytes())

    monkeypatch.setattr(run, "read_photo", slow)
    assert count("--out", "out", "--workers", 1).exit_code == 1
    monkeypatch.setattr(run, "read_photo", real)
    assert count("--out", "out", "--force", "--workers", 1).exit_code == 0


@pytest.mark.parametrize("which", [0, 1, 3, 6])
def test_a_full_disk_leaves_earlier_results_and_what_was_counted(photos, counted_before, monkeypatch, which):
    before = tables_of(Path("out"))
    (photos / "survey.toml").write_text("[stems]\ncrop_probability = 0.6\n")
    calls = [0]

    def full(real):
        def write(path, data):
            calls[0] += 1
            if calls[0] > which:
                raise OSError(errno.ENOSPC, "No space left on device")
            return real(path, data)

        return write

    with monkeypatch.context() as patched:
        for where, name in ((Path, "write_bytes"), (store, "_write")):
            patched.setattr(where, name, full(getattr(where, name)))
        done = count("--out", "out", "--force", "--workers", 1)
    assert done.exit_code == 2 and "No space left" in done.stderr and "Free some space" in done.stderr
    assert tables_of(Path("out")) == before
    assert json.loads(Path("out/run.json").read_text())["settings"]["stems"]["crop_probability"] == 0.5
    assert count("--out", "out", "--force", "--workers", 1).exit_code == 0


def test_a_photo_that_changes_while_it_is_drawn_keeps_its_numbers_and_says_so(photos, small, monkeypatch):
    assert count("--out", "out", "--workers", 1).exit_code == 0
    real = run.chain_photos

    def late(*rest):
        shutil.copy(small / "fast_4_weeds.jpg", photos / NAMES[0])  # after counting, before drawing
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


def process_of(_: int) -> int:
    time.sleep(0.05)  # so that one alone does not do them all
    return os.getpid()


def test_processes_stay_for_the_next_jobs_and_end_with_the_block():
    with pool.Spread(2) as spread:
        first, second = (set(spread.map(process_of, range(8))) for _ in range(2))
        assert second == first and len(first) == 2 and os.getpid() not in first
        assert list(spread.map(dies_at_two, range(4), lambda k: -k)) == [0, 1, -2, 9]
        third = set(spread.map(process_of, range(8)))
        assert len(third) == 2 and not third & first
    assert not any(Path(f"/proc/{pid}").exists() for pid in third)


def test_no_store_no_trace(photos, tmp_path):
    inputs, problems = find_inputs([photos], tmp_path / "out")
    batch = run.count_photos(inputs, Settings().replace("stems", locator="shape"), problems)
    assert len(batch.measurements) == len(NAMES) and batch.reused == 0
    assert sorted(p.name for p in tmp_path.iterdir()) == ["in"]


def test_a_store_in_a_place_that_cannot_be_written(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(UnwritableResults):
        store.WorkStore(tmp_path / "file" / "out")
