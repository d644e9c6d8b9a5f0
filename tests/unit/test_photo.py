"""Reading photos: every kind of file a phone, a scanner or an accident makes."""

import io
import os
import struct
import time
import zlib

import cv2
import numpy as np
import pytest
from PIL import Image, ImageOps

from standcam import flags
from standcam.errors import UnreadablePhoto
from standcam.images.photo import read_photo
from standcam.settings import PhotoSettings


def scene(width=96, height=64):
    """A smooth picture without symmetry, so that a wrong turn or a swapped channel shows."""
    y, x = np.mgrid[:height, :width].astype(float)
    rgb = np.stack([255 * x / width, 255 * y / height, 40 + 60 * (x + y) / (width + height)], axis=2)
    rgb[4:20, 6:40] = (250, 20, 20)
    return rgb.astype(np.uint8)


def save(path, rgb=None, mode="RGB", **options):
    Image.fromarray(scene() if rgb is None else rgb).convert(mode).save(path, **options)
    return path


def test_a_plain_jpeg_has_the_pixels_that_pillow_gives(tmp_path):
    path = save(tmp_path / "a.jpg", quality=95)
    photo = read_photo(path)
    expected = np.asarray(Image.open(path), int)
    # two decoders may round the colour conversion apart by a level or two
    assert photo.rgb.dtype == np.uint8 and photo.rgb.flags.c_contiguous
    assert np.abs(photo.rgb - expected).max() <= 4
    assert (photo.width_px, photo.height_px, photo.flags) == (96, 64, 0)


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("ending", ["jpg", "png", "tif"])
def test_exif_orientation_is_obeyed(tmp_path, orientation, ending):
    """Against Pillow's own reading of CIPA DC-008 (Exif 2.32), tag 274."""
    exif = Image.Exif()
    exif[0x0112] = orientation
    path = tmp_path / f"turned.{ending}"
    save(path, exif=exif, **({"quality": 95} if ending == "jpg" else {}))
    expected = np.asarray(ImageOps.exif_transpose(Image.open(path)).convert("RGB"), int)
    got = read_photo(path).rgb
    assert got.shape == expected.shape
    assert np.abs(got - expected).max() <= 4


@pytest.mark.parametrize("value", [0, 9, 255])
def test_an_orientation_outside_the_standard_turns_nothing(tmp_path, value):
    exif = Image.Exif()
    exif[0x0112] = value
    assert read_photo(save(tmp_path / "a.jpg", exif=exif)).rgb.shape == (64, 96, 3)


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_heic_is_read_upright_once(tmp_path, orientation):
    """HEIC turns by its transformation properties, which pillow-heif writes when EXIF comes as bytes."""
    pillow_heif = pytest.importorskip("pillow_heif")
    pillow_heif.register_heif_opener()
    exif = Image.Exif()
    exif[0x0112] = orientation
    path = tmp_path / "a.heic"
    save(path, exif=exif.tobytes(), quality=95)
    upright = {1: 0, 3: 180, 6: 270, 8: 90}[orientation]
    expected = np.asarray(Image.fromarray(scene()).rotate(upright, expand=True), int)
    photo = read_photo(path)
    assert photo.rgb.shape == expected.shape
    assert np.abs(photo.rgb - expected).mean() < 8  # HEVC at quality 95
    assert photo.flags == 0


def test_heic_does_not_turn_by_exif(tmp_path):
    """ISO/IEC 23008-12 has readers ignore the EXIF orientation of a HEIC (from memory)."""
    pillow_heif = pytest.importorskip("pillow_heif")
    pillow_heif.register_heif_opener()
    exif = Image.Exif()
    exif[0x0112] = 6
    path = save(tmp_path / "a.heic", exif=exif)  # as an object: only the tag is written
    assert read_photo(path).rgb.shape == (64, 96, 3)


def test_a_jpeg_with_more_pictures_behind_it_is_read_as_the_first(tmp_path):
    exif = Image.Exif()
    exif[0x0112] = 6
    path = tmp_path / "a.jpg"
    other = Image.fromarray(scene()[::-1].copy())
    Image.fromarray(scene()).save(path, "MPO", save_all=True, append_images=[other], exif=exif, quality=95)
    with Image.open(path) as image:
        assert image.format == "MPO"
    got = read_photo(path).rgb
    assert np.abs(got - np.rot90(scene(), -1).astype(int)).mean() < 4


def test_exif_facts_are_kept(tmp_path):
    exif = Image.Exif()
    exif[0x010F], exif[0x0110] = "Invented", "Fieldcam 3"
    detail = exif.get_ifd(0x8769)
    detail[0xA405] = 26
    detail[0x9003] = "2025:05:14 10:31:00"
    photo = read_photo(save(tmp_path / "a.jpg", exif=exif))
    assert photo.focal_length_35mm == 26
    assert photo.camera == "Invented Fieldcam 3"
    assert photo.taken == "2025:05:14 10:31:00"


def test_garbled_exif_does_not_spoil_a_good_picture(tmp_path):
    path = save(tmp_path / "a.jpg", exif=b"Exif\0\0MM\0*\0\0\0\x08\xff\xff" + b"\xee" * 40)
    photo = read_photo(path)
    assert photo.rgb.shape == (64, 96, 3)
    assert photo.focal_length_35mm is None


@pytest.mark.parametrize("bits", ["grey", "rgb"])
@pytest.mark.parametrize("ending", ["png", "tif"])
def test_sixteen_bits_become_eight(tmp_path, ending, bits):
    eight = scene()[..., 1] if bits == "grey" else scene()
    path = tmp_path / f"deep.{ending}"
    sixteen = eight.astype(np.uint16) * 257
    assert cv2.imwrite(str(path), sixteen if bits == "grey" else sixteen[..., ::-1])
    photo = read_photo(path)
    expected = np.repeat(eight[..., None], 3, axis=2) if bits == "grey" else eight
    assert np.abs(photo.rgb - expected.astype(int)).max() <= 1
    assert flags.names(photo.flags) == ["converted"]


@pytest.mark.parametrize(
    "mode, ending",
    [("CMYK", "jpg"), ("L", "jpg"), ("RGBA", "png"), ("P", "png"), ("LA", "png"), ("1", "png")],
)
def test_other_colour_models_are_converted_and_say_so(tmp_path, mode, ending):
    path = save(tmp_path / f"a.{ending}", mode=mode)
    photo = read_photo(path)
    expected = np.asarray(Image.open(path).convert("RGB"), int)
    assert np.abs(photo.rgb - expected).max() <= 4
    assert photo.flags == flags.bit("converted")


def test_a_transparent_picture_takes_the_colours_beneath(tmp_path):
    rgba = np.dstack([scene(), np.full(scene().shape[:2], 255, np.uint8)])
    path = tmp_path / "a.png"
    Image.fromarray(rgba).save(path)
    assert np.array_equal(read_photo(path).rgb, scene())


def test_a_progressive_jpeg_is_read(tmp_path):
    path = save(tmp_path / "a.jpg", progressive=True, quality=95)
    assert np.abs(read_photo(path).rgb - np.asarray(Image.open(path), int)).max() <= 4


def test_bytes_behind_the_end_of_a_jpeg_do_no_harm(tmp_path):
    """Phones append depth maps, clips and maker data."""
    path = save(tmp_path / "a.jpg")
    behind = np.random.default_rng(5).bytes(5000) + b"\xff\xda a false start of scan"
    path.write_bytes(path.read_bytes() + behind)
    assert read_photo(path).rgb.shape == (64, 96, 3)


def test_a_jpeg_with_a_thumbnail_inside_and_cut_short_is_refused(tmp_path):
    """The thumbnail's end marker must not pass for the photo's."""
    small = io.BytesIO()
    Image.fromarray(scene(32, 24)).save(small, "JPEG")
    path = save(tmp_path / "a.jpg", comment=small.getvalue())
    data = path.read_bytes()
    assert read_photo(path).rgb.shape == (64, 96, 3)
    path.write_bytes(data[:-200])
    with pytest.raises(UnreadablePhoto, match="cut short"):
        read_photo(path)


@pytest.mark.parametrize("share", [0.1, 0.5, 0.9, 0.999])
@pytest.mark.parametrize("ending, options", [("jpg", {}), ("jpg", {"progressive": True}), ("png", {}), ("tif", {})])
def test_a_cut_file_is_refused_wherever_it_was_cut(tmp_path, ending, options, share):
    noise = np.random.default_rng(3).integers(0, 255, (80, 120, 3), dtype=np.uint8)
    path = save(tmp_path / f"cut.{ending}", noise, **options)
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * share)])
    with pytest.raises(UnreadablePhoto) as caught:
        read_photo(path)
    one_line(caught.value, path)


def test_a_cut_heic_is_refused(tmp_path):
    pillow_heif = pytest.importorskip("pillow_heif")
    pillow_heif.register_heif_opener()
    path = save(tmp_path / "cut.heic")
    data = path.read_bytes()
    path.write_bytes(data[: len(data) // 2])
    with pytest.raises(UnreadablePhoto) as caught:
        read_photo(path)
    one_line(caught.value, path)


def one_line(error, path):
    assert "\n" not in str(error)
    assert path.name in error.reason
    assert error.reason.endswith(".") and error.remedy.endswith(".")
    assert str(path.parent) not in error.reason


@pytest.mark.parametrize(
    "name, content",
    [
        ("empty.jpg", b""),
        ("text.jpg", b"not a picture\n" * 50),
        ("magic.jpg", b"\xff\xd8\xff"),
        ("page.png", b"<html>"),
    ],
)
def test_what_is_no_picture_is_refused(tmp_path, name, content):
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(UnreadablePhoto) as caught:
        read_photo(path)
    one_line(caught.value, path)


def test_a_bomb_is_refused_from_its_header_alone(tmp_path):
    def chunk(kind, body):
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    header = chunk(b"IHDR", struct.pack(">IIBBBBB", 40_000, 40_000, 8, 2, 0, 0, 0))
    path = tmp_path / "bomb.png"
    path.write_bytes(b"\x89PNG\r\n\x1a\n" + header + chunk(b"IDAT", zlib.compress(b"\0" * 1000)) + chunk(b"IEND", b""))
    start = time.perf_counter()
    with pytest.raises(UnreadablePhoto, match="40000 x 40000 pixels") as caught:
        read_photo(path)
    assert time.perf_counter() - start < 2  # decoding 4.8 GB would take far longer
    one_line(caught.value, path)


def test_the_size_limit_is_a_setting(tmp_path):
    path = save(tmp_path / "a.jpg")
    with pytest.raises(UnreadablePhoto, match="limit"):
        read_photo(path, PhotoSettings(max_megapixels=0.001))


def test_folders_and_missing_files_are_refused(tmp_path):
    for path in (tmp_path / "nowhere.jpg", tmp_path):
        with pytest.raises(UnreadablePhoto) as caught:
            read_photo(path)
        assert path.name in caught.value.reason


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="rights do not bind root")
def test_a_file_without_rights_is_refused(tmp_path):
    path = save(tmp_path / "a.jpg")
    path.chmod(0)
    with pytest.raises(UnreadablePhoto, match="cannot be read"):
        read_photo(path)


def test_a_wrong_ending_does_not_matter(tmp_path):
    path = save(tmp_path / "a.png")
    odd = path.rename(tmp_path / "a.jpg")
    assert np.array_equal(read_photo(odd).rgb, scene())


def test_the_hash_is_of_the_file(tmp_path):
    import hashlib

    path = save(tmp_path / "a.jpg")
    assert read_photo(path).sha256 == hashlib.sha256(path.read_bytes()).hexdigest()


def test_names_of_any_kind(tmp_path):
    path = save(tmp_path / "Mais größe 玉米 =1+1.jpg")
    assert read_photo(path).path == path


def test_reading_leaves_the_limits_of_pillow_alone(tmp_path, monkeypatch):
    monkeypatch.setattr(Image, "MAX_IMAGE_PIXELS", 12345)
    read_photo(save(tmp_path / "a.png"))
    assert Image.MAX_IMAGE_PIXELS == 12345


def test_floating_grey_with_holes_is_read(tmp_path):
    grey = scene()[..., 0].astype(np.float32) / 255
    grey[0, 0] = np.nan
    path = tmp_path / "a.tif"
    Image.fromarray(grey).save(path)
    photo = read_photo(path)
    assert np.abs(photo.rgb[1:, :, 1] - scene()[1:, :, 0].astype(int)).max() <= 1
    assert photo.rgb[0, 0, 0] == 0
