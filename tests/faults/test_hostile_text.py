"""Hostile settings, tapes, labels and maps: refused in one plain line or read right; never a crash, never a hang."""

import contextlib
import os
import time
from pathlib import Path

import numpy as np
import pytest

from standcam.crops import read_crop_card
from standcam.errors import BadSettings, BadTape, PlotMapMismatch, StandcamError
from standcam.files import read_file, read_toml
from standcam.ground.geometry import read_boards
from standcam.ground.lens import read_lens
from standcam.plants.labels import BadLabels, read_labels
from standcam.settings import Settings
from standcam.settings_file import read_settings, settings_from_dict
from standcam.spacing.tape import read_tape_file
from standcam.stand.plotmap import read_plot_map


def put(path, content):
    path.write_bytes(content if isinstance(content, bytes) else content.encode("utf-8"))
    return path


def one_line(error, path):
    assert "\n" not in str(error.value) and len(str(error.value)) < 20_000
    assert path.name in error.value.reason


# ---- survey.toml


@pytest.mark.parametrize(
    "text",
    [
        "[spacing]\nrow_width_cm = nan\n",
        "[spacing]\nrow_width_cm = inf\n",
        "[spacing]\nrow_width_cm = -76\n",
        "[spacing]\nrow_width_cm = true\n",
        '[spacing]\nrow_width_cm = "76"\n',
        "[spacing]\nrow_width_cm = [76]\n",
        "[spacing]\nrow_width_cm = {cm = 76}\n",
        "[spacing]\nrow_width_cm = 2026-05-01\n",
        f"[spacing]\nrow_width_cm = {10**400}\n",
        f"[spacing]\nrow_width_cm = {'9' * 5000}\n",
        "[spacing]\ncrop = 5\n",
        '[spacing]\ncrop = "mai\\u0000ze"\n',
        "[spacing]\ngermination_pct = 101\n",
        "[spacing]\ngermination_pct = nan\n",
        "[statistics]\nresamples = 1.5\n",
        "[statistics]\nresamples = 1000000000000\n",
        "[statistics]\nseed = -1\n",
        '[statistics]\nlevel = "95"\n',
        '[output]\nmarked = "no"\n',
        "[output]\nmarked_width_px = 1000000000\n",
        "[output]\nmarked_width_px = 1e3\n",
        "[calibration]\npoints = [1, 2, 3]\n",
        '[calibration]\npoints = [1, 2, 3, "4", 5]\n',
        "[calibration]\npoints = [1, 2, 3, inf, 5]\n",
        "[calibration]\nboard = 5\n",
        "[photo]\nmax_megapixels = inf\n",
        "spacing = 5\n",
        "[[spacing]]\nrow_width_cm = 76\n",
        "spacing = []\n",
        "[planter]\nrow_units = 8.5\n",
        "a = " + "[" * 5000,
        "a = " + "[" * 5000 + "]" * 5000,
        "[spacing\n",
        "\0",
        b"[spacing]\nname = '\xff'\n",
        b"\xff\xfe[\0s\0",
        "x = 1\n" * 1_000_000,
    ],
    ids=lambda t: str(t[:40]),
)
def test_a_survey_file_that_makes_no_sense_is_refused(tmp_path, text):
    path = put(tmp_path / "survey.toml", text)
    start = time.perf_counter()
    with pytest.raises(BadSettings) as error:
        read_settings(path)
    one_line(error, path)
    assert time.perf_counter() - start < 5


def test_a_byte_order_mark_and_windows_lines_do_no_harm(tmp_path):
    path = put(tmp_path / "survey.toml", b"\xef\xbb\xbf[spacing]\r\nrow_width_cm = 76\r\n")
    assert read_settings(path).spacing.row_width_cm == 76


def test_settings_come_back_from_their_own_record():
    import json

    record = json.loads(json.dumps(Settings().to_dict()))
    assert settings_from_dict(record) == Settings()


@pytest.mark.parametrize("read", [read_boards, read_lens, read_crop_card, read_settings])
@pytest.mark.parametrize("content", [b"", b"\0", b"\xff", b"a = " + b"[" * 5000, b"board = 1\nlens = 1\nname = 1\n"])
def test_other_toml_files(tmp_path, read, content):
    path = put(tmp_path / "x.toml", content)
    if read is read_settings and not content:
        assert read(path) == Settings()
        return
    with pytest.raises(BadSettings) as error:
        read(path)
    one_line(error, path)


@pytest.mark.parametrize("number", ["nan", "inf", "-1.0", "0.0", "1e308", '"x"', "[1]", "9" * 400])
def test_numbers_of_boards_and_lenses(tmp_path, number):
    marker = f"[[board.marker]]\nid = 0\ncentre_mm = [0, 0]\nside_mm = {number}\n"
    board = put(tmp_path / "b.toml", f'[board]\ndictionary = "DICT_4X4_50"\nwidth_mm = 300\nheight_mm = 200\n{marker}')
    with pytest.raises(BadSettings):
        read_boards(board)
    with pytest.raises(BadSettings):
        read_boards(
            put(
                board,
                board.read_text()
                .replace("width_mm = 300", f"width_mm = {number}")
                .replace(f"side_mm = {number}", "side_mm = 50"),
            )
        )
    if number != "1e308":  # a lens may be as long as it likes
        with pytest.raises(BadSettings):
            read_lens(put(tmp_path / "l.toml", f"[lens]\nfocal = {number}\ncentre = [0.5, 0.5]\nk1 = 0\nk2 = 0\n"))


# ---- tapes


GOOD = "plot,row,position_cm\nnorth,1,4.5\nnorth,1,22.0\nnorth,1,38.5\n"


@pytest.mark.parametrize(
    "content",
    [
        GOOD.encode(),
        b"\xef\xbb\xbf" + GOOD.encode(),
        GOOD.replace("\n", "\r\n").encode(),
        GOOD.replace("\n", "\r").encode(),
        GOOD.replace(",", ";").replace(".", ",").encode(),
        GOOD.replace(",", "\t").encode(),
        GOOD.encode("utf-16"),
        ("\ufeff" + GOOD.replace("\n", "\r\n").replace(",", ";").replace(".", ",")).encode(),
        GOOD.rstrip("\n").encode(),
        b"sep=;\r\n" + GOOD.replace(",", ";").encode(),
    ],
)
def test_a_tape_reads_alike_however_it_was_saved(tmp_path, content):
    file = read_tape_file(put(tmp_path / "tape.csv", content))
    assert file.positions["position_cm"].tolist() == [4.5, 22.0, 38.5]
    assert file.positions["plot"].unique().tolist() == ["north"]


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"\0" * 1000,
        GOOD.encode() + b"north,1,\0\n",
        GOOD + "north,1,1e308\n",
        GOOD + "north,1,1e5\n",
        GOOD + "north,1,inf\n",
        GOOD + "north,1,nan\n",
        GOOD + "north,1,-3\n",
        GOOD + f"north,1,{'9' * 400}\n",
        GOOD + f"north,1,{'9' * 100_000}\n",
        GOOD + f"north,1,{'9' * 200_000}\n",
        GOOD + "north,1,3" + " " * 120_000 + "x\n",
        GOOD + "north,1,(" + "(" * 120_000 + "\n",
        GOOD + "north,1,3 " + "? " * 60_000 + "\n",
        GOOD + f"north,{'1' * 30},50\n",
        GOOD + "north,1," + '"' * 50_001 + "\n",
        "# row_length_cm: 1e308\n" + GOOD,
        "# row_length_cm: nan\n" + GOOD,
        "# " + "row " * 30_000 + "\nx\n",
        "position_cm" + ",position_cm" * 5000 + "\n1\n",
        "plot,row,plants,row_length_m\na,1,99999999999,5\n",
        "plot,row,plants,row_length_m\na,1,1e3,5\n",
        GOOD + "north,1,x\n" * 20_000,
        b"9" * 60_000_000,
        b"PK\x03\x04" + b"x" * 100,
        b"\xff\xfe" + b"\xd8" * 999,
    ],
    ids=lambda c: str(c[-40:]),
)
def test_a_tape_that_cannot_be_read_is_refused_soon(tmp_path, content):
    path = put(tmp_path / "tape.csv", content)
    start = time.perf_counter()
    with pytest.raises(BadTape) as error:
        read_tape_file(path)
    assert time.perf_counter() - start < 5
    one_line(error, path)


def test_many_mistakes_are_counted_and_the_first_listed(tmp_path):
    with pytest.raises(BadTape, match=r"5000 mistakes.*And 4900 more\."):
        read_tape_file(put(tmp_path / "tape.csv", GOOD + "north,1,x\n" * 5000))


# ---- labels and plot maps


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"\0",
        b"photo,x_px,y_px,label\na.jpg,1,\0,crop\n",
        b"photo,x_px,y_px,label\na.jpg,nan,1,crop\n",
        b"photo,x_px,y_px,label\na.jpg,1e999,1,crop\n",
        b"photo,x_px,y_px,label\na.jpg,-inf,1,crop\n",
        b"photo,x_px,y_px,label\na.jpg,1,1,=cmd\n",
        b"photo,x_px,y_px,label\n,1,1,crop\n",
        b"photo,x_px,y_px,label\na.jpg,1,1,crop,a,b\n",
        b"photo;x_px;y_px;label\na.jpg;1,5,2;1;crop\n",
        b"photo,photo,x_px,y_px,label\n",
        b"photo,x_px,y_px,label\na.jpg,1,1," + b"c" * 200_000 + b"\n",
        b"photo,x_px,y_px,label\n" + b'"' * 131_073 + b"\n",
        b"photo,x_px,y_px,label\na.jpg,1,1,cr\xff\n",
        "photo,x_px,y_px,label\n".encode("utf-16"),
        b"a" * 60_000_000,
    ],
    ids=lambda c: str(c[-40:]),
)
def test_labels_that_make_no_sense_are_refused(tmp_path, content):
    path = put(tmp_path / "labels.csv", content)
    with pytest.raises(BadLabels) as error:
        read_labels(path)
    one_line(error, path)


def test_labels_however_they_were_saved(tmp_path):
    text = "photo,x_px,y_px,label\na.jpg,1.5,2,Crop\n"
    for content in (text, "\ufeff" + text.replace("\n", "\r\n"), text.replace(",", ";"), text.replace(",", "\t")):
        (label,) = read_labels(put(tmp_path / "labels.csv", content))
        assert (label.photo, label.x_px, label.y_px, label.label) == ("a.jpg", 1.5, 2.0, "crop")


@pytest.mark.parametrize(
    "content",
    [b"\0", b"plot,treatment\n" + b"a" * 200_000 + b",x\n", b"plot,treatment\na,x\na,y\n", b"plot,row\na,1e400\n",
     b"plot,row\na,nan\n", b"a" * 60_000_000, b"plot\xff\n"],
)  # fmt: skip
def test_plot_maps_that_make_no_sense_are_refused(tmp_path, content):
    path = put(tmp_path / "map.csv", content)
    with pytest.raises(PlotMapMismatch) as error:
        read_plot_map(path)
    one_line(error, path)


# ---- what is no file


@pytest.mark.skipif(os.name != "posix", reason="pipes and devices")
@pytest.mark.parametrize(
    "read", [read_settings, read_boards, read_lens, read_crop_card, read_tape_file, read_labels, read_plot_map]
)
@pytest.mark.parametrize("kind", ["pipe", "device", "folder", "loop"])
def test_pipes_devices_and_folders_are_never_waited_for(tmp_path, read, kind):
    path = tmp_path / "x"
    if kind == "pipe":
        os.mkfifo(path)
    elif kind == "device":
        path.symlink_to("/dev/zero")
    elif kind == "folder":
        path.mkdir()
    else:
        path.symlink_to(path)
    with pytest.raises(StandcamError, match="cannot be read"):
        read(path)


def test_reading_stops_at_the_limit(tmp_path):
    path = put(tmp_path / "a", b"x" * 100)
    assert read_file(path, 100) == b"x" * 100
    with pytest.raises(OSError, match="too much"):
        read_file(path, 99)
    with pytest.raises(FileNotFoundError):
        read_file(tmp_path / "none", 99)


def test_toml_of_any_bytes_reads_or_raises_one_error(tmp_path):
    import tomllib

    rng = np.random.default_rng(3)
    sound = b'[spacing]\nrow_width_cm = 76.0 # remark\ncrop = "maize"\n[calibration]\npoints = [1, 2, 3, 4, 5]\n'
    for _ in range(300):
        data = bytearray(sound)
        for at in rng.integers(0, len(data), 4):
            data[at] = rng.integers(256)
        path = put(tmp_path / "survey.toml", bytes(data))
        with contextlib.suppress(tomllib.TOMLDecodeError):
            read_toml(path)
        try:
            read_settings(path)
        except BadSettings as error:
            assert "survey.toml" in str(error)


def test_tapes_of_any_bytes_read_or_raise_one_error(tmp_path):
    rng = np.random.default_rng(4)
    for n in range(300):
        data = bytearray(GOOD.encode() * (n % 3 + 1))
        for at in rng.integers(0, len(data), 5):
            data[at] = rng.integers(1, 256) if rng.random() < 0.5 else rng.choice(list(b",;\"'.\n#:0123456789"))
        try:
            file = read_tape_file(put(tmp_path / "tape.csv", bytes(data)))
            assert np.isfinite(file.positions["position_cm"]).all()
        except BadTape as error:
            assert Path(error.args[0]) and "\n" not in str(error)
