"""The bench of whole batches: repeats that are photos of their own, sums that add up, faults told."""

import numpy as np
import pandas as pd
import pytest
from fixtures.measured import photo
from PIL import Image
from typer.testing import CliRunner

from standcam import batch_bench, benchmark
from standcam.cli.app import app
from standcam.errors import UnreadablePhoto


@pytest.fixture
def picture(tmp_path):
    made = tmp_path / "made.jpg"
    Image.fromarray(photo().rgb).save(made, exif=Image.Exif(), quality=90)
    return made


def test_repeats_differ_in_name_and_bytes_and_not_in_the_picture(picture, tmp_path):
    """The picture as Pillow decodes it."""
    made = batch_bench.repeats_of([picture, picture], 5, tmp_path / "many")
    assert len({p.name for p in made}) == len({p.read_bytes() for p in made}) == 5
    whole = np.asarray(Image.open(picture))
    assert all((np.asarray(Image.open(p)) == whole).all() for p in made)


def test_whole_runs_are_timed(picture, tmp_path):
    steps = []
    table = batch_bench.run([picture], 6, ["shape"], 2, on_step=steps.append)
    assert table["processes"].tolist() == [1, 2] and (table["photos"] == 6).all()
    assert (table[["seconds", "decode_ms"]] > 0).all().all() and table["times_as_fast"].iloc[0] == 1
    whole = table["start_ms"] + 6 * table["ms_per_photo_without_start"]
    assert whole.to_numpy() == pytest.approx(1000 * table["seconds"].to_numpy())
    assert table["ms_per_photo"].to_numpy() == pytest.approx(1000 * table["seconds"].to_numpy() / 6)
    assert table["cpu_ms_per_photo"].iloc[0] <= 1.1 * table["ms_per_photo"].iloc[0]  # one thread
    assert len(steps) == 3


def test_what_cannot_be_timed_is_told(picture, tmp_path):
    (tmp_path / "no.jpg").write_bytes(b"\xff\xd8 no picture")
    with pytest.raises(UnreadablePhoto, match=r"no\.jpg"):
        batch_bench.run([tmp_path / "no.jpg"], 2, ["shape"], 1)
    with pytest.raises(batch_bench.BenchFailed, match="no such"):
        batch_bench._counting(tmp_path, "no such", "shape", 1)
    assert CliRunner().invoke(app, ["bench", "batch", str(tmp_path / "none")]).exit_code == 2


def test_the_command_prints_a_table_and_writes_it(picture, tmp_path, monkeypatch):
    values = {"seconds": 8.0, "ms_per_photo": 200.0, "start_ms": 800.0, "ms_per_photo_without_start": 180.0,
              "decode_ms": 60.0, "times_decoding": 200 / 60, "times_decoding_without_start": 3.0}  # fmt: skip
    lines = [{"locator": "shape", "processes": p, "photos": 40, **values, "times_as_fast": 1.0 if p == 1 else 1.85,
              "cpu_ms_per_photo": 190.0 if p == 1 else np.nan, "peak_mb": 300.0 if p == 1 else np.nan}
             for p in (1, 2)]  # fmt: skip
    asked = []
    monkeypatch.setattr(batch_bench, "run", lambda *words: asked.append(words[:5]) or pd.DataFrame(lines))
    csv = tmp_path / "b.csv"
    words = ["bench", "batch", str(picture), "--locator", "shape", "--csv", str(csv)]
    done = CliRunner().invoke(app, words)
    assert done.exit_code == 0, done.output
    assert asked == [([picture], 40, ("shape",), None, 1)]
    assert "one OpenCV thread" in done.output and "60.0 ms" in done.output
    assert "2 processes are 1.85 times as fast as one core" in done.output and "300 MB" in done.output
    assert pd.read_csv(csv)["times_decoding"].tolist() == [3.3333, 3.3333]
    assert CliRunner().invoke(app, words).exit_code == 2  # the file is there already


@pytest.mark.speed
def test_two_processes_pay(tmp_path):
    """On a machine with two idle cores; 1.84 was measured where 1.8 is asked, and the rest is the machine's."""
    table = batch_bench.run([benchmark.speed_photo()], 40, ["learned"], 2)
    assert table["times_as_fast"].iloc[-1] > 1.5
