"""The map picture: things lie where they are, nothing hides a gap, names of any kind, nothing at all."""

import base64
import io
import re
from dataclasses import replace

import numpy as np
import pytest
import shapely
from fixtures.strip_tables import ORIGIN, made_strip
from PIL import Image

from standcam import tables
from standcam.planter.simulate import KnownPlanter
from standcam.report import strip_map as maps
from standcam.report.chart import COLOURS, png
from standcam.report.map_layers import Layer, strip_layers
from standcam.settings import SpacingSettings
from standcam.spacing.positions import positions_from_plants
from standcam.strips.cut import cut_rows
from standcam.strips.frame import LocalFrame
from standcam.strips.grid import PlotGrid, grid_plots
from standcam.strips.plots import whole_strip
from standcam.summarise import summarise

GAPPY = KnownPlanter(16.0, 0.1, 0.03, 2.0, 0.92)


def layers_of(made, plots):
    cut = cut_rows(made.rows, made.plants, plots, made.frame, photo=made.photo)
    spacing = SpacingSettings(row_width_cm=75.0, nominal_spacing_cm=16.0)
    return strip_layers(cut, summarise(positions_from_plants(cut.plants), cut.stretches, spacing), plots)


def trial(heading=0.0, **grid):
    made = made_strip(24, 30.0, heading, planter=GAPPY)
    given = {"corner": ORIGIN, "heading_deg": heading, "plot_length_m": 6.0, "plot_width_m": 3.0, "ranges": 4,
             "columns": 6, "alley_m": 1.0}  # fmt: skip
    return layers_of(made, grid_plots(PlotGrid(**given | grid)))


def picture(figure):
    return np.asarray(Image.open(io.BytesIO(png(figure))).convert("RGB")).astype(int)


def coloured(rgb, colour, near=12):
    true = [int(colour[k : k + 2], 16) for k in (1, 3, 5)]
    return np.abs(rgb - true).max(axis=2) <= near


def to_px(figure, points):
    """Map to pixels of the picture, from its top."""
    ax = figure.axes[0]
    figure.canvas.draw()
    xy = ax.transData.transform(points)
    return np.column_stack([xy[:, 0], figure.bbox.height - xy[:, 1]])


@pytest.mark.parametrize("heading", [0.0, 33.0])
def test_every_gap_is_seen_where_it_is(heading):
    layers = trial(heading)
    figure = maps.strip_map(layers, 50.0)
    rgb = picture(figure)
    middles = shapely.get_coordinates(shapely.line_interpolate_point(layers["gaps"].geometry, 0.5, normalized=True))
    closed = (layers["gaps"].table["kind"] != "open").to_numpy()
    assert closed.sum() > 15
    orange = coloured(rgb, COLOURS[1])
    for x, y in np.round(to_px(figure, middles[closed])).astype(int):
        # names and numbers of plots lie below; gaps side by side touch nothing else
        assert orange[y - 1 : y + 2, x - 1 : x + 2].all()


def test_rows_north_and_scale():
    layers = trial()
    figure = maps.strip_map(layers, 50.0)
    a, b = to_px(figure, np.array([ORIGIN, (ORIGIN[0] + 10.0, ORIGIN[1] + 10.0)]))
    assert b[1] < a[1] and b[0] > a[0]  # north is up, east is right
    assert b[0] - a[0] == pytest.approx(a[1] - b[1], rel=1e-6)
    # the bar: as long as it says, by pixels of its dark half
    rgb = picture(figure)
    (words,) = [t for t in figure.texts if t.get_text().endswith(" m")]
    length = float(words.get_text().removesuffix(" m"))
    page = figure.get_size_inches()[1]
    y = round((page - maps._FOOT_IN + 0.2) * maps._DPI)
    dark = np.flatnonzero(rgb[y].max(axis=1) < 60)
    dark = dark[dark < words.get_position()[0] * rgb.shape[1] - 3]
    assert (dark.max() - dark.min()) / (b[0] - a[0]) * 10.0 == pytest.approx(length, rel=0.02)


def test_words_lie_on_no_gap():
    """All words lie below gaps; where there is room they are moved off them."""
    layers = trial(ranges=2, columns=3, plot_length_m=12.0, plot_width_m=6.0)
    figure = maps.strip_map(layers, 50.0)
    figure.canvas.draw()
    ax = figure.axes[0]
    back = ax.transData.inverted()
    hidden = 0
    for text in ax.texts:
        box = back.transform(text.get_window_extent().get_points())
        hidden += shapely.intersects(shapely.box(*box.ravel()), layers["gaps"].geometry).any()
    assert len(ax.texts) == 6 and hidden == 0


def test_the_mosaic_lies_below_and_pale():
    layers = trial()
    x, y = ORIGIN
    bounds = (x - 2.0, y - 2.0, x + 20.0, y + 30.0)
    mosaic = np.zeros((320, 220, 3), np.uint8)
    mosaic[:160] = (200, 40, 40)  # the north half is red
    valid = np.ones((320, 220), bool)
    valid[:, :10] = False
    figure = maps.strip_map(layers, 50.0, mosaic, bounds, valid)
    rgb = picture(figure)
    north, south, edge = np.round(
        to_px(figure, np.array([(x + 19.5, y + 29.0), (x + 19.5, y - 1.0), (x - 1.5, y + 10.0)]))
    ).astype(int)
    assert rgb[north[1], north[0]] == pytest.approx([228, 148, 148], abs=1)  # half way to white
    assert rgb[south[1], south[0]] == pytest.approx([128, 128, 128], abs=1)
    assert rgb[edge[1], edge[0]].tolist() == [255, 255, 255]


def test_names_of_any_kind():
    names = ("a, b", 'say "c"', "Grün/3", "$x^2$", "=1+1", "東京", "x" * 300, "p\t9", "\\frac")
    layers = trial(ranges=3, columns=3, names=names)
    figure = maps.strip_map(layers, 50.0, title="strip $1$ – Ω.tif" * 30)
    assert png(figure)
    shown = " ".join(t.get_text() for t in figure.axes[0].texts)
    assert "Grün/3" in shown and r"\$x^2\$" in shown


def test_words_follow_the_units():
    layers = trial()
    si, us = (maps.strip_map(layers, 50.0, system=system) for system in ("si", "us"))
    said = [" ".join([t.get_text() for t in f.texts] + [t.get_text() for t in f.legends[0].texts]) for f in (si, us)]
    assert "/ha" in said[0] and "over 50 cm" in said[0] and "/acre" in said[1] and "over 19.7 in" in said[1]
    assert " ft" in said[1] and "24 plots" in said[0]


def test_thousands_of_plots_have_no_names_and_thin_lines():
    made = made_strip(120, 60.0)
    layers = layers_of(made, grid_plots(PlotGrid(ORIGIN, 0.0, 2.0, 24, 60, plot_width_m=1.5, alley_m=0.5)))
    figure = maps.strip_map(layers, 50.0)
    assert not figure.axes[0].texts
    rgb = picture(figure)
    assert max(rgb.shape[:2]) <= maps._DPI * (maps._HIGH_IN + maps._HEAD_IN + maps._FOOT_IN) + 1


def test_long_strips_keep_a_page_for_their_words():
    for heading in (0.0, 90.0):
        made = made_strip(4, 400.0, heading)
        figure = maps.strip_map(layers_of(made, whole_strip("s")), 50.0)
        width, height = figure.get_size_inches()
        assert width >= 4.5 and height >= 3


def test_equal_maps_are_equal_bytes():
    assert png(maps.strip_map(trial(), 50.0)) == png(maps.strip_map(trial(), 50.0))


def test_nothing_found():
    cut = cut_rows([], tables.empty(tables.PLANTS), whole_strip("s"), LocalFrame(ORIGIN))
    summary = summarise(positions_from_plants(cut.plants), cut.stretches)
    layers = strip_layers(cut, summary, whole_strip("s"))
    assert isinstance(layers["rows"], Layer)
    figure = maps.strip_map(layers, 50.0, title="bare.tif")
    assert png(figure) and "0 plants" in figure.texts[0].get_text()


def test_lines_stand_out_in_the_sun():
    """WCAG 2.1, 1.4.11: 3 to 1 for graphics against what lies beside them; 1.4.3: 4.5 to 1 for letters."""

    def light(rgb):
        c = np.array(rgb) / 255
        return float(np.where(c <= 0.03928, c / 12.92, ((c + 0.055) / 1.055) ** 2.4) @ [0.2126, 0.7152, 0.0722])

    def contrast(a, b):
        high, low = sorted((light(a), light(b)), reverse=True)
        return (high + 0.05) / (low + 0.05)

    hexes = {"row": maps._ROW, "gap": maps._GAP, "ink": maps.INK}
    rgb = {name: [int(h[k : k + 2], 16) for k in (1, 3, 5)] for name, h in hexes.items()}
    soil = maps._paled(np.array([[[110, 85, 62]]], np.uint8), None, 1)[0, 0]
    assert contrast(rgb["row"], soil) > 3
    assert contrast(rgb["gap"], (255, 255, 255)) > 3  # its casing
    assert contrast(rgb["ink"], (255, 255, 255)) > 4.5 and contrast(rgb["ink"], soil) > 4.5


def test_the_report_shows_it():
    from fixtures.report_runs import a_run

    from standcam.report.html_report import report_html

    image = png(maps.strip_map(trial(), 50.0))
    text = "".join(report_html(replace(a_run(), strip_map=image)))
    (data,) = re.findall(r'<img class="map" src="data:image/jpeg;base64,([^"]+)"', text)
    shown = Image.open(io.BytesIO(base64.b64decode(data)))
    whole = Image.open(io.BytesIO(image))
    assert max(shown.size) == min(max(whole.size), 1600)
    assert shown.size[0] / shown.size[1] == pytest.approx(whole.size[0] / whole.size[1], abs=0.01)
    assert '<section id="map">' in text and 'href="#map"' in text
    for run in (a_run(), replace(a_run(), strip_map=b"no")):
        assert 'id="map"' not in "".join(report_html(run))


def test_results_keep_it_and_never_a_stale_one(tmp_path):
    from fixtures.report_runs import a_run

    from standcam.report.folder import read_run
    from standcam.report.results import ResultsWriter

    run = a_run()
    frames = {name: getattr(run, name) for name in ("plants", "gaps", "rows", "plots", "problems")}
    image = png(maps.strip_map(trial(), 50.0))
    with ResultsWriter(tmp_path / "r") as writer:
        writer.finish(**frames, run=dict(run.record), more={maps.STRIP_MAP: image, "strip.gpkg": b"layers"})
    assert read_run(tmp_path / "r").strip_map == image
    with ResultsWriter(tmp_path / "r", force=True) as writer:
        writer.finish(**frames, run=dict(run.record))
    assert read_run(tmp_path / "r").strip_map is None and not (tmp_path / "r" / "strip.gpkg").exists()
