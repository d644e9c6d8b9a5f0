"""A strip that is broken off, or loses a worker, ends as an undisturbed one; its memory has a bound."""

import os
import re
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from fixtures.listener import Listener

from standcam.batch import store
from standcam.batch.strip_run import count_strip
from standcam.images.raster import open_raster
from standcam.settings import Settings
from standcam.strip_bench import measured_run, mosaic_of

ROOT = Path(__file__).parents[2]
ORTHO = ROOT / "demo-images" / "strips" / "trial_strip.tif"
SETTINGS = Settings().replace("raster", tile_px=512)
TABLES = ("plants.csv", "gaps.csv", "rows.csv", "plots.csv", "problems.csv")


@pytest.fixture(scope="module")
def large(tmp_path_factory) -> Path:
    """The demonstration strip, repeated to five by three squares, each a tile."""
    return mosaic_of(ORTHO, tmp_path_factory.mktemp("large") / "large.tif", 5000, 3000)


@pytest.fixture(scope="module")
def alone(large):
    return count_strip(open_raster(large, SETTINGS.raster), SETTINGS)


@pytest.mark.speed
@pytest.mark.filterwarnings("ignore")  # the library leaves sockets to the collector
@pytest.mark.parametrize("kill", [False, True])
def test_a_cluster_gives_what_one_process_gives(large, alone, kill):
    """Also where one of two workers is killed after the fourth tile of fifteen."""
    distributed = pytest.importorskip("distributed", reason="Dask is not installed (extra cluster)")
    with (
        distributed.LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster,
        distributed.Client(cluster) as client,
    ):
        processes = list(client.run(os.getpid).values())
        done = []

        def one_more(_):
            done.append(1)
            if kill and len(done) == 4:
                os.kill(processes[0], signal.SIGKILL)

        store.program_digest.cache_clear()  # as in workers started now, should somebody be at work on the program
        raster = open_raster(large, SETTINGS.raster)
        spread = count_strip(raster, SETTINGS, scheduler=cluster.scheduler_address, progress=Listener(one_more))
        if kill:
            assert processes[0] not in client.run(os.getpid).values()
    assert len(done) == alone.pieces == 15
    for name, frame in alone.tables.items():
        assert frame.to_csv() == spread.tables[name].to_csv(), name


def started(ortho: Path, out: Path, survey: Path) -> subprocess.Popen:
    words = ["strip", str(ortho), "--out", str(out), "--survey", str(survey), "--no-report", "--workers", "2"]
    return subprocess.Popen(
        [sys.executable, "-c", "from standcam.cli.app import main; main()", *words],
        env=os.environ | {"PYTHONPATH": str(ROOT)}, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
    )  # fmt: skip


def pieces(out: Path) -> int:
    return sum("." not in p.name for p in out.parent.glob(f".{out.name}.standcam-work/pieces/*/*"))


def test_a_killed_run_goes_on_and_ends_as_an_undisturbed_one(large, tmp_path):
    """Killed outright with a few of its fifteen tiles done; its workers end with it."""
    survey = tmp_path / "survey.toml"
    survey.write_text("[raster]\ntile_px = 512\n")
    first = started(large, tmp_path / "undisturbed", survey)
    told, _ = first.communicate(timeout=300)
    assert first.returncode == 0, told

    broken = started(large, tmp_path / "out", survey)
    until = time.monotonic() + 120
    while pieces(tmp_path / "out") < 3 and broken.poll() is None and time.monotonic() < until:
        time.sleep(0.002)
    broken.send_signal(signal.SIGKILL)
    broken.communicate(timeout=60)
    assert broken.returncode == -signal.SIGKILL  # in mid-run
    kept = pieces(tmp_path / "out")
    assert 3 <= kept < 15 and not (tmp_path / "out").exists()

    again = started(large, tmp_path / "out", survey)
    told, _ = again.communicate(timeout=300)
    assert again.returncode == 0, told
    reused = re.search(r"(\d+) of (\d+) tiles had been looked at before", " ".join(told.split()))
    assert reused and int(reused[1]) == kept and int(reused[2]) == 15
    for name in TABLES:
        assert (tmp_path / "out" / name).read_bytes() == (tmp_path / "undisturbed" / name).read_bytes(), name


@pytest.mark.speed
@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="asks the system")
def test_memory_of_400_megapixels_stays_below_a_gigabyte(tmp_path):
    """The demonstration strip, mirrored to 20,000 x 20,000 pixels, by the whole command; some minutes."""
    if shutil.disk_usage(tmp_path).free < 1e9:
        pytest.skip("no room for a file of 100 MB and its results")
    giant = mosaic_of(ORTHO, tmp_path / "giant.tif", 20_000, 20_000)
    took = measured_run(giant, tmp_path, 2)
    print({name: round(value) for name, value in took.items()})
    assert took["largest_mb"] < 1000 and took["sum_mb"] < 1000
