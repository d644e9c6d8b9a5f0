"""Hostile pictures end as a count or a plain refusal: no crash, no hang, no memory beyond 2 GB, no fault of ours."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from hostile import MAKERS, full_bomb, hostile, sound
from telling import call, judge, told

pytestmark = pytest.mark.skipif(os.name != "posix", reason="memory is limited by setrlimit")

LIMIT = 2_000_000_000


def put(folder, files):
    folder.mkdir()
    for name, data in files:
        (folder / name).write_bytes(data)
    return folder


def read_all(folder):
    """What became of each file of a folder, and the highest memory."""
    return told(call(Path(__file__).parent / "reader.py", folder, LIMIT, "measure"))


def counted_or_told(folder, out):
    """Each file of a folder is a row, or a row of problems.csv whose reason is no fault of ours."""
    done = call("-m", "standcam.cli.app", "count", folder, "--out", out, "--no-marked", limit=2 * LIMIT)
    assert done.returncode in (0, 1), done.stderr[-1000:]
    rows = pd.read_csv(out / "rows.csv", dtype=str, keep_default_na=False)
    problems = pd.read_csv(out / "problems.csv", dtype=str, keep_default_na=False)
    assert not problems["reason"].str.contains("fault in standcam").any(), problems["reason"].tolist()
    assert (problems["remedy"] != "").all()
    used = {record["photo"] for record in json.loads((out / "run.json").read_text())["inputs"]}
    failed = {Path(path).name for path in problems["path"]}
    assert set(rows["photo"]) == used and not used & failed
    assert used | failed == {path.name for path in folder.iterdir()}
    return len(used), len(failed)


def test_the_files_are_the_same_every_time():
    assert list(hostile(12, seed=5)) == list(hostile(12, seed=5))
    assert list(hostile(12, seed=5)) != list(hostile(12, seed=6))


def test_sixty_hostile_pictures(tmp_path):
    assert len(MAKERS) * 2 < 60  # every kind at least twice
    folder = put(tmp_path / "photos", hostile(60))
    records, peak = read_all(folder)
    assert len(records) == 60
    judge(records)
    assert peak < LIMIT
    used, failed = counted_or_told(folder, tmp_path / "out")
    assert used > 10 and failed > 10


@pytest.mark.speed
def test_a_thousand_hostile_pictures(tmp_path):
    folder = put(tmp_path / "photos", hostile(1000, seed=1))
    records, peak = read_all(folder)
    assert len(records) == 1000
    judge(records)
    assert peak < LIMIT
    used, failed = counted_or_told(folder, tmp_path / "out")
    assert used > 200 and failed > 200


@pytest.mark.speed
def test_the_largest_pictures_that_are_let_in_stay_below_two_gigabytes(tmp_path):
    """Counted, or refused for want of memory; the process lives either way."""
    import cv2
    import numpy as np

    rng = np.random.default_rng(2)
    tile = rng.integers(0, 255, (1000, 1000, 3), dtype=np.uint8)
    jpeg = cv2.imencode(".jpg", np.tile(tile, (15, 16, 1)), [cv2.IMWRITE_JPEG_QUALITY, 30])[1].tobytes()
    deep = cv2.imencode(".tif", np.tile(tile[:, :, :3], (11, 11, 1)), [cv2.IMWRITE_TIFF_COMPRESSION, 5])[1].tobytes()
    padded = full_bomb() + bytes(3_000_000)
    folder = put(tmp_path / "photos", [("240.jpg", jpeg), ("121.tif", deep), ("bomb.png", padded)])
    for path in folder.iterdir():
        alone = put(tmp_path / path.stem, [(path.name, path.read_bytes())])
        records, peak = read_all(alone)
        assert peak < LIMIT
        said = records[0]["said"]
        assert said == "ok" or said.startswith("fault: MemoryError") or "Mpx" in said, said


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"%!PS-Adobe-3.0 EPSF-3.0\n%%BoundingBox: 0 0 99 99\n%%EndComments\n{} loop\n", "but a PostScript file"),
        (b"GIF89a" + bytes(20), "but a GIF file"),
        (b"%PDF-1.4\n", "but a PDF file"),
    ],
)
def test_files_of_other_kinds_are_told_and_start_no_other_program(tmp_path, monkeypatch, data, words):
    from standcam.errors import UnreadablePhoto
    from standcam.images.photo import read_photo

    monkeypatch.setattr(subprocess, "Popen", None)  # whoever wants to start a program fails with TypeError
    path = tmp_path / "a.jpg"
    path.write_bytes(data)
    with pytest.raises(UnreadablePhoto, match=words):
        read_photo(path)


def test_a_jpeg_whose_data_end_before_its_picture_is_refused_though_it_has_an_end_marker(tmp_path):
    from standcam.errors import UnreadablePhoto
    from standcam.images.photo import read_photo

    path = tmp_path / "a.jpg"
    whole = sound("JPEG")
    path.write_bytes(whole)
    assert read_photo(path).rgb.shape == (150, 200, 3)
    for share in (0.3, 0.6, 0.9):
        path.write_bytes(whole[: int(len(whole) * share)] + b"\xff\xd9")
        with pytest.raises(UnreadablePhoto, match="cut short"):
            read_photo(path)


def test_texts_of_exif_are_fit_for_tables_and_screens(tmp_path):
    from PIL import Image

    from standcam.images.photo import read_photo

    exif = Image.Exif()
    exif[0x010F], exif[0x0110] = "\x1b[2Jred\x07\r\nrose", "x" * 5000
    path = tmp_path / "a.jpg"
    Image.new("RGB", (40, 30)).save(path, exif=exif)
    camera = read_photo(path).camera
    assert camera.isprintable() and len(camera) <= 201 and camera.startswith("[2Jred rose xxx")


@pytest.mark.parametrize(("focal", "read"), [(26, 26), (0, None), (1, None), (65535, None), (400, 400)])
def test_focal_lengths_that_no_lens_has_are_not_believed(tmp_path, focal, read):
    from PIL import Image

    from standcam.images.photo import read_photo

    exif = Image.Exif()
    exif.get_ifd(0x8769)[0xA405] = focal
    path = tmp_path / "a.jpg"
    Image.new("RGB", (40, 30)).save(path, exif=exif)
    assert read_photo(path).focal_length_35mm == read
