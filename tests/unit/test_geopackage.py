"""Map layers read back by GDAL (pyogrio, geopandas): geometry, columns, CRS, names, looks, time."""

import json
import os
import re
import sqlite3
import time
import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import shapely
from fixtures.strip_tables import ORIGIN, made_strip

from standcam import tables
from standcam.errors import MissingCRS, UnwritableResults
from standcam.planter.simulate import KnownPlanter
from standcam.report import canvas, map_styles
from standcam.report.geopackage import geojson_texts, geopackage_bytes, write_geopackage
from standcam.report.map_layers import strip_layers
from standcam.settings import MapSettings, PlotSettings, SpacingSettings
from standcam.spacing.positions import positions_from_plants
from standcam.strips.cut import cut_rows
from standcam.strips.frame import LocalFrame
from standcam.strips.grid import PlotGrid, grid_plots
from standcam.strips.plots import read_plots, whole_strip
from standcam.summarise import summarise

gpd = pytest.importorskip("geopandas")
pyogrio = pytest.importorskip("pyogrio")
pyproj = pytest.importorskip("pyproj")

LAYERS = ["plots", "rows", "gaps", "plants"]
NAMES = ("a, b", 'say "c"', "Grün/3", "=1+1", "-x", "@ñ", "'; drop table plants; --", "東", "p\t9")
CUSTOM = pyproj.CRS.from_proj4(
    "+proj=tmerc +lat_0=41.5 +lon_0=-93.6 +k=1 +x_0=448000 +y_0=4650000 +ellps=GRS80 +units=m +no_defs"
).to_wkt()
UTM = pyproj.CRS("EPSG:32615").to_wkt()


def made(names=NAMES, **settings):
    strip = made_strip(12, 30.0, heading_deg=15.0, planter=KnownPlanter(16.0, 0.15, 0.05, 2.0, 0.9))
    grid = PlotGrid(ORIGIN, 15.0, 6.0, 3, 3, plot_width_m=3.0, alley_m=1.0, names=names, treatments=tuple("ABCABCABC"))
    plots = grid_plots(grid)
    cut = cut_rows(strip.rows, strip.plants, plots, strip.frame, PlotSettings(trim_m=0.5), "strip, 1.tif")
    return plots, cut, summarised(cut)


def summarised(cut):
    spacing = SpacingSettings(row_width_cm=75.0, nominal_spacing_cm=16.0)
    return summarise(positions_from_plants(cut.plants), cut.stretches, spacing)


@pytest.mark.parametrize("crs", [UTM, CUSTOM, ""], ids=["EPSG:32615", "custom", "none"])
def test_read_back(tmp_path, crs):
    plots, cut, summary = made()
    layers = strip_layers(cut, summary, plots)
    path = write_geopackage(tmp_path / "strip.gpkg", layers, crs)
    assert os.listdir(tmp_path) == ["strip.gpkg"]
    spatial = [str(name) for name, kind in pyogrio.list_layers(path) if kind is not None]
    assert spatial == LAYERS
    back = {name: gpd.read_file(path, layer=name) for name in LAYERS}
    for name, frame in back.items():
        assert len(frame) == len(layers[name].table)
        if crs:
            assert pyproj.CRS(frame.crs) == pyproj.CRS(crs)
        else:
            assert frame.crs is None or "Undefined" in frame.crs.name
    assert all(frame.geometry.is_valid.all() for frame in back.values())

    # plots: all of plots.csv, areas by the grid's own sizes
    assert set(tables.PLOTS.names) <= set(back["plots"])
    assert tuple(back["plots"]["plot"]) == NAMES
    assert back["plots"]["treatment"].tolist() == list("ABCABCABC") and back["plots"]["range"].tolist()[3] == 2
    assert back["plots"].area.to_numpy() == pytest.approx(18.0)
    np.testing.assert_allclose(back["plots"]["plants_per_ha"], summary.plots["plants_per_ha"])

    # rows: as long as they were counted
    assert set(tables.ROWS.names) <= set(back["rows"])
    assert back["rows"].length.to_numpy() * 100 == pytest.approx(back["rows"]["row_length_cm"].to_numpy(), abs=1e-3)
    assert back["rows"]["strip_row"].tolist() == cut.stretches["strip_row"].tolist()

    # plants: where they stand, and on their rows
    plants = back["plants"]
    assert len(plants) == len(cut.plants) + len(cut.outside)
    counted = plants[plants["not_counted"] == ""]
    np.testing.assert_allclose(counted.geometry.x, cut.plants["easting_m"], atol=1e-9)
    assert counted["is_crop"].dtype == bool and counted["is_crop"].sum() == summary.rows["plants"].sum()
    inside = gpd.sjoin(counted[["plot", "geometry"]], back["plots"][["plot", "geometry"]], predicate="within")
    # a plant up to 3 cm beside its row's point may stand over the outline
    assert (inside["plot_left"] == inside["plot_right"]).all() and len(inside) > 0.99 * len(counted)
    assert set(plants.loc[plants["not_counted"] != "", "not_counted"]) == {"no_plot", "trimmed"}

    # gaps: from stem to stem, none left out
    gaps = back["gaps"]
    long = summary.gaps[summary.gaps["gap_cm"] > 50]
    assert len(gaps) == len(long) > 10 and gaps["gap_cm"].min() > 50
    closed = gaps[gaps["from_plant"].notna() & gaps["to_plant"].notna()]
    at = plants.set_index("plant").geometry
    for end, name in ((0, "from_plant"), (-1, "to_plant")):
        tips = shapely.get_point(closed.geometry.to_numpy(), end)
        np.testing.assert_array_equal(shapely.distance(tips, at.loc[closed[name].astype(int)].to_numpy()), 0)
    assert (closed.length.to_numpy() * 100 - closed["gap_cm"].to_numpy()).max() < 5  # offsets make it longer
    assert (closed.length.to_numpy() * 100 - closed["gap_cm"].to_numpy()).min() > -1e-3


def test_longer_gaps_only():
    plots, cut, summary = made()
    for limit in (20.0, 90.0):
        layer = strip_layers(cut, summary, plots, MapSettings(gap_cm=limit))["gaps"]
        assert len(layer.table) == (summary.gaps["gap_cm"] > limit).sum()


def test_bare_rows_are_gaps_over_their_whole_length():
    strip = made_strip(3, 20.0)
    plants = strip.plants[strip.plants["row"] != 2]
    cut = cut_rows(strip.rows, plants, whole_strip("s"), strip.frame)
    summary = summarised(cut)
    layer = strip_layers(cut, summary)["gaps"]
    bare = layer.table["row"].to_numpy() == 2
    assert layer.table["kind"][bare].tolist() == ["open"]
    assert shapely.length(layer.geometry[bare]) == pytest.approx(20.0)


def test_a_gap_follows_its_bend():
    from fixtures.strip_tables import round_about

    row = round_about((-2000.0, 0.0), 2000.0, 60, 120)
    plants = tables.conform(
        tables.PLANTS,
        pd.DataFrame({"photo": "s", "row": 1, "plant": [1, 2], "position_cm": [100.0, 1100.0], "offset_cm": 0.0,
                      "is_crop": True, "judged": "crop"}),
    )  # fmt: skip
    cut = cut_rows([row], plants, whole_strip("s"), LocalFrame(ORIGIN))
    layer = strip_layers(cut, summarised(cut))["gaps"]
    longest = int(np.argmax(layer.table["gap_cm"]))
    assert layer.table["gap_cm"][longest] == 1000
    # 10 m of arc on a radius of 20 m; the chord would be 9.90 m
    assert shapely.length(layer.geometry[longest]) == pytest.approx(10.0, abs=0.002)


def test_equal_results_are_equal_bytes(tmp_path):
    plots, cut, summary = made()
    first = geopackage_bytes(strip_layers(cut, summary, plots), UTM)
    time.sleep(1.1)  # times in a GeoPackage have milliseconds
    second = write_geopackage(tmp_path / "a.gpkg", strip_layers(cut, summary, plots), UTM).read_bytes()
    assert first == second
    assert pyogrio.get_gdal_config_option("OGR_CURRENT_DATE") is None


def test_the_file_is_a_sound_geopackage(tmp_path):
    """OGC 12-128r19: requirement 2 (application id GPKG), 3 (file ending), 5 (integrity), 7 (foreign keys)."""
    plots, cut, summary = made()
    path = write_geopackage(tmp_path / "strip.gpkg", strip_layers(cut, summary, plots), UTM)
    with sqlite3.connect(path) as base:
        assert base.execute("PRAGMA application_id").fetchone()[0] == int.from_bytes(b"GPKG", "big")
        assert base.execute("PRAGMA user_version").fetchone()[0] == 10200  # 1.4 makes GDAL before 3.7 warn
        assert base.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert base.execute("PRAGMA foreign_key_check").fetchall() == []
        kinds = dict(base.execute("select table_name, geometry_type_name from gpkg_geometry_columns"))
        assert kinds == {"plots": "MULTIPOLYGON", "rows": "LINESTRING", "gaps": "LINESTRING", "plants": "POINT"}
        looks = base.execute(
            "select f_table_name, f_geometry_column, styleQML, useAsDefault from layer_styles"
        ).fetchall()
    assert [look[0] for look in looks] == LAYERS and all(look[1] == "geom" and look[3] == 1 for look in looks)
    for name, _, text, _ in looks:
        root = ET.fromstring(text.split("\n", 1)[1])
        renderer = root.find("renderer-v2")
        symbols = {s.get("name") for s in renderer.iter("symbol")}
        asked = {c.get("symbol") for c in renderer.iter("category")} or {"0"}
        assert root.tag == "qgis" and symbols == asked
        used = set(re.findall(r'"(\w+)"', renderer.get("attr", "")))
        assert used <= set(gpd.read_file(path, layer=name)), used


def test_our_own_layers_serve_as_outlines(tmp_path):
    """What was written is read by the reader of plots, names and areas intact."""
    plots, cut, summary = made()
    path = write_geopackage(tmp_path / "strip.gpkg", strip_layers(cut, summary, plots), UTM)
    again = read_plots(path, UTM)
    assert again.names == tuple(name.strip() for name in NAMES)
    assert [p.area for p in again.polygons] == pytest.approx([18.0] * 9)
    assert again.cells["treatment"].tolist() == list("ABCABCABC") and "outline_plants_per_ha" in again.cells


def test_rows_without_plants_told_of_gaps_only(tmp_path):
    """Of a coarse strip gaps are known and stems are not: their lines run between places on the row."""
    plots, cut, summary = made()
    coarse = replace(cut, plants=cut.plants[:0], outside=cut.outside[:0])
    gaps = summary.gaps.assign(from_plant=pd.array([pd.NA] * len(summary.gaps), dtype="Int64"))
    gaps["to_plant"] = gaps["from_plant"]
    layer = strip_layers(coarse, replace(summary, gaps=gaps), plots)["gaps"]
    assert shapely.length(layer.geometry) * 100 == pytest.approx(layer.table["gap_cm"].to_numpy(), abs=1e-6)
    write_geopackage(tmp_path / "s.gpkg", strip_layers(coarse, replace(summary, gaps=gaps), plots), UTM)


def test_whole_numbers_with_gaps(tmp_path):
    plots, cut, summary = made()
    some = [2 if k % 2 else pd.NA for k in range(len(cut.stretches))]
    for column in (pd.array(some, dtype="Int64"), pd.Series(some, dtype=object)):
        marked = replace(cut, stretches=cut.stretches.assign(**{"pass": column}))
        path = write_geopackage(tmp_path / "s.gpkg", strip_layers(marked, summary, plots), UTM)
        with sqlite3.connect(path) as base:
            found = base.execute('select "pass", typeof("pass") from rows order by fid').fetchall()
        assert found == [(2, "integer") if k % 2 else (None, "null") for k in range(len(some))]


def test_looks_are_those_of_marked_photos():
    for name in ("WHITE", "INK", "ORANGE", "SKY", "YELLOW"):
        assert getattr(map_styles, name) == getattr(canvas, name)


def test_empty_layers_have_their_columns(tmp_path):
    cut = cut_rows([], tables.empty(tables.PLANTS), whole_strip("bare"), LocalFrame(ORIGIN))
    path = write_geopackage(tmp_path / "s.gpkg", strip_layers(cut, summarised(cut), whole_strip("bare")), UTM)
    assert [str(n) for n, kind in pyogrio.list_layers(path) if kind is not None] == LAYERS
    for name, table in (
        ("plants", tables.PLANTS),
        ("rows", tables.ROWS),
        ("gaps", tables.GAPS),
        ("plots", tables.PLOTS),
    ):
        frame = gpd.read_file(path, layer=name)
        assert len(frame) == (name == "plots") and set(table.names) <= set(frame)


def test_the_whole_strip_has_the_outline_of_its_rows_or_its_own():
    strip = made_strip(4, 20.0)
    cut = cut_rows(strip.rows, strip.plants, whole_strip("s"), strip.frame)
    polygon = strip_layers(cut, summarised(cut))["plots"].geometry[0]
    # rows span 2.25 m by 20 m, 0.5 m about them
    assert polygon.area == pytest.approx(2.25 * 20 + 0.5 * 2 * 22.25 + np.pi / 4, rel=0.01)
    x, y = ORIGIN
    own = whole_strip("s", (x - 1, y - 1, x + 4, y + 21))
    assert strip_layers(cut, summarised(cut), own)["plots"].geometry[0].area == pytest.approx(5 * 22)


def test_geojson_is_rfc_7946(tmp_path):
    plots, cut, summary = made()
    layers = strip_layers(cut, summary, plots)
    texts = geojson_texts(layers, UTM)
    assert list(texts) == [f"{name}.geojson" for name in LAYERS]
    for name, layer in zip(LAYERS, layers.values(), strict=True):
        data = json.loads(texts[f"{name}.geojson"])
        assert data["type"] == "FeatureCollection" and "crs" not in data  # section 4: no other CRS
        (tmp_path / f"{name}.geojson").write_text(texts[f"{name}.geojson"])
        back = gpd.read_file(tmp_path / f"{name}.geojson").to_crs(UTM)
        assert len(back) == len(layer.table)
        far = shapely.hausdorff_distance(back.geometry.to_numpy(), layer.geometry)
        assert far.max() < 1e-3, name  # 1 mm
    first = json.loads(texts["plots.geojson"])["features"][0]
    assert first["properties"]["plot"] == "a, b" and first["properties"]["rows"] == 4
    assert first["geometry"]["type"] == "MultiPolygon"
    ring = np.array(first["geometry"]["coordinates"][0][0])
    x, y = ring.T
    assert np.sum(x[:-1] * y[1:] - x[1:] * y[:-1]) > 0  # section 3.1.6: outer rings counter-clockwise
    assert -94 < x.min() < -93 and 41 < y.min() < 43
    with pytest.raises(MissingCRS, match="the image has no CRS"):
        geojson_texts(layers, "")


def test_what_is_there_stays_when_writing_fails(tmp_path):
    plots, cut, summary = made()
    layers = strip_layers(cut, summary, plots)
    path = tmp_path / "strip.gpkg"
    path.write_text("old")
    broken = layers | {"rows": type(layers["rows"])(layers["rows"].table, layers["rows"].geometry[:1], "LineString")}
    with pytest.raises(ValueError, match="same length as geometry"):
        write_geopackage(path, broken, UTM)
    assert path.read_text() == "old" and os.listdir(tmp_path) == ["strip.gpkg"]
    with pytest.raises(UnwritableResults, match="No such file"):
        write_geopackage(tmp_path / "none" / "strip.gpkg", layers, UTM)


def test_two_hundred_thousand_plants_in_ten_seconds(tmp_path):
    strip = made_strip(200, 170.0)
    cut = cut_rows(strip.rows, strip.plants, whole_strip("s"), strip.frame)
    assert len(cut.plants) > 200_000
    summary = summarised(cut)
    start = time.perf_counter()
    write_geopackage(tmp_path / "strip.gpkg", strip_layers(cut, summary), UTM)
    assert time.perf_counter() - start < 10
