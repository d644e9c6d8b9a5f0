"""Rows cut by plots: lengths against shapely's own, every plant once, borders, numbers, words."""

import numpy as np
import pandas as pd
import pytest
import shapely
from fixtures.strip_tables import ORIGIN, made_strip, plants_on, round_about, straight

from standcam import tables
from standcam.planter.simulate import KnownPlanter
from standcam.rows.curve import CurvedRow
from standcam.settings import PlotSettings, SpacingSettings
from standcam.spacing.positions import positions_from_plants
from standcam.strips.cut import OUTSIDE, cut_rows
from standcam.strips.frame import LocalFrame
from standcam.strips.grid import PlotGrid, grid_plots
from standcam.strips.plots import Plots, make_plots, whole_strip
from standcam.summarise import summarise


def plots_of(polygons, names=None):
    names = names or [f"P{k}" for k in range(1, len(polygons) + 1)]
    cells = pd.DataFrame({"plot": names, "treatment": "t", "block": "1"}).astype("str")
    return make_plots(polygons, cells, "", PlotSettings(), None, "Plots", "plots.gpkg")


def grid_of(**values):
    given = {"corner": ORIGIN, "heading_deg": 0.0, "plot_length_m": 6.0, "plot_width_m": 3.0, "ranges": 3,
             "columns": 3, "alley_m": 1.0}  # fmt: skip
    return grid_plots(PlotGrid(**given | values))


def line_of(row, frame):
    return shapely.LineString(frame.to_map(row.vertices_cm))


def assert_every_plant_once(made, cut):
    assert len(cut.plants) + len(cut.outside) == len(made.plants)
    both = pd.concat([cut.plants["plant"], cut.outside["plant"]])
    assert sorted(both) == sorted(made.plants["plant"])


def test_a_grid_by_head():
    """Twelve rows 75 cm apart, three columns of 3 m: four rows a plot; 6 m of row each."""
    made = made_strip(12, 30.0)
    cut = cut_rows(made.rows, made.plants, grid_of(), made.frame, photo=made.photo)
    tables.check(tables.STRETCHES, cut.stretches)
    tables.check(tables.PLANTS, cut.plants)
    assert len(cut.stretches) == 9 * 4
    assert cut.stretches["row"].tolist() == [1, 2, 3, 4] * 9
    assert cut.stretches["to_cm"].to_numpy() == pytest.approx(600, abs=1e-6)
    assert (cut.stretches["from_cm"] == 0).all()
    # the second plot: rows 5 to 8 of the strip, from 0 to 6 m
    second = cut.stretches[cut.stretches["plot"] == "2"]
    assert second["strip_row"].tolist() == [5, 6, 7, 8]
    own = made.plants[made.plants["row"].between(5, 8) & (made.plants["position_cm"] <= 600) & made.plants["is_crop"]]
    assert second["plants"].sum() == len(own)
    # the fourth begins behind the alley, at 7 m
    fourth = cut.plants[(cut.plants["plot"] == "4") & (cut.plants["row"] == 1)]
    true = made.plants[(made.plants["row"] == 1) & made.plants["position_cm"].between(700, 1300)]
    assert fourth["position_cm"].to_numpy() == pytest.approx(true["position_cm"].to_numpy() - 700)
    assert fourth["northing_m"].to_numpy() == pytest.approx(ORIGIN[1] + true["position_cm"].to_numpy() / 100)
    assert fourth["easting_m"].to_numpy() == pytest.approx(ORIGIN[0] + (37.5 + true["offset_cm"].to_numpy()) / 100)
    assert_every_plant_once(made, cut)
    assert set(cut.outside["why"]) == {"no_plot"}
    assert "Crop plants found and not counted" in cut.notes[0] and "between plots" in cut.notes[0]


def test_the_lower_half_takes_it():
    made = made_strip(12, 30.0, planter=KnownPlanter(16.0, 0.0, 0.0, 0.0, 1.0))
    cut = cut_rows(made.rows, made.plants.assign(is_crop=True), grid_of(), made.frame, photo=made.photo)
    found = summarise(positions_from_plants(cut.plants), cut.stretches, SpacingSettings(row_width_cm=75.0))
    assert found.plots["plot"].tolist() == [str(k) for k in range(1, 10)]
    assert found.plots["row_length_cm"].to_numpy() == pytest.approx(2400)
    # 2400 cm of row at 16 cm: 150 plants, one more or less a row by where it is cut
    assert (np.abs(found.plots["plants"] - 150) <= 4).all()
    assert found.plots["mean_gap_cm"].to_numpy() == pytest.approx(16)


@pytest.mark.parametrize("seed", range(6))
def test_lengths_are_those_of_shapely(seed):
    """Curved rows and polygons of any shape: the length of each row within each plot is shapely's intersection."""
    rng = np.random.default_rng(seed)
    centre = (-4000.0, 500.0)
    rows = [round_about(centre, 4000 + 75 * k, 60, 120) for k in range(8)]
    frame = LocalFrame(ORIGIN)
    cells = shapely.get_parts(
        shapely.voronoi_polygons(
            shapely.MultiPoint(np.array(ORIGIN) + rng.uniform((-5, -30), (10, 35), (12, 2))),
            extend_to=shapely.box(ORIGIN[0] - 10, ORIGIN[1] - 40, ORIGIN[0] + 15, ORIGIN[1] + 45),
        )
    )
    plots = plots_of([shapely.buffer(cell, -0.2) for cell in cells])
    plants = plants_on(rows, rng)
    settings = PlotSettings(shortest_m=0.0)
    cut = cut_rows(rows, plants, plots, frame, settings, "s.tif")
    lines = [line_of(row, frame) for row in rows]
    for name, polygon in zip(plots.names, plots.polygons, strict=True):
        for k, line in enumerate(lines, 1):
            own = cut.stretches[(cut.stretches["plot"] == name) & (cut.stretches["strip_row"] == k)]
            true = 100 * shapely.length(shapely.intersection(line, polygon))
            assert own["to_cm"].sum() == pytest.approx(true, abs=0.1)
    # plants: a plant is in the plot in which its point of the row lies
    on = np.concatenate(
        [frame.to_map(rows[r - 1].points(p)) for r, p in zip(plants["row"], plants["position_cm"], strict=True)]
    )
    tree = shapely.STRtree(np.array(plots.polygons))
    point, plot = tree.query(shapely.points(on), predicate="intersects")
    true = pd.Series("", index=plants["plant"])
    true.iloc[point] = np.array(plots.names, object)[plot]
    found = pd.concat([cut.plants.set_index("plant")["plot"], cut.outside.assign(plot="").set_index("plant")["plot"]])
    # within 2 mm of an outline either answer will do
    edge = (
        shapely.distance(shapely.union_all([shapely.boundary(p) for p in plots.polygons]), shapely.points(on)) < 0.002
    )
    assert (found.reindex(true.index) == true)[~edge].all() and (~edge).mean() > 0.99
    # what is drawn is as long as what is counted
    held = cut.lines.groupby(["plot", "row"]).apply(
        lambda t: np.hypot(t["easting_m"].diff(), t["northing_m"].diff()).sum()
    )
    assert held.sum() * 100 == pytest.approx(cut.stretches["to_cm"].sum(), rel=1e-4)


def test_shared_outlines_count_once():
    """A row that runs on the outline of two plots is one plot's; plants on it are not counted twice."""
    made = made_strip(1, 20.0)
    x, y = ORIGIN[0] + 0.375, ORIGIN[1]
    plots = plots_of([shapely.box(x - 3, y, x, y + 10), shapely.box(x, y, x + 3, y + 10)])
    cut = cut_rows(made.rows, made.plants, plots, made.frame)
    assert cut.stretches["to_cm"].tolist()[0] == pytest.approx(1000, abs=1e-3)
    assert cut.stretches["status"].tolist() == ["ok", "no_row"]
    assert_every_plant_once(made, cut)
    assert (cut.plants["plot"] == "P1").all() and len(cut.plants) == (made.plants["position_cm"] <= 1000).sum()


def test_plots_that_touch_end_to_end():
    made = made_strip(2, 20.0)
    x, y = ORIGIN
    plots = plots_of([shapely.box(x, y + 5 * k, x + 2, y + 5 * k + 5) for k in range(4)])
    cut = cut_rows(made.rows, made.plants, plots, made.frame)
    assert cut.stretches["to_cm"].sum() == pytest.approx(4000) and not len(cut.outside)
    assert_every_plant_once(made, cut)


def test_trimmed_ends_and_border_rows():
    made = made_strip(12, 30.0)
    settings = PlotSettings(trim_m=0.8, border_rows=1)
    cut = cut_rows(made.rows, made.plants, grid_of(), made.frame, settings)
    assert len(cut.stretches) == 9 * 2 and cut.stretches["row"].tolist() == [2, 3] * 9
    assert cut.stretches["to_cm"].to_numpy() == pytest.approx(440, abs=1e-6)
    assert cut.stretches["strip_from_cm"].iloc[0] == pytest.approx(80, abs=1e-6)
    assert_every_plant_once(made, cut)
    counts = cut.outside["why"].value_counts()
    row, at = made.plants["row"].to_numpy(), made.plants["position_cm"].to_numpy()
    within = at % 700
    held = (at < 2000) & (row <= 12)
    in_plot = held & (within <= 600)
    trimmed = in_plot & ((within < 80) | (within > 520))
    border = in_plot & ~trimmed & np.isin(row % 4, (0, 1))
    assert counts["trimmed"] == trimmed.sum() and counts["border_row"] == border.sum()
    assert counts["no_plot"] == (~in_plot).sum()
    assert "within 0.8 m of the ends of plots" in cut.notes[-1] and "in border rows" in cut.notes[-1]


def test_ends_are_trimmed_from_the_outline_and_not_from_where_the_image_ends():
    rows = [straight(0.0, 2000.0)]
    frame = LocalFrame((0.0, 0.0))
    plants = plants_on(rows, np.random.default_rng(1))
    # the outline begins 5 m before the image does, and 0.3 m before it
    far, near = shapely.box(-1, -5, 1, 10), shapely.box(-1, -0.3, 1, 10)
    settings = PlotSettings(trim_m=1.0)
    for polygon, begin in ((far, 0.0), (near, 70.0)):
        stretch = cut_rows(rows, plants, plots_of([polygon]), frame, settings).stretches.iloc[0]
        assert (stretch["strip_from_cm"], stretch["to_cm"]) == pytest.approx((begin, 900 - begin))


def test_a_row_seen_in_pieces():
    """A hole of the image within a plot: two stretches, of which none holds the plants between."""
    made = made_strip(1, 20.0)
    x, y = ORIGIN
    plots = plots_of([shapely.box(x, y, x + 1, y + 15)])
    spells = [np.array([[0.0, 400.0], [700.0, 2000.0]])]
    cut = cut_rows(made.rows, made.plants, plots, made.frame, spells=spells, columns={"row_unit": ["3"], "pass": [2]})
    assert cut.stretches["to_cm"].tolist() == pytest.approx([400, 800])
    assert cut.stretches["row"].tolist() == [1, 2] and cut.stretches["row_unit"].tolist() == ["3", "3"]
    assert cut.stretches["pass"].tolist() == [2, 2]
    why = cut.outside.set_index("plant")["why"]
    at = made.plants.set_index("plant")["position_cm"]
    assert (why[at[(at > 400) & (at < 700)].index] == "not_measured").all()
    assert (why[at[at > 1500].index] == "no_plot").all()
    assert_every_plant_once(made, cut)
    assert "In 1 of 1 plots a row lies in several pieces" in cut.notes[0]


def test_short_pieces_and_bare_plots_are_told():
    made = made_strip(4, 20.0)
    x, y = ORIGIN
    corner = shapely.Polygon([(x, y + 10), (x + 0.6, y + 10), (x, y + 10.6)])  # cuts 22.5 cm out of the first row
    plots = plots_of([corner, shapely.box(x, y, x + 3, y + 5), shapely.box(x + 50, y, x + 53, y + 5)])
    cut = cut_rows(made.rows, made.plants, plots, made.frame)
    assert cut.stretches["plot"].tolist() == ["P1", *["P2"] * 4, "P3"]
    assert cut.stretches["status"].tolist() == ["no_row", *["ok"] * 4, "no_row"]
    assert "2 of 3 plots hold no measured row: P1, P3." in cut.notes
    assert "One piece of row is shorter than 0.5 m and not measured." in cut.notes
    assert set(cut.outside["why"]) <= set(OUTSIDE) and (cut.outside["why"] == "short").sum() <= 2
    found = summarise(positions_from_plants(cut.plants), cut.stretches, SpacingSettings(row_width_cm=75.0))
    assert found.plots["status"].tolist() == ["no_row", "ok", "no_row"]
    assert found.plots["plants"].tolist()[::2] == [0, 0] and np.isnan(found.plots["plants_per_ha"].iloc[0])


def test_without_plots_the_strip_is_one():
    made = made_strip(5, 20.0, heading_deg=37.0)
    cut = cut_rows(made.rows, made.plants, whole_strip("strip"), made.frame, PlotSettings(trim_m=1.0), made.photo)
    assert cut.stretches["plot"].tolist() == ["strip"] * 5 and cut.stretches["row"].tolist() == [1, 2, 3, 4, 5]
    assert len(cut.plants) == len(made.plants) and not len(cut.outside)
    assert cut.stretches["to_cm"].to_numpy() == pytest.approx(2000)
    assert cut.notes == ("Nothing is trimmed and no border row left out, as there are no plots.",)
    crop = made.plants["is_crop"]
    assert cut.stretches["plants"].sum() == crop.sum() and cut.stretches["weeds"].sum() == (~crop).sum()


def test_turning_and_shifting_change_nothing():
    counts = []
    for heading, origin in ((0.0, (0.0, 0.0)), (23.0, ORIGIN), (-140.0, (7e5, 9e6))):
        made = made_strip(12, 30.0, heading, origin=origin)
        cut = cut_rows(made.rows, made.plants, grid_of(corner=origin, heading_deg=heading), made.frame)
        counts.append(cut.stretches[["plot", "row", "plants", "to_cm"]].round({"to_cm": 4}))
    assert counts[0].equals(counts[1]) and counts[0].equals(counts[2])


def test_nothing_found():
    cut = cut_rows([], tables.empty(tables.PLANTS), grid_of(), LocalFrame(ORIGIN))
    assert cut.stretches["status"].tolist() == ["no_row"] * 9 and not len(cut.plants) and not len(cut.lines)
    assert list(cut.plants)[-3:] == ["strip_row", "easting_m", "northing_m"]
    cut = cut_rows([], tables.empty(tables.PLANTS), whole_strip("s"), LocalFrame(ORIGIN))
    assert cut.stretches["status"].tolist() == ["no_row"]
    rows = [straight(0.0, 500.0)]
    cut = cut_rows(rows, tables.empty(tables.PLANTS), whole_strip("s"), LocalFrame(ORIGIN))
    assert cut.stretches["status"].tolist() == ["empty"] and cut.stretches["to_cm"].tolist() == [500.0]
    none = Plots((), (), pd.DataFrame({"plot": [], "treatment": [], "block": []}))
    cut = cut_rows(rows, tables.empty(tables.PLANTS), none, LocalFrame())
    assert not len(cut.stretches)


def test_passes_that_are_not_known_stay_whole_numbers():
    made = made_strip(2, 20.0)
    passes = [3, pd.NA]
    stretches = cut_rows(made.rows, made.plants, whole_strip("s"), made.frame, columns={"pass": passes}).stretches
    assert stretches["pass"].dtype == "Int64" and stretches["pass"].isna().tolist() == [False, True]


def test_flags_and_pixels_travel():
    row = CurvedRow(np.array([[0.0, 0.0], [0.0, 1000.0]]), 0.0, 1000.0, flags=1 << 1)
    plants = tables.empty(tables.PLANTS)
    cut = cut_rows([row], plants, whole_strip("s"), LocalFrame(), numbers=[7], to_pixels=lambda m: m * 200)
    line = cut.stretches.iloc[0]
    assert line["flags"] == "at_edge" and line["strip_row"] == 7
    assert line[["from_x_px", "from_y_px", "to_x_px", "to_y_px"]].tolist() == [0, 0, 0, 2000]
    # cut by the border is the row, and of its pieces those that reach its ends
    ends = plots_of([shapely.box(-1, y, 1, y + 3) for y in (-1, 3, 8)])
    assert cut_rows([row], plants, ends, LocalFrame()).stretches["flags"].tolist() == ["at_edge", "", "at_edge"]
    with pytest.raises(ValueError, match="numbers of their own"):
        cut_rows([row], pd.concat([plants_on([row], np.random.default_rng(0))] * 2), whole_strip("s"), LocalFrame())


def test_the_direction_of_travel_changes_nothing():
    made = made_strip(12, 30.0, 20.0)
    plots = grid_of(heading_deg=20.0)
    there = cut_rows(made.rows, made.plants, plots, made.frame, PlotSettings(trim_m=0.4))
    length = made.rows[0].to_cm
    back = made.plants.assign(position_cm=length - made.plants["position_cm"], offset_cm=-made.plants["offset_cm"])
    turned = cut_rows([row.turned_round() for row in made.rows], back, plots, made.frame, PlotSettings(trim_m=0.4))
    columns = ["plot", "row", "plants", "to_cm", "weeds"]
    pd.testing.assert_frame_equal(there.stretches[columns], turned.stretches[columns], rtol=1e-9)
    places = [cut.plants.set_index("plant").sort_index()[["easting_m", "northing_m"]] for cut in (there, turned)]
    np.testing.assert_allclose(*places, atol=1e-6)


def test_population_is_unbiased_where_plots_cut_rows():
    """Short plots laid anywhere over rows of a known planter: mean population is the planter's own."""
    planter = KnownPlanter(16.0, 0.05, 0.03, 2.0, 0.9)
    truth = (1 - planter.skip_share) * (1 + planter.double_share) / 16.0  # plants a cm
    rng = np.random.default_rng(8)
    found = []
    for seed in range(40):
        made = made_strip(12, 30.0, 0.0, seed, planter)
        corner = (ORIGIN[0], ORIGIN[1] + rng.uniform(0, 3))
        plots = grid_of(corner=corner, plot_length_m=1.3, ranges=10, alley_m=0.9)
        cut = cut_rows(made.rows, made.plants.assign(is_crop=True), plots, made.frame)
        found.append((cut.stretches["plants"].sum(), cut.stretches["to_cm"].sum()))
    plants, length = np.array(found, float).T
    ratio = plants.sum() / length.sum()
    error = np.std(plants - ratio * length) * np.sqrt(len(plants)) / length.sum()
    assert abs(ratio - truth) < 3 * error and error < 0.004 * truth
