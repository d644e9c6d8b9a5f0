"""Plots as a grid: places, numbers, and what a grid file must tell."""

import math

import numpy as np
import pytest
import shapely

from standcam.errors import BadSettings, PlotMapMismatch
from standcam.strips.grid import PlotGrid, grid_plots, read_grid

TEXT = """\
corner = [448000.0, 4650000.0]
heading_deg = 0
plot_length_m = 6.0
rows_per_plot = 4
row_width_cm = 75
alley_m = 1.5
ranges = 2
columns = 3
"""


def grid(**values):
    return PlotGrid(**{"corner": (0.0, 0.0), "heading_deg": 0.0, "plot_length_m": 6.0, "plot_width_m": 3.0,
                       "ranges": 2, "columns": 3} | values)  # fmt: skip


def centres(plots):
    return {name: tuple(np.round(shapely.get_coordinates(p.centroid)[0], 6)) for name, p in
            zip(plots.names, plots.polygons, strict=True)}  # fmt: skip


def test_places_by_head(tmp_path):
    path = tmp_path / "g.toml"
    path.write_text(TEXT)
    plots = grid_plots(read_grid(path))
    assert plots.names == ("1", "2", "3", "4", "5", "6")
    # 4 rows of 0.75 m: 3 m wide; northwards, columns to the east
    assert plots.polygons[0].bounds == (448000.0, 4650000.0, 448003.0, 4650006.0)
    assert plots.polygons[1].bounds == (448003.0, 4650000.0, 448006.0, 4650006.0)
    assert plots.polygons[3].bounds == (448000.0, 4650007.5, 448003.0, 4650013.5)
    assert plots.cells[["range", "column"]].to_numpy().tolist() == [[1, 1], [1, 2], [1, 3], [2, 1], [2, 2], [2, 3]]
    assert shapely.area(shapely.union_all(plots.polygons)) == pytest.approx(6 * 18)


def test_heading_is_that_of_a_compass():
    east = grid_plots(grid(heading_deg=90.0))  # looking east, right is south
    assert east.polygons[0].bounds == pytest.approx((0, -3, 6, 0))
    turned = grid_plots(grid(heading_deg=30.0)).polygons[0]
    assert turned.area == pytest.approx(18)
    far = np.array([6 * math.sin(math.radians(30)), 6 * math.cos(math.radians(30))])
    assert shapely.distance(shapely.Point(far), turned.boundary) < 1e-9


@pytest.mark.parametrize(
    ("values", "order"),
    [
        ({}, [(1, 1), (1, 2), (1, 3), (2, 1), (2, 2), (2, 3)]),
        ({"serpentine": True}, [(1, 1), (1, 2), (1, 3), (2, 3), (2, 2), (2, 1)]),
        ({"numbering": "along"}, [(1, 1), (2, 1), (1, 2), (2, 2), (1, 3), (2, 3)]),
        ({"numbering": "along", "serpentine": True}, [(1, 1), (2, 1), (2, 2), (1, 2), (1, 3), (2, 3)]),
    ],
)
def test_numbering(values, order):
    plots = grid_plots(grid(**values))
    assert plots.cells[["range", "column"]].apply(tuple, axis=1).tolist() == order
    assert plots.names == tuple("123456")


def test_names():
    plots = grid_plots(grid(per_range=100, prefix="N-", blocks="range"))
    assert plots.names == ("N-101", "N-102", "N-103", "N-201", "N-202", "N-203")
    assert plots.cells["block"].tolist() == ["1", "1", "1", "2", "2", "2"]
    plots = grid_plots(grid(names=tuple("abcdef"), treatments=tuple("xyzzyx"), serpentine=True))
    assert centres(plots)["f"] == (1.5, 9.0) and plots.cells["treatment"].tolist() == list("xyzzyx")
    with pytest.raises(PlotMapMismatch, match="outlines 1 and 3 are both named a"):
        grid_plots(grid(names=tuple("abacde")))


def test_corner_in_another_crs():
    """45 N on the central meridian of zone 15: see test_strip_plots."""
    import pyproj

    plots = grid_plots(grid(corner=(-93.0, 45.0), crs="EPSG:4326"), pyproj.CRS("EPSG:32615").to_wkt())
    assert plots.polygons[0].bounds[:2] == pytest.approx((500_000.0, 4_982_950.4), abs=0.1)
    with pytest.raises(BadSettings, match="has no CRS"):
        grid_plots(grid(crs="EPSG:4326"))
    with pytest.raises(BadSettings, match="'EPSG:99' is not known"):
        grid_plots(grid(crs="EPSG:99"), pyproj.CRS("EPSG:32615").to_wkt())
    with pytest.raises(BadSettings, match="longitude comes first"):
        grid_plots(grid(corner=(45.0, -93.0), crs="EPSG:4326"), pyproj.CRS("EPSG:32615").to_wkt())


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (TEXT.replace("ranges = 2\n", ""), "does not tell ranges"),
        (TEXT + "rows = 3\n", "unknown settings: rows"),
        (TEXT.replace("ranges = 2", "ranges = 0"), "ranges is 0"),
        (TEXT.replace("ranges = 2", 'ranges = "2"'), "must be a whole number"),
        (TEXT.replace("6.0", "nan"), "must be a number"),
        (TEXT.replace("rows_per_plot = 4\n", ""), "plot_width_m is not given"),
        (TEXT + "plot_width_m = 4.5\n", "4 rows 75 cm apart make 3 m"),
        (TEXT + 'names = ["a"]\n', "names are 1, and the grid has 6 plots"),
        (TEXT + "per_range = 3\n", "run into the next"),
        (TEXT + 'numbering = "snake"\n', "Use across or along"),
        (TEXT.replace("ranges = 2", "ranges = 200000"), "too many"),
        ("corner = [", "no valid TOML"),
    ],
)
def test_bad_grids(tmp_path, text, words):
    (tmp_path / "g.toml").write_text(text)
    with pytest.raises(BadSettings, match=words):
        read_grid(tmp_path / "g.toml")


def test_missing_file(tmp_path):
    with pytest.raises(BadSettings, match="No such file"):
        read_grid(tmp_path / "g.toml")
