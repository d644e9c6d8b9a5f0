"""Counting on a Dask cluster of this computer: equal to one process, also when a worker is killed."""

import os
import shutil
import signal
import threading
import time
from pathlib import Path

import pytest

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


def test_no_scheduler_is_said():
    with pytest.raises(NoCluster, match="No Dask scheduler answers"):
        count_photos(find_inputs([PHOTOS], Path("nowhere"))[0][:1], Settings(), scheduler="tcp://127.0.0.1:9")
