"""What phones and the people between them and us make of a photo: the same numbers, or a plain refusal."""

import io
import struct
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from standcam.errors import UnreadablePhoto
from standcam.images.photo import read_photo
from standcam.measure import measure_photo
from standcam.settings import Settings

DEMO = Path(__file__).resolve().parents[2] / "demo-images" / "slow_1_board.jpg"


@cache
def original():
    return Image.open(DEMO).convert("RGB")


def saved(path, image=None, form="JPEG", **options):
    (image or original()).copy().save(path, form, **({"quality": 95} if form in ("JPEG", "MPO") else {}) | options)
    return path


@cache
def places():
    return _places(DEMO)


def _places(path):
    m = measure_photo(read_photo(path), Settings().replace("spacing", nominal_spacing_cm=16.5))
    first = m.positions[m.positions["row"] == 1]["position_cm"].to_numpy()
    stretch = m.stretches[m.stretches["row"] == 1].iloc[0]
    return first, stretch["to_cm"] - stretch["from_cm"]


def gain_map(path):
    """A JPEG with its gain map, a second JPEG, behind it, as phones write pictures of high dynamic range."""
    out, gain = io.BytesIO(), io.BytesIO()
    original().copy().save(out, "JPEG", quality=95)
    original().convert("L").resize((500, 375)).save(gain, "JPEG")
    xmp = b'http://ns.adobe.com/xap/1.0/\0<x xmlns:hdrgm="http://ns.adobe.com/hdr-gain-map/1.0/" hdrgm:Version="1.0"/>'
    data = out.getvalue()
    path.write_bytes(data[:2] + b"\xff\xe1" + struct.pack(">H", len(xmp) + 2) + xmp + data[2:] + gain.getvalue())
    return path


def clip_behind(path):
    saved(path)
    path.write_bytes(path.read_bytes() + b"\0\0\0\x18ftypmp42" + np.random.default_rng(1).bytes(3_000_000))
    return path


def two_pictures(path):
    return saved(path, form="MPO", save_all=True, append_images=[original().resize((400, 300))])


def turned(path):
    exif = Image.Exif()
    exif[0x0112] = 6  # to be turned by 90 degrees clockwise
    return saved(path, original().transpose(Image.Transpose.ROTATE_90), exif=exif)


@pytest.mark.parametrize("make", [gain_map, clip_behind, two_pictures, turned, lambda p: saved(p, progressive=True)])
def test_the_pixels_are_those_of_the_photo(tmp_path, make):
    got = read_photo(make(tmp_path / "a.jpg")).rgb
    expected = np.asarray(original(), np.int16)
    assert got.shape == expected.shape
    # JPEG at quality 95 moves a level by 1.5 or so
    assert np.abs(got.astype(np.int16) - expected)[::4, ::4].mean() < 3


@pytest.mark.parametrize(
    "make",
    [
        gain_map,
        lambda p: saved(p.with_suffix(".heic"), form="HEIF", quality=80, enc_params={"preset": "ultrafast"}),
    ],
)
def test_the_numbers_are_those_of_the_photo(tmp_path, make):
    got, length = _places(make(tmp_path / "a.jpg"))
    assert length == pytest.approx(places()[1], abs=0.6)
    assert len(got) == len(places()[0])
    assert got == pytest.approx(places()[0], abs=0.3)  # stems are found to some 0.2 cm


@pytest.mark.parametrize(("megapixels", "quality"), [(48, 90), (1.9, 70)])
def test_more_pixels_or_a_messenger_in_between_change_little(tmp_path, megapixels, quality):
    factor = (megapixels * 1e6 / (original().width * original().height)) ** 0.5
    size = round(original().width * factor), round(original().height * factor)
    got, length = _places(saved(tmp_path / "a.jpg", original().resize(size), quality=quality))
    assert length == pytest.approx(places()[1], abs=1.0)
    assert len(got) == len(places()[0])
    assert got == pytest.approx(places()[0], abs=0.5)


@pytest.mark.parametrize("bars", ["above and below", "on both sides", "a white frame"])
@pytest.mark.parametrize("ending", ["png", "jpg"])
def test_bars_would_count_as_bare_row_and_are_refused(tmp_path, bars, ending):
    """Black bars beside a photo made its row nearly twice as long, and its plants per hectare half as many."""
    size, colour = {
        "above and below": ((1000, 1600), 0),
        "on both sides": ((1600, 750), 0),
        "a white frame": ((1060, 810), 250),
    }[bars]
    page = Image.new("RGB", size, (colour, colour, colour))
    page.paste(original().resize((1000, 750)), ((size[0] - 1000) // 2, (size[1] - 750) // 2))
    with pytest.raises(UnreadablePhoto, match="has a bar of one colour"):
        read_photo(saved(tmp_path / f"a.{ending}", page, {"png": "PNG", "jpg": "JPEG"}[ending]))


def test_burnt_soil_is_no_bar(tmp_path):
    bright = np.clip(np.asarray(original(), np.float32) * 2.2, 0, 255).astype(np.uint8)
    assert read_photo(saved(tmp_path / "a.jpg", Image.fromarray(bright))).rgb.shape == bright.shape


def test_a_panorama_is_refused(tmp_path):
    wide = np.concatenate([np.asarray(original())] * 3, axis=1)
    with pytest.raises(UnreadablePhoto, match="panorama"):
        read_photo(saved(tmp_path / "a.jpg", Image.fromarray(wide)))


def test_the_widest_frame_of_phones_is_read(tmp_path):
    assert read_photo(saved(tmp_path / "a.jpg", original().crop((0, 300, 2000, 1157)))).width_px == 2000


def test_a_mirrored_photo_has_no_scale_and_says_so(tmp_path):
    mirrored = saved(tmp_path / "a.jpg", original().transpose(Image.Transpose.FLIP_LEFT_RIGHT))
    assert measure_photo(read_photo(mirrored), Settings()).ground.method == "none"


# ---- damaged cards


def _damaged(data, rng, how):
    data, start = bytearray(data), data.find(b"\xff\xda") + 20
    at = int(rng.integers(start, len(data) - 6000))
    other = int(rng.integers(start, len(data) - 6000))
    piece = {"noise": rng.bytes(4096), "zeros": bytes(4096), "another part": data[other : other + 4096], "lost": b""}[
        how
    ]
    data[at : at + 4096] = piece
    return bytes(data)


@pytest.mark.parametrize("how", ["noise", "zeros", "another part", "lost"])
@pytest.mark.parametrize("progressive", [False, True])
def test_a_photo_with_a_damaged_cluster_is_refused_mostly(tmp_path, how, progressive):
    """Clusters of 4 kB go wrong on cards. The decoder draws something and gives no error.

    Of 20, at most two pass with a picture that is not that of the photo.
    """
    rng = np.random.default_rng(7)
    whole = saved(tmp_path / "s.jpg", original().resize((1000, 750)), quality=90, progressive=progressive)
    small, right = whole.read_bytes(), read_photo(whole).rgb.astype(np.int16)
    wrong = 0
    for _ in range(20):
        (tmp_path / "a.jpg").write_bytes(_damaged(small, rng, how))
        try:
            got = read_photo(tmp_path / "a.jpg").rgb
        except UnreadablePhoto:
            continue
        wrong += bool((np.abs(got - right).max(axis=2) > 30).mean() > 0.05)
    assert wrong <= 2


@pytest.mark.parametrize("padding", [bytes(2), bytes(500), b"\xff" * 30])
def test_padding_before_the_end_marker_is_no_damage(tmp_path, padding):
    """Some cameras write it (common practice, no source)."""
    data = saved(tmp_path / "a.jpg").read_bytes()
    (tmp_path / "a.jpg").write_bytes(data[:-2] + padding + data[-2:])
    assert read_photo(tmp_path / "a.jpg").width_px == 2000


def test_words_of_others_on_the_error_stream_pass_on(capfd):
    import os

    from standcam.images.decoder_words import decoder_words

    with decoder_words() as words:
        os.write(2, b"a line of ours\nCorrupt JPEG data: 12 extraneous bytes before marker 0xd9\nand another\n")
    assert words == ["Corrupt JPEG data: 12 extraneous bytes before marker 0xd9"]
    assert capfd.readouterr().err == "a line of ours\nand another\n"
    with pytest.raises(ValueError), decoder_words():
        raise ValueError
    os.write(2, b"still here\n")
    assert capfd.readouterr().err == "still here\n"
