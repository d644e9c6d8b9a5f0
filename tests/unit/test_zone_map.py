"""Zone map: lengths and counts by cell against shapely, no bias at borders by simulation, GeoTIFF by rasterio."""

import numpy as np
import pytest
import shapely
from fixtures.strip_tables import ORIGIN, MadeStrip, made_strip, plants_on, round_about

from standcam import tables
from standcam.errors import BadSettings
from standcam.planter.simulate import KnownPlanter
from standcam.report.zone_map import CV, NODATA, POPULATION, zone_files, zone_map
from standcam.settings import MapSettings, SpacingSettings
from standcam.spacing.positions import positions_from_plants
from standcam.strips.cut import cut_rows
from standcam.strips.frame import LocalFrame
from standcam.strips.plots import whole_strip
from standcam.summarise import summarise

WIDTH = 75.0


def zoned(made, settings=None, width=WIDTH):
    cut = cut_rows(made.rows, made.plants, whole_strip("s"), made.frame)
    gaps = summarise(positions_from_plants(cut.plants), cut.stretches, SpacingSettings(nominal_spacing_cm=16.0)).gaps
    return cut, gaps, zone_map(cut, gaps, width, settings)


def curved(seed=1):
    rows = [round_about((-4000.0, 500.0), 4000 + WIDTH * k, 55, 125) for k in range(10)]
    return MadeStrip(rows, plants_on(rows, np.random.default_rng(seed)), LocalFrame(ORIGIN))


@pytest.mark.parametrize("cell", [5.0, 0.7, 3.3])
@pytest.mark.parametrize("make", [curved, lambda: made_strip(10, 40.0, heading_deg=31.0)], ids=["curved", "straight"])
def test_cells_against_shapely(make, cell):
    made = make()
    cut, gaps, zones = zoned(made, MapSettings(cell_m=cell, least_row_m=0.1, fewest_gaps=3))
    ny, nx = zones.population.shape
    assert zones.west_m % cell == pytest.approx(0, abs=1e-6) or zones.west_m % cell == pytest.approx(cell, abs=1e-6)
    lines = shapely.linestrings(
        cut.lines[["easting_m", "northing_m"]].to_numpy(), indices=cut.lines["row"].to_numpy() - 1
    )
    west = zones.west_m + cell * np.arange(nx)
    south = zones.north_m - cell * np.arange(1, ny + 1)
    boxes = shapely.box(*np.broadcast_arrays(west, south[:, None], west + cell, south[:, None] + cell))
    true = sum(shapely.length(shapely.intersection(boxes, line)) for line in lines)
    np.testing.assert_allclose(zones.row_length_m, true, atol=2e-3)
    assert zones.row_length_m.sum() == pytest.approx(cut.stretches["to_cm"].sum() / 100)
    assert zones.plants.sum() == cut.plants["is_crop"].sum()
    assert zones.gaps.sum() == (gaps["kind"] != "open").sum()
    known = np.isfinite(zones.population)
    density = zones.plants[known] / (zones.row_length_m[known] * WIDTH / 100) * 1e4
    np.testing.assert_allclose(zones.population[known], density)


def test_cv_of_a_cell_is_numpys():
    made = made_strip(8, 5.0, origin=(0.0, 0.0))  # one cell of 6 m holds all of it
    _, gaps, zones = zoned(made, MapSettings(cell_m=6.0))
    gap = gaps.loc[gaps["kind"] != "open", "gap_cm"]
    assert zones.cv_pct.shape == (1, 1)
    assert zones.cv_pct[0, 0] == pytest.approx(100 * gap.std(ddof=1) / gap.mean())
    assert np.isnan(zoned(made, MapSettings(cell_m=6.0, fewest_gaps=len(gap) + 1))[2].cv_pct).all()


def test_population_is_unbiased_at_borders():
    """80 strips at random places of the grid; truth is the planter's own density.

    A count over the cell's own area, which is nearer at hand, is far too low at the border.
    """
    planter = KnownPlanter(16.0, 0.05, 0.03, 2.0, 0.9)
    truth = (1 - planter.skip_share) * (1 + planter.double_share) / (16.0 * WIDTH) * 1e8
    rng = np.random.default_rng(3)
    settings = MapSettings(cell_m=5.0, least_row_m=2.0)
    inner, border, naive = [], [], []
    for seed in range(80):
        origin = tuple(rng.uniform(0, 5, 2))
        made = made_strip(16, 17.0, float(rng.uniform(0, 360)), seed, planter, WIDTH, origin)
        cut = cut_rows(made.rows, made.plants.assign(is_crop=True), whole_strip("s"), made.frame)
        zones = zone_map(cut, tables.empty(tables.GAPS), WIDTH, settings)
        full = zones.row_length_m > 30  # 33.3 m of row in a full cell
        known = np.isfinite(zones.population)
        weight = zones.row_length_m
        inner.append((np.sum((zones.population * weight)[known & full]), weight[known & full].sum()))
        border.append((np.nansum((zones.population * weight)[known & ~full]), weight[known & ~full].sum()))
        naive += (zones.plants[known & ~full] / 25 * 1e4).tolist()
    for pairs in (inner, border):
        total, length = np.array(pairs).T
        ratio = total.sum() / length.sum()
        error = np.std(total - ratio * length) * np.sqrt(len(total)) / length.sum()
        assert abs(ratio - truth) < 3 * error and error < 0.004 * truth
    assert np.mean(naive) < 0.7 * truth


@pytest.mark.parametrize("crs", ["EPSG:32615", "custom", ""])
def test_geotiff_read_back(tmp_path, crs):
    rasterio = pytest.importorskip("rasterio")
    if crs == "custom":
        proj = "+proj=tmerc +lat_0=41.5 +lon_0=-93.6 +k=1 +x_0=448000 +y_0=4650000 +ellps=GRS80 +units=m"
        wkt = rasterio.CRS.from_proj4(proj).to_wkt()
    else:
        wkt = rasterio.CRS.from_string(crs).to_wkt() if crs else ""
    made = made_strip(20, 40.0, 20.0)
    _, _, zones = zoned(made)
    files = zone_files(zones, wkt)
    assert list(files) == [POPULATION, CV] and zone_files(zones, wkt) == files
    for name, values in ((POPULATION, zones.population), (CV, zones.cv_pct)):
        (tmp_path / name).write_bytes(files[name])
        with rasterio.open(tmp_path / name) as file:
            assert file.crs == (rasterio.CRS.from_wkt(wkt) if wkt else None)
            assert file.nodata == NODATA and file.dtypes == ("float32",) and file.res == (5.0, 5.0)
            band = file.read(1, masked=True)
            np.testing.assert_array_equal(band.mask, np.isnan(values))
            np.testing.assert_allclose(band.filled(np.nan), values, rtol=1e-6)
            # the number at a place is that of the cell over it
            y, x = np.argwhere(np.isfinite(values))[0]
            place = (zones.west_m + 5 * x + 1.0, zones.north_m - 5 * y - 4.0)
            assert next(file.sample([place]))[0] == pytest.approx(values[y, x])
            assert file.descriptions[0] and file.units[0]
    assert np.isnan(zones.population).any() and np.isfinite(zones.cv_pct).any()


def test_widths_by_stretch_and_none():
    made = made_strip(4, 20.0)
    cut, gaps, zones = zoned(made, width=np.full(4, WIDTH))
    np.testing.assert_array_equal(zones.population, zone_map(cut, gaps, WIDTH).population)
    assert np.isnan(zone_map(cut, gaps, None).population).all()
    assert np.isfinite(zone_map(cut, gaps, None).cv_pct).any()


def test_nothing_and_too_much():
    cut = cut_rows([], tables.empty(tables.PLANTS), whole_strip("s"), LocalFrame(ORIGIN))
    zones = zone_map(cut, tables.empty(tables.GAPS), WIDTH)
    assert zones.population.shape == (0, 0) and zone_files(zones) == {}
    with pytest.raises(BadSettings, match=r"maps\.cell_m is 0\.001"):
        zoned(made_strip(40, 40.0), MapSettings(cell_m=0.001))
