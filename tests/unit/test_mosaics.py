"""Mosaics among photos: known by their tags, left out of folders with a word."""

import struct

import numpy as np
import pytest
from PIL import Image

from standcam.batch.inputs import find_inputs
from standcam.batch.mosaics import is_mosaic, leave_out_mosaics


def geotiff(path, **profile):
    import rasterio
    from rasterio.transform import Affine

    with rasterio.open(
        path, "w", driver="GTiff", width=32, height=16, count=3, dtype="uint8", crs="EPSG:32615",
        transform=Affine(0.005, 0, 500_000, 0, -0.005, 4_600_000), **profile,
    ) as file:  # fmt: skip
        file.write(np.zeros((3, 16, 32), np.uint8))
    return path


@pytest.mark.parametrize("profile", [{}, {"BIGTIFF": "YES"}, {"ENDIANNESS": "BIG"}, {"compress": "deflate"}])
def test_what_gdal_writes_with_a_place_is_a_mosaic(tmp_path, profile):
    assert is_mosaic(geotiff(tmp_path / "a.tif", **profile))


def test_photos_and_broken_files_are_none(tmp_path):
    Image.new("RGB", (20, 10)).save(tmp_path / "plain.tif")
    Image.new("RGB", (20, 10)).save(tmp_path / "photo.jpg")
    (tmp_path / "empty.tif").write_bytes(b"")
    (tmp_path / "cut.tif").write_bytes(geotiff(tmp_path / "whole.tif").read_bytes()[:12])
    (tmp_path / "far.tif").write_bytes(struct.pack("<2sHI", b"II", 42, 0xFFFFFF00))
    (tmp_path / "text.tif").write_text("no picture at all")
    for name in ("plain.tif", "photo.jpg", "empty.tif", "cut.tif", "far.tif", "text.tif", "missing.tif"):
        assert not is_mosaic(tmp_path / name), name


def test_a_walk_leaves_them_out_with_a_word_and_a_name_keeps_them(tmp_path):
    (tmp_path / "strips").mkdir()
    mosaic = geotiff(tmp_path / "strips" / "field.tif")
    Image.new("RGB", (20, 10)).save(tmp_path / "photo.jpg")
    inputs, problems = find_inputs([tmp_path])
    left, notes = leave_out_mosaics(inputs, [tmp_path])
    assert not problems
    assert [i.photo for i in left] == ["photo.jpg"]
    assert notes == ["field.tif is a mosaic and was left out of the photos: `standcam strip` counts mosaics."]
    named, none = leave_out_mosaics(find_inputs([tmp_path, mosaic])[0], [tmp_path, mosaic])
    assert len(named) == 2 and not none
    geotiff(tmp_path / "other.TIF")
    _, notes = leave_out_mosaics(find_inputs([tmp_path])[0], [tmp_path])
    assert "and 1 more are mosaics" in notes[0]
