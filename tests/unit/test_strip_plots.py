"""Plots of a strip from files: each format, CRS, names, and all that is wrong in one message."""

import json
import os

import numpy as np
import pytest
import shapely

from standcam.errors import PlotMapMismatch
from standcam.settings import PlotSettings
from standcam.strips.plots import read_plots, whole_strip

gpd = pytest.importorskip("geopandas")

UTM = "EPSG:32615"
E0, N0 = 448_000.0, 4_650_000.0


def wkt(code=UTM):
    import pyproj

    return pyproj.CRS.from_user_input(code).to_wkt()


def boxes(n=3, side=10.0, apart=11.0):
    return [shapely.box(E0 + k * apart, N0, E0 + k * apart + side, N0 + side) for k in range(n)]


def frame(geometry=None, crs=UTM, **columns):
    geometry = boxes() if geometry is None else geometry
    columns = columns or {"plot": [f"P{k}" for k in range(1, len(geometry) + 1)]}
    return gpd.GeoDataFrame(columns, geometry=geometry, crs=crs)


@pytest.mark.parametrize("ending", ["geojson", "gpkg", "shp"])
def test_every_format_gives_the_same_plots(tmp_path, ending):
    path = tmp_path / f"plots.{ending}"
    made = frame(plot=["a, b", 'say "c"', "Grün/3"], hybrid=["H1", "H2", "H1"], rep=[1, 1, 2], vigour=[2.5, 3.0, 4.0])
    if ending == "geojson":
        made = made.to_crs("OGC:CRS84")  # RFC 7946, section 4
    made.to_file(path)
    plots = read_plots(path, wkt())
    assert plots.names == ("a, b", 'say "c"', "Grün/3")
    assert plots.cells["treatment"].tolist() == ["H1", "H2", "H1"]
    assert plots.cells["block"].tolist() == ["1", "1", "2"]
    assert plots.cells["vigour"].tolist() == [2.5, 3.0, 4.0]
    assert "treatments from 'hybrid'" in plots.notes[0] and "blocks from 'rep'" in plots.notes[0]
    # GDAL writes 7 decimals of a degree (RFC7946=NO), some 1 cm; the others are exact
    for polygon, true in zip(plots.polygons, boxes(), strict=True):
        assert shapely.hausdorff_distance(polygon, true) < (0.02 if ending == "geojson" else 1e-6)
        assert polygon.area == pytest.approx(true.area, rel=2e-3 if ending == "geojson" else 1e-9)


def test_geojson_is_longitude_and_latitude(tmp_path):
    """On the central meridian of zone 15: 500 km east, northing 0.9996 of the meridian arc.

    From memory: the arc to 45 degrees north on WGS 84 is 4 984 944.4 m.
    """
    ring = [[-93, 45], [-92.999, 45], [-92.999, 45.001], [-93, 45.001], [-93, 45]]
    feature = {"type": "Feature", "properties": {"plot": 7.0}, "geometry": {"type": "Polygon", "coordinates": [ring]}}
    (tmp_path / "p.geojson").write_text(json.dumps({"type": "FeatureCollection", "features": [feature]}))
    plots = read_plots(tmp_path / "p.geojson", wkt())
    assert plots.names == ("7",)
    assert plots.polygons[0].bounds[:2] == pytest.approx((500_000.0, 4_982_950.4), abs=0.1)


def test_a_stated_crs_is_honoured_and_degrees_are_not_metres(tmp_path):
    path = tmp_path / "p.geojson"
    frame().to_file(path)  # GDAL writes the crs member of the 2008 draft for other CRS than WGS 84
    assert '"crs"' in path.read_text()
    assert shapely.hausdorff_distance(read_plots(path, wkt()).polygons[0], boxes()[0]) < 1e-6
    data = json.loads(path.read_text())
    del data["crs"]
    path.write_text(json.dumps(data))
    with pytest.raises(PlotMapMismatch, match="lie nowhere in the CRS"):
        read_plots(path, wkt())


def test_names_are_found_or_asked_for(tmp_path):
    path = tmp_path / "p.gpkg"
    frame(kind=["x", "x", "y"], Name=["n1", "n2", "n3"], id=[1, 2, 3]).to_file(path)
    assert read_plots(path, wkt()).names == ("n1", "n2", "n3")
    assert read_plots(path, wkt(), PlotSettings(name_column="id")).names == ("1", "2", "3")
    with pytest.raises(PlotMapMismatch, match=r"no attribute 'plotte' \(plots\.name_column\).*kind, Name, id"):
        read_plots(path, wkt(), PlotSettings(name_column="plotte"))
    frame(kind=["x", "x", "y"]).to_file(path)
    plots = read_plots(path, wkt())
    assert plots.names == ("1", "2", "3") and "numbers in their order" in plots.notes[0]


def test_attributes_never_take_the_names_of_measured_columns(tmp_path):
    path = tmp_path / "p.gpkg"
    frame(plot=["a", "b", "c"], plants=[1, 2, 3], row=["r", "s", "t"], code=["01", "02", "03"]).to_file(path)
    cells = read_plots(path, wkt()).cells
    assert list(cells) == ["plot", "treatment", "block", "outline_plants", "outline_row", "code"]
    assert cells["code"].tolist() == ["01", "02", "03"] and cells["outline_plants"].tolist() == [1, 2, 3]


def test_all_that_is_wrong_is_in_one_message(tmp_path):
    a, b, c = boxes()
    bow = shapely.Polygon([(E0, N0 + 50), (E0 + 10, N0 + 60), (E0 + 10, N0 + 50), (E0, N0 + 60)])
    geometry = [a, b, c, bow, shapely.Polygon(), shapely.Point(E0, N0), None, shapely.box(E0 + 5, N0, E0 + 9, N0 + 10)]
    names = ["A", "A", "C", "bow", "hollow", "dot", "none", ""]
    path = tmp_path / "p.gpkg"
    frame(geometry, plot=names).to_file(path)
    with pytest.raises(PlotMapMismatch) as told:
        read_plots(path, wkt())
    said = str(told.value)
    for words in (
        "outlines 1 and 2 are both named A",
        "outline 8 has no name",
        "outline of bow crosses itself (Self-intersection[448005 4650055])",
        "hollow is an empty polygon",
        "dot is a Point and no polygon",
        "none is no polygon",
        "plots A and outline 8 overlap by 40 m², 100 % of the smaller",
    ):
        assert words in said, said


def test_slivers_are_parted_and_a_spike_is_mended(tmp_path):
    a = shapely.box(E0, N0, E0 + 10, N0 + 10)
    b = shapely.box(E0 + 9.9, N0, E0 + 20, N0 + 10)
    spike = shapely.Polygon(
        [(E0 + 30, N0), (E0 + 40, N0), (E0 + 40, N0 + 10), (E0 + 40, N0 + 12), (E0 + 40, N0 + 10), (E0 + 30, N0 + 10)]
    )
    assert not spike.is_valid
    path = tmp_path / "p.gpkg"
    frame([a, b, spike], plot=["a", "b", "s"]).to_file(path)
    plots = read_plots(path, wkt())
    assert [p.area for p in plots.polygons] == pytest.approx([100, 100, 100])
    assert all(p.is_valid for p in plots.polygons)
    assert shapely.area(shapely.intersection(plots.polygons[0], plots.polygons[1])) == 0
    assert any("overlap a little" in note and "a and b (1 m²)" in note for note in plots.notes)
    assert any("plot s was mended" in note for note in plots.notes)
    with pytest.raises(PlotMapMismatch, match="a and b overlap by 1 m², 1 %"):
        read_plots(path, wkt(), PlotSettings(overlap_pct=0.5))


def test_plots_outside_of_the_image(tmp_path):
    path = tmp_path / "p.gpkg"
    frame().to_file(path)
    bounds = (E0 - 1, N0 - 1, E0 + 16, N0 + 20)  # the first plot, half of the second
    plots = read_plots(path, wkt(), extent=bounds)
    assert plots.names == ("P1", "P2")
    assert "cuts 1 of 3 plots: P2" in plots.notes[-1]
    assert plots.problems["path"].tolist() == [str(path)]
    assert "1 of 3 plots lie outside of the image: P3." in plots.problems["reason"][0]
    with pytest.raises(PlotMapMismatch, match=r"none of 3 plots lies in the image; the nearest, P3, is 968 m away"):
        read_plots(path, wkt(), extent=(E0 + 1000, N0, E0 + 1010, N0 + 5))
    with pytest.raises(PlotMapMismatch, match=r"is 50 km away\. Is it the right field, and the right CRS\?"):
        read_plots(path, wkt(), extent=(E0 - 50_000, N0, E0 - 49_990, N0 + 5))


def test_change_of_datum_is_told(tmp_path):
    path = tmp_path / "p.gpkg"
    frame().to_file(path)
    notes = read_plots(path, wkt("EPSG:26915")).notes  # NAD83: EPSG gives 4 m for the change from WGS 84
    assert any("off by up to 4 m" in note for note in notes)
    assert not any("off by" in note for note in read_plots(path, wkt("EPSG:32616")).notes)


def test_without_crs(tmp_path):
    path = tmp_path / "p.shp"
    with pytest.warns(UserWarning, match="'crs' was not provided"):
        frame(crs=None).to_file(path)
    plots = read_plots(path, "")
    assert plots.polygons[0].equals(boxes()[0]) and "does not say in which CRS" in plots.notes[1]
    assert "taken for those of the image" in read_plots(path, wkt()).notes[1]
    frame().to_file(tmp_path / "q.gpkg")
    with pytest.raises(PlotMapMismatch, match="have a CRS and the image has none"):
        read_plots(tmp_path / "q.gpkg", "")


def test_layers(tmp_path):
    path = tmp_path / "p.gpkg"
    frame().to_file(path, layer="trial")
    frame([shapely.Point(E0, N0)], plot=["x"]).to_file(path, layer="stakes")
    assert len(read_plots(path, wkt()).names) == 3  # the only layer of polygons
    frame(boxes(2)).to_file(path, layer="ditches")
    with pytest.raises(PlotMapMismatch, match=r"several layers of polygons: trial, ditches"):
        read_plots(path, wkt())
    assert len(read_plots(path, wkt(), PlotSettings(layer="ditches")).names) == 2
    with pytest.raises(PlotMapMismatch, match=r"no layer 'roads'.*trial, stakes, ditches"):
        read_plots(path, wkt(), PlotSettings(layer="roads"))


def test_a_geopackage_that_is_open_elsewhere(tmp_path):
    """SQLite's write-ahead log: what was saved last stands beside the file until the GIS closes it."""
    import sqlite3

    path = tmp_path / "p.gpkg"
    frame().to_file(path)
    with sqlite3.connect(path) as held:
        held.execute("PRAGMA journal_mode=wal")
        # the triggers of GDAL's spatial index call functions of its own
        for (name,) in held.execute("select name from sqlite_master where type = 'trigger'").fetchall():
            held.execute(f'drop trigger "{name}"')
        held.execute("update p set plot = 'new' where plot = 'P1'")
        held.commit()
        assert (tmp_path / "p.gpkg-wal").stat().st_size > 0
        before = path.read_bytes()
        assert read_plots(path, wkt()).names == ("new", "P2", "P3")
        assert path.read_bytes() == before


def test_files_that_are_not_what_they_say(tmp_path):
    vrt = '<OGRVRTDataSource><OGRVRTLayer name="x"><SrcDataSource>/etc/hosts</SrcDataSource></OGRVRTLayer>'
    vrt += "</OGRVRTDataSource>"
    for name, words in (
        ("a.gpkg", "are no GeoPackage"),
        ("a.shp", "are no shapefile"),
        ("a.geojson", "cannot be read"),
    ):
        (tmp_path / name).write_text(vrt)
        with pytest.raises(PlotMapMismatch, match=words):
            read_plots(tmp_path / name, wkt())
    with pytest.raises(PlotMapMismatch, match=r"ending '\.kml'"):
        read_plots(tmp_path / "a.kml", wkt())
    with pytest.raises(PlotMapMismatch, match="cannot be read: No such file"):
        read_plots("/vsicurl/http://127.0.0.1/p.gpkg", wkt())
    (tmp_path / "f.gpkg").mkdir()
    with pytest.raises(PlotMapMismatch, match="it is a folder"):
        read_plots(tmp_path / "f.gpkg", wkt())
    os.mkfifo(tmp_path / "pipe.shp")
    with pytest.raises(PlotMapMismatch, match="pipe or device"):
        read_plots(tmp_path / "pipe.shp", wkt())
    (tmp_path / "b.gpkg").write_bytes(b"SQLite format 3\0" + bytes(200))
    with pytest.raises(PlotMapMismatch, match=r"b\.gpkg cannot be read: .*not a database"):
        read_plots(tmp_path / "b.gpkg", wkt())
    frame().to_file(tmp_path / "s.shp")
    (tmp_path / "s.shx").unlink()
    with pytest.raises(PlotMapMismatch, match=r"\.shx of the shapefile is missing"):
        read_plots(tmp_path / "s.shp", wkt())
    (tmp_path / "e.geojson").write_text('{"type": "FeatureCollection", "features": []}')
    with pytest.raises(PlotMapMismatch, match="hold no feature"):
        read_plots(tmp_path / "e.geojson", wkt())


def test_damaged_geopackages_are_told_in_words(tmp_path):
    path = tmp_path / "p.gpkg"
    frame().to_file(path)
    whole = bytearray(path.read_bytes())
    rng = np.random.default_rng(5)
    read = 0
    for _ in range(30):
        damaged = whole.copy()
        for at in rng.integers(16, len(whole), 200):
            damaged[at] = rng.integers(256)
        path.write_bytes(damaged)
        try:
            read += len(read_plots(path, wkt()).names) > 0
        except PlotMapMismatch as error:
            assert str(tmp_path / "p.gpkg") in str(error) or "Plot outlines" in str(error)
    assert read < 30


def test_the_whole_strip_is_one_plot():
    plots = whole_strip("field 7", (0, 0, 10, 5))
    assert plots.names == ("field 7",) and plots.whole and plots.polygons[0].area == 50
    assert plots.cells.iloc[0].tolist() == ["field 7", "", ""]
