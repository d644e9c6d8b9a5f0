"""Counting on a Dask cluster of this computer: equal to one process, also when a worker is killed."""

import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from standcam.batch import pool
from standcam.batch.inputs import find_inputs
from standcam.batch.run import count_photos
from standcam.errors import NoCluster
from standcam.settings import Settings

distributed = pytest.importorskip("distributed", reason="Dask is not installed (extra cluster)")

PHOTOS = Path(__file__).parents[2] / "demo-images"
# the library leaves sockets to the collector
pytestmark = [pytest.mark.filterwarnings("ignore")]


@pytest.fixture
def inputs(tmp_path):
    (tmp_path / "in").mkdir()
    for k in range(2):
        for name in ("slow_1_board.jpg", "slow_2_stick.jpg", "soy_1_board.jpg", "slow_3_straw.jpg"):
            shutil.copy(PHOTOS / name, tmp_path / "in" / f"{k}_{name}")
    return find_inputs([tmp_path / "in"], tmp_path / "out")[0]


@pytest.mark.speed
@pytest.mark.parametrize("kill", [False, True])
def test_a_cluster_gives_what_one_process_gives(inputs, kill):
    settings = Settings().replace("spacing", nominal_spacing_cm=16.5)
    alone = count_photos(inputs, settings)
    with (
        distributed.LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster,
        distributed.Client(cluster) as client,
    ):
        processes = list(client.run(os.getpid).values())

        def end():
            time.sleep(2.0)
            os.kill(processes[0], signal.SIGKILL)

        if kill:
            threading.Thread(target=end, daemon=True).start()
        spread = count_photos(inputs, settings, scheduler=cluster.scheduler_address)
    assert len(spread.problems) == 0
    for name, frame in alone.tables.items():
        assert frame.to_csv() == spread.tables[name].to_csv(), name


@pytest.fixture
def scheduler():
    with distributed.LocalCluster(n_workers=0, dashboard_address=None) as cluster:
        yield cluster.scheduler_address


def worker(address):
    line = [sys.executable, "-m", "distributed.cli.dask_worker", address, "--no-nanny", "--nthreads", "1",
            "--no-dashboard"]  # fmt: skip
    there = os.environ | {"PYTHONPATH": str(PHOTOS.parent)}
    started = subprocess.Popen(line, env=there, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    with distributed.Client(address, set_as_default=False) as client:
        client.wait_for_workers(1, timeout=60)
    return started


@pytest.mark.parametrize("another", [False, True])
def test_workers_that_all_vanish_are_waited_for_with_a_word_and_not_for_ever(scheduler, another, monkeypatch, capsys):
    """Killed for good: it is said, and ends; or another is started, and all jobs come out."""
    monkeypatch.setattr(pool, "_SAY_AFTER_S", 0.2)
    monkeypatch.setattr(pool, "_LOOK_S", 0.3)
    monkeypatch.setattr(pool, "LONGEST_WITHOUT_WORKERS_S", 60.0 if another else 1.5)
    running = [worker(scheduler)]

    def begin_another():
        while "All Dask workers" not in said[0]:
            time.sleep(0.05)
        running.append(worker(scheduler))

    said = [""]
    monkeypatch.setattr(pool, "_say", lambda sentence: said.__setitem__(0, said[0] + sentence))
    try:
        results = pool.map_jobs(os.path.basename, [f"a/{k}" for k in range(12)], scheduler=scheduler)
        assert next(results) == "0"
        running[0].kill()
        running[0].wait()
        if another:
            starting = threading.Thread(target=begin_another, daemon=True)
            starting.start()
            assert list(results) == [str(k) for k in range(1, 12)]
            starting.join(60)  # or a worker that is told of too late outlives the test
            assert len(running) == 2
            assert "All Dask workers" in said[0]
        else:
            with pytest.raises(NoCluster, match="has had no workers") as error:
                list(results)
            assert "photos counted so far are kept" in error.value.remedy and "All Dask workers" in said[0]
    finally:
        for process in running:
            process.kill()
            process.wait()


def test_no_scheduler_is_said():
    with pytest.raises(NoCluster, match="No Dask scheduler answers"):
        count_photos(find_inputs([PHOTOS], Path("nowhere"))[0][:1], Settings(), scheduler="tcp://127.0.0.1:9")
