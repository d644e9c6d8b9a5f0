"""Memory of the master process, counting photos that measure as a made-up row: flat but for the tables."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

CHILD = """
import resource, sys
sys.path[:0] = [{root!r}, {tests!r}]
from fixtures.measured import measured
from standcam.batch import run
from standcam.cli.app import app
from typer.testing import CliRunner

places = tuple(8.0 + 15.0 * k for k in range(7))
run.measure_photo = lambda photo, settings=None, plot=None, looks=False: measured(photo, places, plot=plot)
done = CliRunner().invoke(app, ["count", sys.argv[1], "--out", sys.argv[2], "--row-width-cm", "76", "--nominal-cm",
    "15", "--no-report", "--no-marked", "--tables", "none", "--workers", "1"])
assert done.exit_code == 0, done.output
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024)
"""


def peak_mb(folder: Path, photos: int) -> int:
    import numpy as np
    from PIL import Image

    (folder / "in").mkdir(parents=True)
    rng = np.random.default_rng(0)
    for k in range(photos):
        Image.fromarray(rng.integers(60, 120, (40, 80, 3), dtype=np.uint8)).save(folder / "in" / f"{k}.png")
    root = Path(__file__).parents[2]
    code = CHILD.format(root=str(root), tests=str(root / "tests"))
    line = [sys.executable, "-c", code, str(folder / "in"), str(folder / "out")]
    done = subprocess.run(line, capture_output=True, text=True, env=os.environ | {"OMP_NUM_THREADS": "1"})
    assert done.returncode == 0, done.stderr
    return int(done.stdout)


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="peaks are told in kB on Linux")
@pytest.mark.speed
def test_ten_thousand_photos_take_little_more_memory_than_ten(tmp_path):
    """The tables of a made-up photo take some 6 kB; a record held for each (5 kB), or a whole text, would show."""
    few, many = peak_mb(tmp_path / "few", 10), peak_mb(tmp_path / "many", 10_000)
    assert many - few < 90, (few, many)


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="peaks are told in kB on Linux")
def test_hundreds_of_photos_take_little_more_memory_than_ten(tmp_path):
    few, many = peak_mb(tmp_path / "few", 10), peak_mb(tmp_path / "many", 300)
    assert many - few < 15, (few, many)
