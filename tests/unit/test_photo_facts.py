"""What the header of a photo tells: kinds, bounds, and EXIF data behind the pixels of a PNG."""

import io
import os
import struct
import subprocess
import time
import zlib

import numpy as np
import pytest
from PIL import Image

from standcam.images.png_exif import MOST_CHUNKS, read_png_header
from standcam.survey.facts import PhotoFacts, read_facts

SIGNATURE = b"\x89PNG\r\n\x1a\n"


def exif_bytes():
    """EXIF data by Pillow, from the byte order mark on."""
    exif = Image.Exif()
    exif.get_ifd(0x8769).update({0x9003: "2026:05:20 09:14:02", 0x9011: "+02:00"})
    exif.get_ifd(0x8825).update({1: "N", 2: (48.0, 30.0, 36.0), 3: "W", 4: (10.0, 15.0, 0.0), 31: 4.5})
    return exif.tobytes().removeprefix(b"Exif\0\0")


def chunk(kind, body, length=None, check=None):
    check = zlib.crc32(kind + body) if check is None else check
    return struct.pack(">I", len(body) if length is None else length) + kind + body + struct.pack(">I", check)


IHDR = chunk(b"IHDR", struct.pack(">IIBBBBB", 40, 30, 8, 2, 0, 0, 0))
PIXELS = zlib.compress((b"\0" + bytes(range(120))) * 30)
IDAT = chunk(b"IDAT", PIXELS[:50]) + chunk(b"IDAT", PIXELS[50:])
END = chunk(b"IEND", b"")


def png(*chunks):
    return SIGNATURE + b"".join(chunks)


def facts_of(tmp_path, data, name="a.png"):
    (tmp_path / name).write_bytes(data)
    return read_facts(tmp_path / name)


def is_whole(facts):
    return (
        facts.taken is not None
        and facts.taken.isoformat() == "2026-05-20T09:14:02"
        and facts.utc_offset is not None
        and facts.utc_offset.total_seconds() == 7200
        and facts.latitude == pytest.approx(48.51)
        and facts.longitude == pytest.approx(-10.25)
        and facts.gps_error_m == pytest.approx(4.5)
    )


@pytest.mark.parametrize("behind", [False, True])
def test_exif_of_a_png_is_found_before_and_behind_the_pixels(tmp_path, behind):
    exif = chunk(b"eXIf", exif_bytes())
    data = png(IHDR, IDAT, exif, END) if behind else png(IHDR, exif, IDAT, END)
    facts = facts_of(tmp_path, data)
    assert is_whole(facts) and facts.megapixels == 40 * 30 / 1e6
    # outside check: Pillow, which decodes all of it, finds the same
    with Image.open(io.BytesIO(data)) as image:
        assert image.getexif().get_ifd(0x8769)[0x9003] == "2026:05:20 09:14:02"


def test_no_pixel_is_decoded(tmp_path, monkeypatch):
    def never(*_, **__):
        raise AssertionError("decoded")

    Image.fromarray(np.full((30, 40, 3), 90, np.uint8)).save(tmp_path / "a.jpg", exif=b"Exif\0\0" + exif_bytes())
    Image.fromarray(np.full((30, 40, 3), 90, np.uint8)).save(tmp_path / "a.webp", exif=b"Exif\0\0" + exif_bytes())
    for name in ("Image.Image", "ImageFile.ImageFile", "PngImagePlugin.PngImageFile"):
        monkeypatch.setattr(f"PIL.{name}.load", never)
    noise = chunk(b"IDAT", bytes(1000))  # no deflate stream
    assert is_whole(facts_of(tmp_path, png(IHDR, noise, chunk(b"eXIf", exif_bytes()), END)))
    assert is_whole(read_facts(tmp_path / "a.jpg"))
    assert read_facts(tmp_path / "a.webp") == PhotoFacts()  # a kind that is not counted


def test_the_older_text_chunk_is_read_too(tmp_path):
    data = b"Exif\0\0" + exif_bytes()
    text = b"\nexif\n%8d\n" % len(data) + data.hex().encode() + b"\n"
    packed = chunk(b"zTXt", b"Raw profile type exif\0\0" + zlib.compress(text))
    plain = chunk(b"tEXt", b"Raw profile type APP1\0" + text)
    other = chunk(b"tEXt", b"Comment\0Raw profile type exif")
    for one in (packed, plain):
        whole = png(IHDR, other, one, IDAT, END)
        assert is_whole(facts_of(tmp_path, whole))
        if one is packed:  # outside check: Pillow reads this habit too
            with Image.open(io.BytesIO(whole)) as image:
                assert image.getexif().get_ifd(0x8769)[0x9003] == "2026:05:20 09:14:02"
    for wrong in (b"Raw profile type exif\0\0no stream", b"Raw profile type exif\0\0" + zlib.compress(b"\n\n\nxyz")):
        facts = facts_of(tmp_path, png(IHDR, chunk(b"zTXt", wrong), IDAT, END))
        assert facts == PhotoFacts(megapixels=0.0012)


@pytest.mark.parametrize("ending", [".jpg", ".tif", ".heic", ".png"])
def test_all_kinds_that_are_counted_tell_their_facts(tmp_path, ending):
    from pillow_heif import register_heif_opener

    register_heif_opener()
    path = tmp_path / f"a{ending}"
    exif = Image.Exif()
    exif.load(exif_bytes())
    Image.fromarray(np.full((64, 96, 3), 90, np.uint8)).save(path, exif=exif)
    facts = read_facts(path)
    assert is_whole(facts) and facts.megapixels == 64 * 96 / 1e6
    os.rename(path, tmp_path / "a.xyz")  # the content tells the kind
    assert read_facts(tmp_path / "a.xyz") == facts


@pytest.mark.parametrize("kind", ["EPS", "GIF", "BMP", "WEBP", "ICO", "PCX", "PPM", "TGA", "PDF"])
def test_other_kinds_are_refused_and_start_no_program(tmp_path, monkeypatch, kind):
    def never(*_, **__):
        raise AssertionError("a program was started")

    path = tmp_path / "a.jpg"  # named like a photo
    Image.fromarray(np.full((64, 96, 3), 90, np.uint8)).save(path, format=kind)
    if kind != "PDF":
        with Image.open(path) as image:  # so Pillow would have opened it
            assert image.width >= 64
    monkeypatch.setattr(subprocess, "Popen", never)
    monkeypatch.setattr(os, "system", never)
    assert read_facts(path) == PhotoFacts()


def test_a_file_cut_short_anywhere_tells_what_is_left_of_it(tmp_path):
    whole = png(IHDR, IDAT, chunk(b"eXIf", exif_bytes()), END)
    exif_ends = len(whole) - len(END)
    for n in range(len(whole)):
        facts = facts_of(tmp_path, whole[:n])
        assert is_whole(facts) == (n >= exif_ends), n
        assert facts.megapixels == (0.0012 if n >= 8 + len(IHDR) else 0.0), n


@pytest.mark.parametrize("cut", [0, 1, 2, 30, 200])
def test_a_jpeg_cut_short_raises_nothing(tmp_path, cut):
    out = io.BytesIO()
    Image.fromarray(np.full((64, 96, 3), 90, np.uint8)).save(out, "JPEG", exif=exif_bytes())
    assert facts_of(tmp_path, out.getvalue()[:cut], "a.jpg") == PhotoFacts()


def test_lengths_beyond_the_file_and_the_standard_end_the_search(tmp_path):
    exif = chunk(b"eXIf", exif_bytes())
    for length in (0x7FFF_FFFF, 0x8000_0000, 0xFFFF_FFFF):
        for kind in (b"IDAT", b"eXIf", b"tEXt", b"zzZz"):
            start = time.perf_counter()
            facts = facts_of(tmp_path, png(IHDR, chunk(kind, b"12345", length), exif, END))
            assert facts == PhotoFacts(megapixels=0.0012), (kind, length)
            assert time.perf_counter() - start < 1
    assert facts_of(tmp_path, png(chunk(b"IHDR", b"12345", 0x7FFF_FFFF), exif, END)) == PhotoFacts()


def test_check_sums_must_hold_and_the_first_chunk_must_be_the_header(tmp_path):
    good = chunk(b"eXIf", exif_bytes())
    assert facts_of(tmp_path, png(IHDR, chunk(b"eXIf", exif_bytes(), check=1), END)).taken is None
    assert is_whole(facts_of(tmp_path, png(IHDR, chunk(b"eXIf", exif_bytes(), check=1), good, END)))
    assert facts_of(tmp_path, png(good, IHDR, END)) == PhotoFacts()
    assert facts_of(tmp_path, png(IHDR, END, good)) == PhotoFacts(megapixels=0.0012)


def test_garbled_exif_and_none_leave_the_size(tmp_path):
    sized = PhotoFacts(megapixels=0.0012)
    assert facts_of(tmp_path, png(IHDR, IDAT, END)) == sized
    for garbage in (b"", b"II", b"xx" * 50, exif_bytes()[:20], b"MM\0*\xff\xff\xff\xff"):
        assert facts_of(tmp_path, png(IHDR, chunk(b"eXIf", garbage), IDAT, END)) == sized
    assert facts_of(tmp_path, b"") == facts_of(tmp_path, SIGNATURE) == PhotoFacts()
    assert read_facts(tmp_path / "nowhere.jpg") == read_facts(tmp_path) == PhotoFacts()


def test_chunks_without_end_are_not_all_walked(tmp_path):
    path = tmp_path / "many.png"
    path.write_bytes(png(IHDR, chunk(b"zzZz", b"") * (MOST_CHUNKS + 5), chunk(b"eXIf", exif_bytes())))
    with open(path, "rb") as file:
        found = read_png_header(file)
        assert found.exif is None and found.width_px == 40
        assert file.tell() <= 8 + len(IHDR) + 12 * MOST_CHUNKS


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes here")
def test_a_pipe_is_not_waited_for(tmp_path):
    os.mkfifo(tmp_path / "pipe.jpg")
    assert read_facts(tmp_path / "pipe.jpg") == PhotoFacts()
