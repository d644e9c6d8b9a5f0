"""Hostile rasters end as pixels or a plain refusal: no crash, no hang, no other file opened, no memory beyond 2 GB."""

import os
import socket
import struct
import sys
import threading
from pathlib import Path

import numpy as np
import pytest
import rasterio.shutil
from fixtures.mosaics import pattern, write_tif
from rasterio.transform import Affine

sys.path.insert(0, str(Path(__file__).parent))

from telling import call, judge, told

from standcam.errors import StandcamError, UnreadableRaster
from standcam.images.raster import open_raster
from standcam.images.raster_read import Window, read_window

pytestmark = pytest.mark.skipif(os.name != "posix", reason="memory is limited by setrlimit")

LIMIT = 2_500_000_000


@pytest.fixture(scope="module")
def sound(tmp_path_factory):
    """Bytes of sound rasters of many kinds."""
    folder = tmp_path_factory.mktemp("sound")
    rgb = pattern(180, 260)
    alpha = np.full((1, 180, 260), 255, np.uint8)
    alpha[:, :70] = 0
    small = {"blockxsize": 64, "blockysize": 64}
    jpeg = {"compress": "jpeg", "photometric": "YCBCR", "interleave": "pixel", **small}
    strip = {"tiled": False, "blockxsize": None, "blockysize": 16}
    made = [
        write_tif(folder / "tiled.tif", rgb, **small),
        write_tif(folder / "jpeg.tif", rgb, **jpeg),
        write_tif(folder / "over.tif", rgb, overviews=(2, 4), mask=alpha[0] > 0, **jpeg),
        write_tif(folder / "strip.tif", rgb, **strip),
        write_tif(folder / "strip_lzw.tif", rgb, compress="lzw", predictor=2, **{k: v for k, v in strip.items()}),
        write_tif(folder / "rgba.tif", np.concatenate([rgb, alpha]), overviews=(2,), ALPHA="YES", **small),
        write_tif(folder / "deep.tif", pattern(180, 260, top=4000), **small),
        write_tif(folder / "degrees.tif", rgb, Affine(4e-8, 0, 12.3, 0, -2.7e-8, 48.1), "EPSG:4326", **small),
        write_tif(folder / "planes.tif", rgb, interleave="band", BIGTIFF="YES", nodata=0, **small),
        write_tif(folder / "webp.tif", rgb, compress="zstd", **small),
    ]
    rasterio.shutil.copy(made[0], folder / "cog.tif", driver="COG", blocksize=128)
    return {path.name: path.read_bytes() for path in [*made, folder / "cog.tif"]}


def entries(data):
    """Places of the 12 or 20 bytes of each entry of the first directory."""
    order = "<" if data[:2] == b"II" else ">"
    if struct.unpack(order + "H", data[2:4])[0] == 43:
        at = struct.unpack(order + "Q", data[8:16])[0]
        return [(at + 8 + 20 * k, 20) for k in range(struct.unpack(order + "Q", data[at : at + 8])[0])]
    at = struct.unpack(order + "I", data[4:8])[0]
    return [(at + 2 + 12 * k, 12) for k in range(struct.unpack(order + "H", data[at : at + 2])[0])]


def mutated(sound, rng):
    """One broken file: its kind, and its bytes."""
    name = sorted(sound)[rng.integers(len(sound))]
    data = bytearray(sound[name])
    kind = ["flip", "head", "cut", "zeros", "tag", "tags", "splice", "number"][rng.integers(8)]
    n = len(data)
    if kind == "flip":
        for _ in range(int(rng.integers(1, 40))):
            data[rng.integers(n)] ^= 1 << int(rng.integers(8))
    elif kind == "head":
        for _ in range(int(rng.integers(1, 6))):
            data[rng.integers(min(n, 600))] = int(rng.integers(256))
    elif kind == "cut":
        del data[int(rng.integers(n)) :]
    elif kind == "zeros":
        at, much = int(rng.integers(n)), int(rng.integers(1, 4000))
        data[at : at + much] = bytes([int(rng.choice([0, 255]))]) * len(data[at : at + much])
    elif kind in ("tag", "tags"):
        places = entries(data)
        for _ in range(1 if kind == "tag" else 4):
            at, size = places[rng.integers(len(places))]
            field = int(rng.integers(0, 4))
            where = at + [0, 2, 4, size - (4 if size == 12 else 8)][field]
            value = int(rng.choice([0, 1, 2, 3, 7, 255, 256, 65535, 2**31 - 1, 2**32 - 1, int(rng.integers(2**32))]))
            data[where : where + (2 if field < 2 else 4)] = struct.pack("<I", value)[: 2 if field < 2 else 4]
    elif kind == "splice":
        other = sound[sorted(sound)[rng.integers(len(sound))]]
        at = int(rng.integers(n))
        data = data[:at] + other[int(rng.integers(len(other))) :]
    else:
        for _ in range(int(rng.integers(1, 4))):
            at = int(rng.integers(max(1, min(n, 4000) - 8)))
            data[at : at + 8] = struct.pack("<d", float(rng.choice([np.nan, np.inf, 0.0, -1.0, 1e300, 1e-300])))
    return f"{kind}_{name}", bytes(data)


def read_all(folder):
    """What became of each file of a folder, and the highest memory."""
    return told(call(Path(__file__).parent / "raster_reader.py", folder, LIMIT, timeout=900, limit=LIMIT))


def fuzz(folder, sound, n, seed):
    folder.mkdir()
    rng = np.random.default_rng(seed)
    for k in range(n):
        name, data = mutated(sound, rng)
        (folder / f"{k:05d}_{name}").write_bytes(data)
    return read_all(folder)


def test_sound_ones_are_read(tmp_path, sound):
    folder = tmp_path / "rasters"
    folder.mkdir()
    for name, data in sound.items():
        (folder / name).write_bytes(data)
    records, _ = read_all(folder)
    assert {r["said"] for r in records} == {"ok"}


def test_broken_ones(tmp_path, sound):
    records, peak = fuzz(tmp_path / "rasters", sound, 120, seed=1)
    judge(records)
    kinds = {r["said"].split(":")[0] for r in records}
    assert kinds == {"ok", "refused", "damaged"}  # damage of each degree was among them
    assert peak < 1_000_000_000


@pytest.mark.speed
def test_many_broken_ones(tmp_path, sound):
    records, peak = fuzz(tmp_path / "rasters", sound, 3000, seed=2)
    judge(records)
    print(f"slowest {max(r['seconds'] for r in records)} s, {peak / 1e6:.0f} MB")


OTHERS = {
    "vrt": b'<VRTDataset rasterXSize="9" rasterYSize="9"><VRTRasterBand dataType="Byte" band="1"><SimpleSource>'
    b"<SourceFilename>/vsicurl/http://127.0.0.1/a.tif</SourceFilename></SimpleSource></VRTRasterBand></VRTDataset>",
    "wms": b"<GDAL_WMS><Service name='TMS'><ServerUrl>http://127.0.0.1/</ServerUrl></Service></GDAL_WMS>",
    "text": b"ncols 5\nnrows 5\n",
    "archive": b"PK\x03\x04aaaa",
    "nothing": b"",
    "tiff of nothing": b"II*\0",
    "tiff that starts behind its end": b"II*\0\xff\xff\xff\x7f",
    "directory of itself": b"II*\0\x08\0\0\0\x00\x00\x08\0\0\0",
}


@pytest.mark.parametrize("kind", list(OTHERS))
def test_other_kinds_by_the_name_of_a_tif(tmp_path, kind):
    path = tmp_path / "a.tif"
    path.write_bytes(OTHERS[kind])
    with pytest.raises(UnreadableRaster, match=r"a\.tif"):
        open_raster(path)


@pytest.mark.parametrize(
    "path",
    [
        "/vsicurl/http://127.0.0.1:9/a.tif", "http://127.0.0.1:9/a.tif", "zip://a.zip!a.tif", "/vsizip/a.zip/a.tif",
        "GTIFF_DIR:1:a.tif", "/vsistdin/", "s3://bucket/a.tif", "WMS:http://127.0.0.1/", "a\0b.tif", "", "/dev/zero",
    ],
)  # fmt: skip
def test_paths_that_are_no_files(tmp_path, monkeypatch, path):
    monkeypatch.chdir(tmp_path)
    with pytest.raises(UnreadableRaster):
        open_raster(path)


def test_a_pipe_is_not_waited_for(tmp_path):
    os.mkfifo(tmp_path / "a.tif")
    with pytest.raises(UnreadableRaster, match="pipe or device"):
        open_raster(tmp_path / "a.tif")


def test_files_beside_it_are_not_opened(tmp_path):
    """An .aux.xml may name overviews anywhere, on the network too; an .ovr may be of any kind."""
    path = write_tif(tmp_path / "a.tif", pattern(400, 500))
    called = threading.Event()
    with socket.socket() as server:
        server.bind(("127.0.0.1", 0))
        server.listen(1)
        server.settimeout(2)

        def serve():
            try:
                server.accept()[0].close()
                called.set()
            except OSError:
                pass

        waiting = threading.Thread(target=serve)
        waiting.start()
        url = f"/vsicurl/http://127.0.0.1:{server.getsockname()[1]}/b.tif"
        (tmp_path / "a.tif.aux.xml").write_text(
            f'<PAMDataset><Metadata domain="OVERVIEWS"><MDI key="OVERVIEW_FILE">{url}</MDI></Metadata></PAMDataset>'
        )
        (tmp_path / "a.tif.ovr").write_text(OTHERS["vrt"].decode())
        raster = open_raster(path)
        tile = read_window(raster, Window.of(0, 0, 500, 400))
        waiting.join()
    assert not called.is_set() and not raster.has_overviews
    assert (tile.rgb == np.moveaxis(pattern(400, 500), 0, 2)).all()


def test_a_forged_size(tmp_path):
    data = bytearray(write_tif(tmp_path / "a.tif", pattern(64, 64)).read_bytes())
    for at, _ in entries(data):
        if struct.unpack("<H", data[at : at + 2])[0] in (256, 257):
            data[at + 2 : at + 12] = struct.pack("<HII", 4, 1, 2**31 - 1)
    (tmp_path / "b.tif").write_bytes(data)
    with pytest.raises(UnreadableRaster, match=r"b\.tif (claims 2,147,483,647|is damaged)"):
        open_raster(tmp_path / "b.tif")


@pytest.mark.parametrize(
    "crs", ['LOCAL_CS["x"]', "EPSG:4978", "EPSG:3413", "+proj=ob_tran +o_proj=moll +o_lon_p=0 +o_lat_p=0"]
)
def test_odd_maps(tmp_path, crs):
    try:
        path = write_tif(tmp_path / "a.tif", pattern(64, 64), crs=crs)
    except Exception as error:
        pytest.skip(f"cannot be written: {error}")
    try:
        raster = open_raster(path)
    except StandcamError as error:
        assert "a.tif" in str(error)
    else:
        assert raster.mm_per_px == pytest.approx(4, rel=0.6)
