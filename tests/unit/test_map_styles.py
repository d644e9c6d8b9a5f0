"""Looks of layers and zone maps: what the reader needs (seen in QGIS 3.22), and in it where it is installed."""

import json
import os
import subprocess
import sys
import xml.etree.ElementTree as ET
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from fixtures.strip_tables import ORIGIN, made_strip

from standcam.planter.simulate import KnownPlanter
from standcam.report.geopackage import write_geopackage
from standcam.report.map_layers import strip_layers
from standcam.report.map_styles import PLANTS_FROM, ROWS_FROM, SKY, YELLOW, styles
from standcam.report.zone_map import ZoneMap, zone_files, zone_map
from standcam.report.zone_styles import class_bounds, zone_looks
from standcam.settings import SpacingSettings
from standcam.spacing.positions import positions_from_plants
from standcam.strips.cut import cut_rows
from standcam.strips.grid import PlotGrid, grid_plots
from standcam.summarise import summarise

# names of a symbol's properties, as QGIS 3.22 writes them; others it passes over in silence
KNOWN = {
    "SimpleMarker": "angle cap_style color horizontal_anchor_point joinstyle name offset offset_map_unit_scale "
    "offset_unit outline_color outline_style outline_width outline_width_map_unit_scale outline_width_unit "
    "scale_method size size_map_unit_scale size_unit vertical_anchor_point",
    "SimpleLine": "capstyle customdash customdash_map_unit_scale customdash_unit joinstyle line_color line_style "
    "line_width line_width_unit offset offset_map_unit_scale offset_unit use_custom_dash width_map_unit_scale",
    "SimpleFill": "border_width_map_unit_scale color joinstyle offset offset_map_unit_scale offset_unit outline_color "
    "outline_style outline_width outline_width_unit style",
}


def parts(name):
    """Each drawing of a layer's symbols: class and properties, in the form of today."""
    for layer in _root(styles()[name]).iter("layer"):
        yield layer.get("class"), {o.get("name"): o.get("value") for o in layer.find("Option")}


def _root(text):
    kind, rest = text.split("\n", 1)
    assert kind == "<!DOCTYPE qgis PUBLIC 'http://mrcc.com/qgis.dtd' 'SYSTEM'>"
    return ET.fromstring(rest)


@pytest.mark.parametrize("name", ["plots", "rows", "gaps", "plants"])
def test_the_reader_knows_every_property(name):
    for kind, properties in parts(name):
        assert set(properties) <= set(KNOWN[kind].split()) and None not in properties.values()
    for layer in _root(styles()[name]).iter("layer"):  # both forms tell the same
        old = {p.get("k"): p.get("v") for p in layer.iter("prop")}
        assert old == {o.get("name"): o.get("value") for o in layer.find("Option")}


@pytest.mark.parametrize(("name", "what"), [("plants", "size"), ("plants", "outline_width"), ("gaps", "line_width")])
def test_marks_have_a_size_on_the_ground_within_bounds(name, what):
    scale = "width_map_unit_scale" if what == "line_width" else f"{what}_map_unit_scale"
    for _, properties in parts(name):
        assert properties[f"{what}_unit"] == "RenderMetersInMapUnits"
        near, far, has_least, least, has_most, most = properties[scale].removeprefix("3x:").split(",")
        assert (near, far, has_least, has_most) == ("0", "0", "1", "1")
        assert 0 < float(least) < float(most) <= 1.8
        # metres on the ground between the bounds at a scale at which the layer shows
        assert float(least) < float(properties[what]) * 1000 / 50 and float(properties[what]) < 0.5


def test_plants_and_rows_hide_before_they_run_together():
    for name, least in (("plants", PLANTS_FROM), ("rows", ROWS_FROM)):
        root = _root(styles()[name])
        assert root.get("hasScaleBasedVisibilityFlag") == "1" and root.get("minScale") == str(least)
    assert _root(styles()["gaps"]).get("hasScaleBasedVisibilityFlag") is None
    assert 750 / ROWS_FROM >= 0.46  # rows of 75 cm, and how wide their lines are [mm]
    least = [float(p["size_map_unit_scale"].split(",")[3]) for _, p in parts("plants")]
    assert 2 * max(least) < 750 / PLANTS_FROM


def test_labels_have_a_weight():
    """Without one the reader takes 0, the thinnest there is."""
    text = next(_root(styles()["plots"]).iter("text-style"))
    assert text.get("fontWeight") == "75" and text.get("namedStyle") == "Bold"


# ---- zone maps


def zones_of(population, cv):
    n = np.zeros(np.shape(population), int)
    return ZoneMap(np.asarray(population, float), np.asarray(cv, float), n, n * 1.0, n, 0.0, 10.0, 5.0)


@pytest.mark.parametrize(
    ("low", "high", "least", "bounds"),
    [
        (61_000, 79_000, 14_000, [60_000, 65_000, 70_000, 75_000, 80_000]),
        (70_000, 70_000, 14_000, [60_000, 65_000, 70_000, 75_000, 80_000]),  # all alike: one class of several
        (0, 0, 0, [0, 1e-6]),
        (5, 5, 20, [0, 5, 10, 15]),  # none below 0
        (30, 30, 0, None),
    ],
)
def test_bounds_of_classes_are_round_and_hold_all(low, high, least, bounds):
    got = class_bounds(low, high, least)
    if bounds is not None:
        assert got == pytest.approx(bounds)
    assert got[0] <= low <= high <= got[-1] and len(got) >= 2 and got[0] >= 0
    assert np.diff(got) == pytest.approx(got[1] - got[0])


def test_looks_of_zone_maps():
    nan = np.nan
    looks = zone_looks(zones_of([[60_500, 66_000], [nan, 79_000]], [[20.0, nan], [nan, 75.0]]))
    assert list(looks) == ["zone_population.qml", "zone_cv.qml"]
    for text in looks.values():
        renderer = _root(text).find("pipe/rasterrenderer")
        assert renderer.get("type") == "singlebandpseudocolor" and renderer.get("band") == "1"
        shader = renderer.find("rastershader/colorrampshader")
        assert shader.get("colorRampType") == "DISCRETE"  # a class holds its upper bound
        items = [item.attrib for item in shader]
        assert items[-1]["value"] == "inf" and 3 <= len(items) <= 8
        values = [float(item["value"]) for item in items]
        assert values == sorted(values)
        light = [
            sum(c * w for c, w in zip(bytes.fromhex(i["color"][1:]), (0.3, 0.59, 0.11), strict=True)) for i in items
        ]
        assert all(a - b > 15 for a, b in pairwise(light))  # of 255: told apart in grey
        assert light[0] < 240  # the lowest is not the white of paper, nor of cells of which nothing is known
    assert "60,000 to 65,000/ha" in looks["zone_population.qml"] and "20 to 30 %" in looks["zone_cv.qml"]
    assert zone_looks(zones_of([[nan]], [[nan]])) == {}
    assert list(zone_looks(zones_of([[nan]], [[40.0]]))) == ["zone_cv.qml"]
    assert zone_looks(zones_of(np.zeros((0, 0)), np.zeros((0, 0)))) == {}


# ---- in the GIS itself


def _gis_python():
    for python in dict.fromkeys((sys.executable, "/usr/bin/python3")):
        if (
            Path(python).exists()
            and not subprocess.run(
                [python, "-c", "import importlib.util as u; raise SystemExit(not u.find_spec('qgis'))"], check=False
            ).returncode
        ):
            return python
    return pytest.skip("no Python here has QGIS")


def _open(folder, *widths):
    folder.mkdir(exist_ok=True)
    home = {"HOME": str(folder), "XDG_RUNTIME_DIR": str(folder), "QT_QPA_PLATFORM": "offscreen"}
    script = Path(__file__).parents[1] / "fixtures" / "open_in_gis.py"
    env = {k: v for k, v in os.environ.items() if not k.startswith(("PYTHON", "GDAL", "PROJ"))} | home
    done = subprocess.run(
        [_gis_python(), str(script), str(folder), *map(str, widths)], env=env, capture_output=True, text=True,
        timeout=120, check=False,
    )  # fmt: skip
    line = next((line for line in done.stdout.splitlines() if line.startswith("TOLD")), None)
    assert line, done.stderr[-2000:]
    assert "partially supported" not in done.stderr  # a GeoPackage of a later version than its GDAL knows
    return json.loads(line[4:])


@pytest.mark.parametrize("crs", ["EPSG:32615", ""])
def test_a_gis_opens_all_of_it(tmp_path, crs):
    _gis_python()
    pyproj = pytest.importorskip("pyproj")
    wkt = pyproj.CRS(crs).to_wkt() if crs else ""
    strip = made_strip(12, 30.0, heading_deg=15.0, planter=KnownPlanter(16.0, 0.15, 0.05, 2.0, 0.9))
    plots = grid_plots(PlotGrid(ORIGIN, 15.0, 9.0, 3, 3, plot_width_m=3.0, alley_m=1.0))
    cut = cut_rows(strip.rows, strip.plants, plots, strip.frame)
    spacing = SpacingSettings(row_width_cm=75.0, nominal_spacing_cm=16.0)
    summary = summarise(positions_from_plants(cut.plants), cut.stretches, spacing)
    layers = strip_layers(cut, summary, plots)
    write_geopackage(tmp_path / "strip.gpkg", layers, wkt)
    zones = zone_map(cut, summary.gaps, 75.0)
    for name, data in zone_files(zones, wkt).items():
        (tmp_path / name).write_bytes(data)
    for name, text in zone_looks(zones).items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    told = _open(tmp_path, 10.0, 130.0)
    if crs:
        assert told["logged"] == []
    for name, layer in told["layers"].items():
        assert layer["valid"] and layer["default_style"] and layer["crs"] == crs
        assert layer["features"] == len(layers[name].table)
        meant = [{k: v for k, v in p.items() if "color" not in k} for _, p in parts(name)]
        for seen, want in zip(layer["properties"], meant, strict=True):
            assert {k: seen.get(k) for k in want} == want
    assert [told["layers"][n]["least_scale"] for n in ("plants", "rows", "gaps")] == [PLANTS_FROM, ROWS_FROM, 0]
    assert list(told["layers"]["plants"]["categories"]) == ["crop", "doubtful", "weed", "not counted", ""]
    assert list(told["layers"]["gaps"]["categories"].values()) == ["bare end of a row", "gap"]
    assert told["layers"]["plots"]["labels"] and told["layers"]["plots"]["label_weight"] > 50
    # near, plants show; from far, gaps do and plants do not
    near, far = told["drawn"]
    sky, yellow, orange = "#{:02x}{:02x}{:02x}".format(*SKY), "#{:02x}{:02x}{:02x}".format(*YELLOW), "#e69f00"
    assert near["errors"] == far["errors"] == [] and near["scale"] < PLANTS_FROM < far["scale"]
    assert near["pixels"].get(sky, 0) > 500 and near["pixels"].get(orange, 0) > 100
    assert sky not in far["pixels"] and yellow not in far["pixels"] and far["pixels"].get(orange, 0) > 20
    for zone in told["zones"].values():
        assert zone["valid"] and zone["crs"] == crs and zone["nodata"] and zone["renderer"] == "singlebandpseudocolor"
        ordered = sorted(zone["drawn"])
        light = [sum(rgb) for _, rgb in ordered]
        assert light == sorted(light, reverse=True) and len(set(light)) > 1
