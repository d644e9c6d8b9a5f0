"""Memory of the main process, counting photos that measure as a made-up row: flat, report and workbook included."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

CHILD = """
import hashlib, resource, sys
sys.path[:0] = [{root!r}, {tests!r}]
import numpy as np
from fixtures.measured import measured
from standcam.batch import run
from standcam.cli.app import app
from standcam.report import html_planter
from typer.testing import CliRunner

def places(name):
    rng = np.random.default_rng(int(hashlib.sha256(name.encode()).hexdigest()[:8], 16))
    return tuple(np.cumsum(rng.choice([4.2, 4.2, 4.2, 4.2, 1.9, 8.4], 24) + rng.normal(0, 0.3, 24)).tolist())

if sys.argv[3] == "quick":  # what bounds the planter's part of the page bounds it earlier, for that takes minutes
    html_planter.GAPS_FOR_FIT, html_planter.MOST_GAPS = 60, 3_000
run.measure_photo = lambda photo, settings=None, plot=None, looks=False: measured(
    photo, places(photo.path.name), plot=plot)
done = CliRunner().invoke(app, ["count", sys.argv[1], "--out", sys.argv[2], "--row-width-cm", "76", "--report",
    "--no-marked", "--workers", "1"])
assert done.exit_code == 0, done.output
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024)
"""


def peak_mb(folder: Path, photos: int, how: str = "quick") -> int:
    import numpy as np
    from PIL import Image

    (folder / "in").mkdir(parents=True)
    rng = np.random.default_rng(0)
    for k in range(photos):
        Image.fromarray(rng.integers(60, 120, (40, 80, 3), dtype=np.uint8)).save(folder / "in" / f"{k}.png")
    root = Path(__file__).parents[2]
    code = CHILD.format(root=str(root), tests=str(root / "tests"))
    line = [sys.executable, "-c", code, str(folder / "in"), str(folder / "out"), how]
    done = subprocess.run(line, capture_output=True, text=True, env=os.environ | {"OMP_NUM_THREADS": "1"})
    assert done.returncode == 0, done.stderr
    assert {"rows.csv", "report.html", "results.xlsx"} <= {path.name for path in (folder / "out").iterdir()}
    return int(done.stdout)


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="peaks are told in kB on Linux")
@pytest.mark.speed
def test_ten_thousand_photos_take_hardly_more_memory_than_ten(tmp_path):
    """Of a photo stay some keys and numbers; its line of rows (540 bytes) and its name and path (400) would show."""
    few, many = peak_mb(tmp_path / "few", 10, "whole"), peak_mb(tmp_path / "many", 10_000, "whole")
    assert many - few < 12, (few, many)


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="peaks are told in kB on Linux")
def test_a_thousand_photos_take_hardly_more_memory_than_ten(tmp_path):
    """What is left is how much of a fit, a chart and a workbook is laid out at once."""
    few, many = peak_mb(tmp_path / "few", 10), peak_mb(tmp_path / "many", 1_000)
    assert many - few < 7, (few, many)
