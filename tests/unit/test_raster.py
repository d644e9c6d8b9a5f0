import pickle
import warnings

import numpy as np
import pyproj
import pytest
import rasterio
from fixtures.mosaics import pattern, write_tif
from rasterio.transform import Affine

from standcam.errors import BadSettings, MissingCRS, UnreadableRaster
from standcam.images.raster import open_raster, raster_sha256
from standcam.images.raster_read import Window, read_window
from standcam.settings import RasterSettings


def test_facts_of_a_plain_mosaic(tmp_path):
    path = write_tif(tmp_path / "a.tif", pattern(300, 500))
    raster = open_raster(path)
    assert (raster.width_px, raster.height_px, raster.factor, raster.warped) == (500, 300, 1, False)
    assert raster.mm_per_px == pytest.approx(4.0)
    assert (raster.crs_name, raster.dtype, raster.bands, raster.block_px) == (
        "EPSG:32633",
        "uint8",
        (1, 2, 3),
        (256, 256),
    )
    assert raster.stems_possible and raster.validity == "all" and not raster.has_overviews
    assert pyproj.CRS.from_wkt(raster.crs_wkt) == pyproj.CRS("EPSG:32633")
    again = pickle.loads(pickle.dumps(raster))
    assert again == raster and len(pickle.dumps(raster)) < 5000


def test_places_agree_with_rasterio(tmp_path):
    path = write_tif(tmp_path / "a.tif", pattern(300, 500))
    raster = open_raster(path)
    points = np.array([[0, 0], [499, 299], [12.25, 100.5]])
    with rasterio.open(path) as file:
        # rasterio: the centre of pixel (row, col); and xy of corners by offset "ul"
        centres = [file.xy(0, 0), file.xy(299, 499)]
        assert raster.to_map([[-0.5, -0.5]])[0] == pytest.approx(file.xy(0, 0, offset="ul"), abs=1e-9)
        bounds = file.bounds
    assert raster.to_map(points)[:2] == pytest.approx(np.array(centres), abs=1e-9)
    assert raster.bounds_m == pytest.approx(tuple(bounds), abs=1e-9)
    assert raster.to_pixels(raster.to_map(points)) == pytest.approx(points, abs=1e-5)


def test_ground_is_the_map_in_cm(tmp_path):
    raster = open_raster(write_tif(tmp_path / "a.tif", pattern(300, 500)))
    points = np.array([[0, 0], [499, 299], [12.25, 100.5]])
    ground = raster.ground
    assert ground.method == "geotiff" and ground.has_scale and (ground.width_px, ground.height_px) == (500, 300)
    cm = ground.to_ground(points)
    assert cm / 100 + raster.origin_m == pytest.approx(raster.to_map(points), abs=1e-8)
    assert np.abs(cm).max() < 1000  # numbers stay small
    assert ground.cm_per_px(points) == pytest.approx(0.4)
    assert np.linalg.det(ground.jacobian(points[:1]))[0] < 0  # pictures' y runs down: the ground is right-handed
    window = Window.of(100, 50, 64, 64)
    assert raster.ground_of(window).to_ground(points) == pytest.approx(ground.to_ground(points + np.array([100, 50])))


@pytest.mark.parametrize("angle", [30, -100])
def test_turned_grid_is_read_as_it_is(tmp_path, angle):
    c, s = 0.004 * np.cos(np.deg2rad(angle)), 0.004 * np.sin(np.deg2rad(angle))
    turned = Affine(c, s, 512345.6, s, -c, 5304321.4)
    path = write_tif(tmp_path / "a.tif", pattern(300, 500), turned)
    raster = open_raster(path)
    assert not raster.warped and raster.mm_per_px == pytest.approx(4.0)
    with rasterio.open(path) as file:
        assert raster.to_map([[7, 9]])[0] == pytest.approx(file.xy(9, 7), abs=1e-9)


def geod_mm(raster, a, b):
    """Distance of two pixels on the ellipsoid, by way of GeographicLib in pyproj. [mm]"""
    back = pyproj.Transformer.from_crs(raster.crs_wkt, "EPSG:4326", always_xy=True)
    lon, lat = back.transform(*raster.to_map([a, b]).T)
    return 1000 * pyproj.Geod(ellps="WGS84").inv(lon[0], lat[0], lon[1], lat[1])[2]


DEGREE = Affine(4e-8, 0, 12.3, 0, -2.7e-8, 48.1)
FOOT = 0.3048006096012192  # US survey foot, 1200 / 3937 m


@pytest.mark.parametrize(
    ("crs", "transform", "zone"),
    [
        ("EPSG:4326", DEGREE, "EPSG:32633"),
        ("EPSG:4326", Affine(4e-8, 0, -62.1, 0, -2.7e-8, -33.2), "EPSG:32720"),
        # Illinois East in US survey feet, NAD83: the zone of its own datum
        ("EPSG:3435", Affine(0.004 / FOOT, 0, 1_000_000, 0, -0.004 / FOOT, 1_200_000), "EPSG:26916"),
        # world-wide Mercator: a "metre" of it is 0.67 m on the ground there
        ("EPSG:3857", Affine(0.006, 0, 1369230, 0, -0.006, 6124000), "EPSG:32633"),
        ("EPSG:32633", Affine(0.004, 0, 512345, 0, -0.003, 5304321), "EPSG:32633"),  # oblong
        ("EPSG:32633", Affine(0.004, 0.001, 512345, 0, -0.004, 5304321), "EPSG:32633"),  # sheared
        ("EPSG:32633", Affine(0.004, 0, 512345, 0, 0.004, 5304321), "EPSG:32633"),  # south up
    ],
)
def test_other_maps_are_brought_to_metres(tmp_path, crs, transform, zone):
    path = write_tif(tmp_path / "a.tif", pattern(400, 600), transform, crs)
    raster = open_raster(path)
    assert raster.warped and raster.crs_name == zone and raster.stems_possible
    assert any("drawn anew" in note or "brought to" in note for note in raster.notes)
    # lengths: UTM's differ from the ellipsoid's by up to 0.1 % (Snyder 1987, chapter 8)
    for a, b in (([100, 200], [500, 200]), ([100, 100], [100, 380])):
        length = np.hypot(*np.subtract(a, b)) * raster.mm_per_px
        assert length == pytest.approx(geod_mm(raster, a, b), rel=1e-3)
    # a pixel shows what the file shows at that place, as pyproj and rasterio find it
    tile = read_window(raster, Window.of(0, 0, raster.width_px, raster.height_px))
    to_px = np.linalg.inv(np.array(transform).reshape(3, 3))
    forth = pyproj.Transformer.from_crs(raster.crs_wkt, crs, always_xy=True)
    with rasterio.open(path) as file:
        picture = file.read()
    rng = np.random.default_rng(1)
    inner = rng.uniform([60, 60], [540, 340], (20, 2))
    maps = np.array([forth.transform(*(np.array(transform).reshape(3, 3) @ [*(p + 0.5), 1])[:2], direction="INVERSE")
                     for p in inner])  # fmt: skip
    assert raster.to_source_pixels(maps) == pytest.approx(inner, abs=0.01)
    seen = 0
    for x, y in rng.integers(0, [raster.width_px, raster.height_px], (200, 2)):
        place = forth.transform(*raster.to_map([[x, y]])[0])
        col, row = (to_px @ [*place, 1])[:2] - 0.5
        c, r = int(np.floor(col)), int(np.floor(row))
        inside = 0 <= c < 599 and 0 <= r < 399
        if not inside:
            assert tile.valid is None or not tile.valid[y, x] or (-0.02 <= col <= 599.02 and -0.02 <= row <= 399.02)
            continue
        u, v = col - c, row - r
        box = picture[:, r : r + 2, c : c + 2].astype(float)
        want = (
            box[:, 0, 0] * (1 - u) * (1 - v)
            + box[:, 0, 1] * u * (1 - v)
            + box[:, 1, 0] * (1 - u) * v
            + box[:, 1, 1] * u * v
        )
        # places are rounded to 1/64 px, and neighbours here differ by up to some 60 levels
        assert tile.rgb[y, x] == pytest.approx(want, abs=2.5)
        seen += 1
    assert seen > 50


def test_no_map(tmp_path):
    path = write_tif(tmp_path / "a.tif", pattern(300, 500), crs=None)
    with pytest.raises(MissingCRS, match=r"a\.tif does not tell a map projection .*--mm-per-px"):
        open_raster(path)
    raster = open_raster(path, RasterSettings(mm_per_px=5.0))
    assert (raster.crs_wkt, raster.crs_name) == ("", "local") and raster.mm_per_px == pytest.approx(5.0)
    assert any("no place on earth" in note for note in raster.notes)
    assert raster.to_map([[-0.5, 299.5]])[0] == pytest.approx([0, 0], abs=1e-12)
    assert raster.to_map([[0.5, 298.5]])[0] == pytest.approx([0.005, 0.005])


def test_a_map_without_a_place(tmp_path):
    path = write_tif(tmp_path / "a.tif", pattern(300, 500), Affine.identity())
    with pytest.raises(MissingCRS, match="does not tell a place on the map"):
        open_raster(path)


def test_scale_that_contradicts_the_file(tmp_path):
    path = write_tif(tmp_path / "a.tif", pattern(300, 500))
    assert open_raster(path, RasterSettings(mm_per_px=4.02)).mm_per_px == pytest.approx(4.0)
    with pytest.raises(BadSettings, match=r"mm_per_px is 5, but a\.tif tells 4 mm"):
        open_raster(path, RasterSettings(mm_per_px=5))


def test_resolution_says_what_can_be_had(tmp_path):
    fine = open_raster(write_tif(tmp_path / "fine.tif", pattern(300, 500), mm_per_px=1.0))
    assert (fine.factor, fine.width_px, fine.height_px) == (2, 250, 150) and fine.mm_per_px == pytest.approx(2.0)
    assert fine.stems_possible and any("reduced by 2" in note for note in fine.notes)
    assert open_raster(write_tif(tmp_path / "ten.tif", pattern(300, 500), mm_per_px=10.0)).stems_possible
    coarse = open_raster(write_tif(tmp_path / "coarse.tif", pattern(300, 500), mm_per_px=14.0))
    assert (
        not coarse.stems_possible
        and "14 mm of ground" in coarse.why_no_stems
        and "Rows and gaps" in coarse.why_no_stems
    )
    with pytest.raises(UnreadableRaster, match="Rows show at 80 mm"):
        open_raster(write_tif(tmp_path / "blind.tif", pattern(300, 500), mm_per_px=150.0))


def test_heights_beside_the_projection_are_left_out(tmp_path):
    raster = open_raster(write_tif(tmp_path / "a.tif", pattern(300, 500), crs="EPSG:32633+5773"))
    assert raster.crs_name == "EPSG:32633" and not raster.warped


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: (pattern(64, 64)[:1], {"photometric": None}), "has 1 band and no colour"),
        (lambda: (pattern(64, 64).astype(np.float32) / 255, {}), "floating point numbers"),
        (lambda: (pattern(64, 64).astype(np.int16), {}), "type int16"),
        (lambda: (np.concatenate([pattern(64, 64)] * 2), {"photometric": "MINISBLACK"}), "6 bands and does not tell"),
        (lambda: (np.concatenate([pattern(64, 64), pattern(64, 64)[:1]]), {"photometric": "CMYK"}), "made for print"),
    ],
)
def test_no_colours(tmp_path, make, words):
    bands, options = make()
    path = write_tif(tmp_path / "a.tif", bands, **options)
    with pytest.raises(UnreadableRaster, match=words):
        open_raster(path)


def test_palette(tmp_path):
    path = tmp_path / "a.tif"
    with rasterio.open(path, "w", driver="GTiff", width=64, height=64, count=1, dtype="uint8", crs="EPSG:32633",
                       transform=Affine(0.004, 0, 5e5, 0, -0.004, 5e6)) as file:  # fmt: skip
        file.write(pattern(64, 64)[0] % 4, 1)
        file.write_colormap(1, {k: (k, 2 * k, 0) for k in range(4)})
    with pytest.raises(UnreadableRaster, match="palette"):
        open_raster(path)


def test_bands_by_name(tmp_path):
    bands = np.concatenate([pattern(64, 64)] * 2)
    path = write_tif(tmp_path / "a.tif", bands, photometric="MINISBLACK")
    assert open_raster(path, RasterSettings(bands=(3, 2, 1))).bands == (3, 2, 1)
    with pytest.raises(BadSettings, match=r"but a\.tif has 6"):
        open_raster(path, RasterSettings(bands=(3, 2, 9)))


def test_one_strip_is_refused_where_it_would_fill_the_memory(tmp_path):
    path = tmp_path / "a.tif"
    with rasterio.open(path, "w", driver="GTiff", width=15000, height=15000, count=3, dtype="uint8", crs="EPSG:32633",
                       transform=Affine(0.004, 0, 5e5, 0, -0.004, 5e6), tiled=True, blockxsize=12288, blockysize=12288,
                       sparse_ok=True, photometric="RGB", interleave="pixel", compress="deflate"):  # fmt: skip
        pass
    with pytest.raises(UnreadableRaster, match="cannot be read piece by piece"):
        open_raster(path)


def test_pictures_need_a_scale(tmp_path):
    path = tmp_path / "a.png"
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with rasterio.open(path, "w", driver="PNG", width=90, height=80, count=3, dtype="uint8") as file:
            file.write(pattern(80, 90))
    with pytest.raises(MissingCRS):
        open_raster(path)
    raster = open_raster(path, RasterSettings(mm_per_px=4))
    tile = read_window(raster, Window.of(0, 0, 90, 80))
    assert (tile.rgb == np.moveaxis(pattern(80, 90), 0, 2)).all()


def test_hash(tmp_path):
    import hashlib

    path = write_tif(tmp_path / "a.tif", pattern(64, 64))
    raster = open_raster(path)
    assert raster_sha256(raster) == hashlib.sha256(path.read_bytes()).hexdigest()
    with path.open("ab") as file:
        file.write(b"more")
    with pytest.raises(UnreadableRaster, match="changed"):
        raster_sha256(raster)
