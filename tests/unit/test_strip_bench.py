"""The bench of mosaics: pieces that are what they should be, a reading that reads, runs that are watched."""

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rasterio
from typer.testing import CliRunner

from standcam import strip_bench
from standcam.batch_bench import BenchFailed
from standcam.cli.app import app

ORTHO = Path(__file__).parents[2] / "demo-images" / "strips" / "trial_strip.tif"


def read(path, **words):
    with rasterio.open(path) as file:
        return file.read(**words), file.transform, file.crs, file.block_shapes[0]


@pytest.fixture
def plain(tmp_path):
    """A mosaic without losses."""
    path = tmp_path / "plain.tif"
    pixels = np.random.default_rng(1).integers(0, 256, (3, 70, 90), np.uint8)
    with rasterio.open(
        path, "w", driver="GTiff", dtype="uint8", count=3, width=90, height=70, crs="EPSG:32615", compress="deflate",
        transform=rasterio.Affine(0.005, 0, 5e5, 0, -0.005, 4.65e6),
    ) as file:  # fmt: skip
        file.write(pixels)
    return path


def test_a_mosaic_is_repeated_mirrored(plain, tmp_path):
    """As numpy pads it."""
    made = strip_bench.mosaic_of(plain, tmp_path / "large.tif", 1100, 700)
    small, place, system, _ = read(plain)
    large, place_2, system_2, block = read(made)
    wanted = np.pad(small, ((0, 0), (0, 630), (0, 1010)), mode="symmetric")
    np.testing.assert_array_equal(large, wanted)
    assert (place, system, block) == (place_2, system_2, (512, 512))


def test_a_piece_of_a_mosaic_is_its_beginning(tmp_path):
    made = strip_bench.mosaic_of(ORTHO, tmp_path / "piece.tif", 600, 520)
    piece, place, _, _ = read(made)
    whole, wanted, _, _ = read(ORTHO, window=rasterio.windows.Window(0, 0, 600, 520))
    assert piece.shape == (3, 520, 600) and place == wanted
    assert np.abs(piece.astype(int) - whole).mean() < 6  # JPEG twice


def test_whole_runs_are_timed_against_reading(tmp_path):
    """The demonstration strip's upper half and all of it."""
    steps = []
    table = strip_bench.run(ORTHO, None, 2, shares=(0.5, 1.0), on_step=steps.append)
    assert table["processes"].tolist() == [1, 2, 1, 2] and len(steps) == 9
    assert table["megapixels"].iloc[0] == pytest.approx(table["megapixels"].iloc[2] / 2, rel=0.01)
    assert (table["mpx_per_s"] * table["seconds"]).to_numpy() == pytest.approx(table["megapixels"].to_numpy())
    ratio = table["share_of_reading"] * table["read_mpx_per_s"] / table["mpx_per_s"]
    assert ratio.to_numpy() == pytest.approx(1.0)
    if sys.platform.startswith("linux"):
        one = table[table["processes"] == 1]
        assert (one["cpu_s"] <= 1.1 * one["seconds"]).all() and (one["cpu_s"] > 0.5).all()
        assert table["largest_mb"].between(100, 1000).all() and (table["sum_mb"] > 100).all()
    text = "\n".join(strip_bench.table_lines(table))
    assert "of reading" in text and "2 processes: one more megapixel takes" in text


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="asks the system")
def test_a_watch_sees_what_a_program_starts():
    """A child of a child takes 200 MB and half a second of processor."""
    grand = (
        "import time; a = bytearray(200_000_000); t = time.process_time()\nwhile time.process_time() < t + 0.5: pass"
    )
    code = f"import subprocess, sys, time; subprocess.run([sys.executable, '-c', {grand!r} + '\\ntime.sleep(0.6)'])"
    program = subprocess.Popen([sys.executable, "-c", code], start_new_session=True)
    watch = strip_bench.Watch(program.pid)
    program.wait()
    watch.end()
    assert 190 < watch.largest_mb < 300 and watch.sum_mb > 190
    assert 0.4 < watch.cpu_s < 3


def test_a_run_that_fails_is_told(tmp_path):
    (tmp_path / "no.tif").write_bytes(b"II*\0 nothing")
    with pytest.raises(BenchFailed, match=r"no\.tif ended with 2"):
        strip_bench.measured_run(tmp_path / "no.tif", tmp_path, 1)
    told = CliRunner().invoke(app, ["bench", "strip", "--ortho", str(tmp_path / "no.tif")])
    assert told.exit_code == 2 and "no.tif" in told.output


def test_the_command_prints_a_table_and_writes_it(tmp_path, monkeypatch):
    line = {"processes": 1, "seconds": 10.0, "mpx_per_s": 3.0, "read_mpx_per_s": 100.0, "share_of_reading": 0.03,
            "share_of_reading_by_cpu": 0.033, "cpu_s": 9.0, "read_cpu_s": 0.3, "largest_mb": 400.0,
            "sum_mb": 500.0}  # fmt: skip
    lines = [{"megapixels": 30.0, **line}, {"megapixels": 60.0, **line, "seconds": 18.0}]
    asked = []
    monkeypatch.setattr(strip_bench, "run", lambda *words, **_: asked.append(words) or pd.DataFrame(lines))
    csv = tmp_path / "b.csv"
    told = CliRunner().invoke(app, ["bench", "strip", "--ortho", str(ORTHO), "--workers", "2", "--csv", str(csv)])
    assert told.exit_code == 0, told.output
    assert asked == [(ORTHO, None, 2, 1)]
    assert "1 process: one more megapixel takes 267 ms; start and end 2.0 s" in told.output
    assert pd.read_csv(csv)["largest_mb"].tolist() == [400, 400]
    assert os.environ.get("PYTEST_CURRENT_TEST")
