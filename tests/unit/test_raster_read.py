import resource
import subprocess
import sys
import time

import numpy as np
import pytest
import rasterio
import rasterio.shutil
from fixtures.mosaics import pattern, read_whole, write_tif
from rasterio.transform import Affine

from standcam.errors import UnreadableRaster
from standcam.images import small_picture
from standcam.images.raster import open_raster
from standcam.images.raster_file import environment, opening_of
from standcam.images.raster_read import Window, close_rasters, read_window, tiles
from standcam.settings import RasterSettings

SMALL = RasterSettings(tile_px=256, margin_cm=10)
DEGREE = Affine(4e-8, 0, 12.3, 0, -2.7e-8, 48.1)


def everything(raster):
    return read_window(raster, Window.of(0, 0, raster.width_px, raster.height_px))


def kinds():
    rgb = pattern(600, 900)
    alpha = np.full((1, 600, 900), 255, np.uint8)
    alpha[:, :200, :333] = 0
    return {
        "tiled": (rgb, {}),
        "striped": (rgb, {"tiled": False, "blockxsize": None, "blockysize": 16}),
        "jpeg": (rgb, {"compress": "jpeg", "photometric": "YCBCR", "interleave": "pixel"}),
        "by band": (rgb, {"interleave": "band", "compress": "lzw", "predictor": 2}),
        "big": (rgb, {"BIGTIFF": "YES", "compress": None}),
        "rgba": (np.concatenate([rgb, alpha]), {"ALPHA": "YES"}),
        "nodata": (np.where(alpha > 0, rgb, 7).astype(np.uint8), {"nodata": 7}),
        "fine": (rgb, {"mm_per_px": 0.9}),
        "degrees": (np.concatenate([rgb, alpha]), {"ALPHA": "YES", "transform": DEGREE, "crs": "EPSG:4326"}),
        "deep": (np.concatenate([pattern(600, 900, top=4000), alpha.astype(np.uint16) * 257]), {"ALPHA": "YES"}),
        "deep degrees": (pattern(600, 900, top=4000), {"nodata": 0, "transform": DEGREE, "crs": "EPSG:4326"}),
        "sheared and fine": (rgb, {"transform": Affine(0.001, 0.0003, 512345, 0, -0.001, 5304321)}),
    }


@pytest.mark.parametrize("kind", ["tiled", "striped", "jpeg", "by band", "big"])
def test_pixels_are_those_of_rasterio(tmp_path, kind):
    bands, options = kinds()[kind]
    path = write_tif(tmp_path / "a.tif", bands, **options)
    tile = everything(open_raster(path))
    assert tile.rgb.dtype == np.uint8 and tile.rgb.flags.c_contiguous and tile.valid is None
    assert (tile.rgb == np.moveaxis(read_whole(path), 0, 2)).all()


@pytest.mark.parametrize("kind", list(kinds()))
def test_any_cut_gives_the_same_pixels(tmp_path, kind):
    bands, options = kinds()[kind]
    raster = open_raster(write_tif(tmp_path / "a.tif", bands, **options))
    whole = everything(raster)
    there = np.ones(whole.rgb.shape[:2], bool) if whole.valid is None else whole.valid
    covered = np.zeros(there.shape, int)
    for window in tiles(raster, SMALL):
        tile = read_window(raster, window)
        y, x = slice(window.y0, window.y0 + window.height_px), slice(window.x0, window.x0 + window.width_px)
        assert (tile.x0, tile.y0) == (window.x0, window.y0)
        assert (tile.rgb == whole.rgb[y, x]).all()
        assert (there[y, x] if tile.valid is None else there[y, x] == tile.valid).all()
        x0, y0, x1, y1 = window.core
        covered[y0:y1, x0:x1] += 1
    assert (covered == 1).all()


def test_each_place_belongs_to_one_window(tmp_path):
    raster = open_raster(write_tif(tmp_path / "a.tif", pattern(600, 900)))
    windows = tiles(raster, SMALL)
    rng = np.random.default_rng(0)
    points = np.concatenate([rng.uniform(-3, [903, 603], (2000, 2)), [[255.5, 255.5], [256, 511.5], [-0.5, -0.5]]])
    assert (sum(window.owns(points).astype(int) for window in windows) == 1).all()
    assert [w.index for w in windows] == list(range(len(windows)))
    # margins of 10 cm are 25 px, and end at the edge
    assert (windows[0].width_px, windows[0].x0, windows[0].core[2]) == (256 + 2 * 25, 0, 256 + 25)
    assert (windows[1].x0, windows[1].core[0]) == (256, 256 + 25)


def test_windows_begin_with_blocks(tmp_path):
    raster = open_raster(write_tif(tmp_path / "a.tif", pattern(700, 1500), blockxsize=128, blockysize=128))
    windows = tiles(raster, RasterSettings(tile_px=300))
    assert len(windows) > 6 and {w.x0 % 128 for w in windows} == {w.y0 % 128 for w in windows} == {0}
    fine = open_raster(write_tif(tmp_path / "b.tif", pattern(700, 1500), mm_per_px=0.7, blockxsize=128, blockysize=128))
    assert fine.factor == 3 and {3 * w.x0 % 128 for w in tiles(fine, RasterSettings(tile_px=256))} == {0}


def test_transparent_pixels(tmp_path):
    bands, options = kinds()["rgba"]
    raster = open_raster(write_tif(tmp_path / "a.tif", bands, **options))
    tile = everything(raster)
    assert raster.validity == "alpha" and (tile.valid == (bands[3] > 0)).all()
    assert (tile.rgb[~tile.valid] == 0).all() and (
        tile.rgb[tile.valid] == np.moveaxis(bands[:3], 0, 2)[tile.valid]
    ).all()
    assert read_window(raster, Window.of(10, 10, 50, 50)).is_empty
    assert read_window(raster, Window.of(400, 10, 50, 50)).valid is None


def test_nodata_is_a_clump_of_its_value(tmp_path):
    rgb = np.maximum(pattern(600, 900), 20)
    rgb[:, :150, :] = 0
    rgb[:, 400, 500] = 0  # one burnt or black pixel is ground
    rgb[0, 300:330, 300:330] = 0  # one band alone means nothing
    raster = open_raster(write_tif(tmp_path / "a.tif", rgb, nodata=0))
    tile = everything(raster)
    want = np.ones((600, 900), bool)
    want[:150] = False
    assert raster.validity == "nodata" and (tile.valid == want).all()


def test_mask_in_the_file(tmp_path):
    mask = np.zeros((600, 900), bool)
    mask[100:, 50:] = True
    raster = open_raster(write_tif(tmp_path / "a.tif", pattern(600, 900), mask=mask))
    assert raster.validity == "mask" and (everything(raster).valid == mask).all()


@pytest.mark.parametrize(("value", "word"), [(0, "black"), (255, "white")])
@pytest.mark.parametrize("options", [{}, {"compress": "jpeg", "photometric": "YCBCR", "interleave": "pixel"}])
def test_plain_edges_without_declaration(tmp_path, value, word, options):
    rgb = pattern(600, 900)
    rgb[:, :200, :] = value
    path = write_tif(tmp_path / "a.tif", rgb, **options)
    raster = open_raster(path)
    assert raster.validity == "fill" and any(f"plain {word}" in note for note in raster.notes)
    valid = everything(raster).valid
    assert not valid[:180].any() and valid[210:].all()  # a JPEG's blocks at the seam belong to neither
    assert open_raster(path, RasterSettings(find_fill=False)).validity == "all"


def test_16_bits(tmp_path):
    deep = pattern(600, 900, top=4000)
    deep[:, :10, :10] = 65535  # glitter
    raster = open_raster(write_tif(tmp_path / "a.tif", deep))
    low, high = raster.stretch
    sample = np.moveaxis(deep, 0, 2).astype(float)
    assert low == 0 and np.mean(sample > high) < 0.006 and high < 4001
    want = np.clip(np.round((sample - low) * 255 / (high - low)), 0, 255)
    assert np.abs(everything(raster).rgb - want).max() <= 1
    assert any("16 bits" in note for note in raster.notes)


def test_16_bits_with_transparency(tmp_path):
    bands, options = kinds()["deep"]
    raster = open_raster(write_tif(tmp_path / "a.tif", bands, **options))
    assert raster.validity == "alpha" and (everything(raster).valid == (bands[3] > 0)).all()


def test_16_bits_that_are_8(tmp_path):
    rgb = pattern(300, 400)
    raster = open_raster(write_tif(tmp_path / "a.tif", rgb.astype(np.uint16)))
    assert raster.stretch == (0, 255) and (everything(raster).rgb == np.moveaxis(rgb, 0, 2)).all()


def test_16_bits_above_a_black_level(tmp_path):
    raster = open_raster(write_tif(tmp_path / "a.tif", (pattern(300, 400, top=4000) + 20000).astype(np.uint16)))
    rgb = everything(raster).rgb
    assert raster.stretch[0] > 20000 and rgb.min() < 10 and rgb.max() > 245


def test_fine_files_are_means_of_their_pixels(tmp_path):
    rgb = pattern(601, 901)
    raster = open_raster(write_tif(tmp_path / "a.tif", rgb, mm_per_px=1.0))
    assert (raster.width_px, raster.height_px) == (450, 300)
    want = rgb[:, :600, :900].reshape(3, 300, 2, 450, 2).mean(axis=(2, 4))
    assert np.abs(np.moveaxis(everything(raster).rgb, 2, 0) - want).max() <= 0.5


@pytest.mark.parametrize("cog", [False, True])
@pytest.mark.parametrize("kind", ["rgba", "degrees"])
def test_empty_windows_are_told_by_overviews(tmp_path, kind, cog):
    bands, options = kinds()[kind]
    path = write_tif(tmp_path / "a.tif", bands, overviews=(2, 4, 8), **options)
    if cog:
        rasterio.shutil.copy(path, tmp_path / "b.tif", driver="COG", blocksize=256)
        path = tmp_path / "b.tif"
    raster = open_raster(path)
    assert raster.has_overviews
    settings = RasterSettings(tile_px=256, margin_cm=1)
    small = [
        w for x in range(0, raster.width_px - 32, 32) for y in range(0, raster.height_px - 32, 32)
        for w in [Window.of(x, y, 32, 32)]
    ]  # fmt: skip
    from standcam.images import raster_read

    coarse = raster_read._coarse_valid(raster)
    empty = [w for w in small if not coarse.any_in(raster, w.x0, w.y0, w.x0 + 32, w.y0 + 32)]
    truly = [w for w in small if read_window(raster, w).is_empty]
    assert set(empty) <= set(truly) and len(empty) > 0.4 * len(truly) > 0
    assert all(read_window(raster, w).is_empty for w in tiles(raster, settings) if w.empty)


@pytest.mark.parametrize("kind", ["tiled", "striped", "rgba", "nodata", "fine", "degrees"])
@pytest.mark.parametrize("tile_px", [512, 4096])
def test_the_small_picture_is_the_mean_of_the_large_one(tmp_path, monkeypatch, kind, tile_px):
    bands, options = kinds()[kind]
    raster = open_raster(write_tif(tmp_path / "a.tif", bands, **options))
    monkeypatch.setattr(small_picture, "LONGER_PX", 150)
    step = small_picture.small_step(raster)
    assert step > 2
    settings = RasterSettings(tile_px=tile_px)
    parts = [small_picture.small_part(read_window(raster, w), w, step) for w in tiles(raster, settings)]
    small = small_picture.joined(raster, parts)
    assert 100 <= max(small.shape[:2]) <= 150
    whole = everything(raster)
    h, w = (n // step for n in whole.rgb.shape[:2])
    mean = whole.rgb[: h * step, : w * step].reshape(h, step, w, step, 3).mean((1, 3))
    if whole.valid is not None:
        mean[~whole.valid[step // 2 : h * step : step, step // 2 : w * step : step]] = 255
    off = np.abs(small[:h, :w] - mean).mean(axis=2)
    assert np.median(off) < 8 and off.mean() < 16  # JPEG, of a picture that changes from cell to cell


def test_windows_beyond_the_raster(tmp_path):
    raster = open_raster(write_tif(tmp_path / "a.tif", pattern(300, 400)))
    for window in (Window.of(-1, 0, 10, 10), Window.of(391, 0, 10, 10), Window.of(0, 0, 0, 5)):
        with pytest.raises(ValueError, match="beyond"):
            read_window(raster, window)


def test_a_file_that_changes_or_goes(tmp_path):
    path = write_tif(tmp_path / "a.tif", pattern(300, 400))
    raster = open_raster(path)
    close_rasters()
    path.write_bytes(path.read_bytes() + b"0")
    with pytest.raises(UnreadableRaster, match="changed"):
        everything(raster)
    path.unlink()
    with pytest.raises(UnreadableRaster, match="cannot be read"):
        everything(raster)


def test_the_cache_holds_megabytes(tmp_path):
    """A number goes to GDALSetCacheMax64, which takes bytes; with 64 of them every window decodes its blocks anew."""
    from rasterio._env import get_gdal_config

    path = write_tif(tmp_path / "a.tif", pattern(600, 600))
    with environment(opening_of(path, cache_mb=48)):
        assert get_gdal_config("GDAL_CACHEMAX") == 48 * 2**20


def test_a_damaged_block_spoils_no_other(tmp_path):
    path = write_tif(tmp_path / "a.tif", pattern(600, 900))
    data = bytearray(path.read_bytes())
    with rasterio.open(path) as file:
        at = int(file.get_tag_item("BLOCK_OFFSET_1_1", "TIFF", bidx=1))
    data[at + 40 : at + 400] = bytes(360)
    path.write_bytes(bytes(data))
    raster = open_raster(path)
    said = []
    for window in tiles(raster, RasterSettings(tile_px=256, margin_cm=0.1)):
        try:
            read_window(raster, window)
        except UnreadableRaster as error:
            said.append((window.core, str(error)))
    assert any(c[0] <= 300 < c[2] and c[1] <= 300 < c[3] for c, _ in said) and len(said) <= 9
    assert all("a.tif is damaged" in words for _, words in said)


MEMORY = """
import re, sys, time
from pathlib import Path
from standcam.images.raster import open_raster
from standcam.images import small_picture
from standcam.images.raster_read import read_window, tiles
def peak():  # of this program alone; ru_maxrss starts with that of the parent
    return int(re.search(r"VmHWM:\\s*(\\d+)", Path("/proc/self/status").read_text())[1]) // 1024
raster = open_raster(sys.argv[1])
start, begin = peak(), time.process_time()
for window in tiles(raster):
    read_window(raster, window)
print(start, peak(), raster.width_px * raster.height_px / 1e6 / (time.process_time() - begin))
"""

ALONE = """
import sys, time, rasterio
from rasterio.windows import Window
begin = time.process_time()
with rasterio.Env(GDAL_CACHEMAX=64 << 20), rasterio.open(sys.argv[1]) as file:
    for y in range(0, file.height, 2048):
        for x in range(0, file.width, 2048):
            file.read((1, 2, 3), window=Window(x, y, min(2048, file.width - x), min(2048, file.height - y)))
print(file.width * file.height / 1e6 / (time.process_time() - begin))
"""


def large(path, side, **options):
    """A mosaic of a repeated field of 2048 px."""
    part = pattern(2048, 2048)
    profile = {"driver": "GTiff", "width": side, "height": side, "count": 3, "dtype": "uint8", "crs": "EPSG:32633",
               "transform": Affine(0.003, 0, 5e5, 0, -0.003, 5e6), "tiled": True, "blockxsize": 512, "blockysize": 512,
               "compress": "jpeg", "photometric": "YCBCR", "interleave": "pixel", **options}  # fmt: skip
    with rasterio.open(path, "w", **{k: v for k, v in profile.items() if v is not None}) as file:
        for y in range(0, side, 2048):
            for x in range(0, side, 2048):
                w, h = min(2048, side - x), min(2048, side - y)
                file.write(part[:, :h, :w], window=rasterio.windows.Window(x, y, w, h))
    return path


@pytest.mark.speed
@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="memory is read from /proc")
@pytest.mark.parametrize("stored", ["tiles", "stripes"])
def test_memory_and_time_of_400_megapixels(tmp_path, stored):
    options = {} if stored == "tiles" else {"tiled": False, "blockxsize": None, "blockysize": 16, "compress": "deflate",
                                            "photometric": "RGB"}  # fmt: skip
    path = large(tmp_path / "a.tif", 20_000, **options)
    rates = []
    for code in (ALONE, MEMORY, ALONE, MEMORY):
        said = subprocess.run(
            [sys.executable, "-c", code, path], capture_output=True, text=True, check=True
        ).stdout.split()
        rates.append(float(said[-1]))
    before, peak = int(said[0]), int(said[1])
    print(f"{stored}: {before} MiB before, {peak} MiB at most; Mpx a second of a core, alone and by windows: {rates}")
    assert peak - before < (250 if stored == "tiles" else 450)  # two windows of 18 MB, blocks in the cache, and room
    # of blocks of 512 px under margins of 167 px 25 are decoded for 16
    assert min(rates[1::2]) > 0.45 * max(rates[::2])


def test_memory_stays_small_in_a_sparse_giant(tmp_path):
    path = tmp_path / "a.tif"
    with rasterio.open(path, "w", driver="GTiff", width=200_000, height=200_000, count=3, dtype="uint16", tiled=True,
                       crs="EPSG:32633", transform=Affine(0.003, 0, 5e5, 0, -0.003, 5e6), sparse_ok=True,
                       interleave="pixel", compress="deflate", photometric="RGB"):  # fmt: skip
        pass
    begin = time.perf_counter()
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    raster = open_raster(path)
    windows = tiles(raster)
    read_window(raster, windows[2000])
    assert len(windows) > 4000 and time.perf_counter() - begin < 10
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 300_000
