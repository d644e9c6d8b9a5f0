"""Plots as a grid: corner, heading, sizes and numbers of ranges and columns, as a trial is staked out."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from standcam.checked import record_of, settings_tables
from standcam.errors import BadSettings
from standcam.settings import PlotSettings
from standcam.strips.plots import Plots, make_plots

MOST_PLOTS = 100_000
NUMBERINGS = ("along", "across")


@dataclass(frozen=True)
class PlotGrid:
    """A grid of plots, as ``--grid FILE.toml`` gives it.

    Rows run along the heading. Looking along it from the corner, ranges follow each other ahead and columns lie side by
    side to the right.
    """

    corner: tuple[float, float]
    """Near left corner of the first plot, without alley: easting and northing in the CRS of the image, or in ``crs``;
    longitude and latitude where that is geographic. [m or degrees]"""
    heading_deg: float
    """Direction of the rows from the first range to the last: clockwise from grid north of the image. [degrees]"""
    plot_length_m: float
    """Of a plot along the rows, alley left out. [m]"""
    ranges: int
    """Plots one behind the other along the rows."""
    columns: int
    """Plots side by side."""
    plot_width_m: float | None = None
    """Of a plot across the rows. None: rows_per_plot times row_width_cm. [m]"""
    rows_per_plot: int | None = None
    row_width_cm: float | None = None
    """Distance of neighbouring rows. [cm]"""
    alley_m: float = 0.0
    """Between one range and the next. [m]"""
    path_m: float = 0.0
    """Between one column and the next, beyond the plots' own width. [m]"""
    crs: str = ""
    """Of the corner, such as EPSG:4326. Empty: that of the image."""
    numbering: str = "across"
    """across: numbers run along a range, from column to column, and go on in the next range. along: they run along a
    column, from range to range."""
    serpentine: bool = False
    """Every second range (or column) is numbered the other way."""
    first_number: int = 1
    """Of the plot at the corner. With per_range, of each range."""
    per_range: int = 0
    """100: plots of the first range (numbered along: column) are 101, 102, ..., of the second 201, 202, ...; 0: numbers
    go on."""
    prefix: str = ""
    """Set before each number."""
    names: tuple[str, ...] = ()
    """Names in the order of numbering, in place of numbers."""
    treatments: tuple[str, ...] = ()
    """In the order of numbering; empty: none."""
    blocks: str = ""
    """range or column: each is a block; empty: no blocks."""

    def __post_init__(self) -> None:
        for name in ("plot_length_m", "ranges", "columns", "plot_width_m", "rows_per_plot", "row_width_cm"):
            value = getattr(self, name)
            if value is not None and not value > 0:
                raise BadSettings(f"{name} is {value}.", "It must be greater than zero.")
        for name in ("alley_m", "path_m", "first_number", "per_range"):
            if not getattr(self, name) >= 0:
                raise BadSettings(f"{name} is {getattr(self, name)}.", "It must be zero or greater.")
        if self.plot_width_m is None and (self.rows_per_plot is None or self.row_width_cm is None):
            raise BadSettings("plot_width_m is not given.", "Give it, or rows_per_plot and row_width_cm.")
        if self.plot_width_m is not None and self.rows_per_plot is not None and self.row_width_cm is not None:
            by_rows = self.rows_per_plot * self.row_width_cm / 100
            if abs(by_rows - self.plot_width_m) > self.row_width_cm / 200:
                raise BadSettings(
                    f"plot_width_m is {self.plot_width_m:g}, but {self.rows_per_plot} rows {self.row_width_cm:g} cm "
                    f"apart make {by_rows:g} m.",
                    "Give one or the other.",
                )
        if self.ranges * self.columns > MOST_PLOTS:
            raise BadSettings(f"{self.ranges} ranges of {self.columns} plots are too many.", "Check the numbers.")
        if self.numbering not in NUMBERINGS:
            raise BadSettings(f"numbering is {self.numbering!r}.", "Use across or along.")
        if self.blocks not in ("", "range", "column"):
            raise BadSettings(f"blocks is {self.blocks!r}.", "Use range or column, or leave it out.")
        n = self.ranges * self.columns
        for name in ("names", "treatments"):
            told = len(getattr(self, name))
            if told and told != n:
                raise BadSettings(f"{name} are {told}, and the grid has {n} plots.", "Give one for each plot, or none.")
        if self.per_range and self._a_line > self.per_range - self.first_number:
            raise BadSettings(
                f"per_range is {self.per_range}, and {self._a_line} plots from {self.first_number} on run into the "
                "next hundred.",
                "Take a larger one, such as 1000.",
            )

    @property
    def _a_line(self) -> int:
        """Plots in one line of numbering."""
        return self.columns if self.numbering == "across" else self.ranges

    @property
    def width_m(self) -> float:
        """Of a plot across the rows. [m]"""
        if self.plot_width_m is not None:
            return self.plot_width_m
        assert self.rows_per_plot is not None and self.row_width_cm is not None
        return self.rows_per_plot * self.row_width_cm / 100


def read_grid(path: str | Path) -> PlotGrid:
    """A grid from a TOML file, whose settings are the fields of :class:`PlotGrid`.

    Raises
    ------
    BadSettings
        The file is missing, no TOML, or holds unknown, missing or impossible values.
    """
    path = Path(path)
    return record_of(PlotGrid, settings_tables(path, "Plot grid"), f"Plot grid {path}")


def grid_plots(
    grid: PlotGrid,
    crs_wkt: str = "",
    settings: PlotSettings | None = None,
    extent: object = None,
    path: str | Path = "grid",
    m_per_map_m: float = 1.0,
) -> Plots:
    """Plots of a grid, in the order of their numbers, with their range and column.

    Parameters
    ----------
    grid : PlotGrid
    crs_wkt : str
        CRS of the strip, in metres; empty: a local frame.
    settings : PlotSettings, optional
    extent : polygon or (west, south, east, north), optional
        What the image shows, on the map. [m]
    path : path
        Name of the grid in messages.
    m_per_map_m : float
        Ground for a metre of the map, where the projection stretches: sizes are laid out on the ground. [m]

    Raises
    ------
    BadSettings
        The corner cannot be brought into the CRS of the image.
    PlotMapMismatch
        Names occur twice, or no plot lies in the image.
    """
    import shapely

    settings = settings or PlotSettings()
    across = grid.numbering == "across"
    lines, a_line = (grid.ranges, grid.columns) if across else (grid.columns, grid.ranges)
    line, place = (v.ravel() for v in np.divmod(np.arange(lines * a_line), a_line))
    at = np.where(grid.serpentine & (line % 2 == 1), a_line - 1 - place, place)
    range_no, column_no = (line, at) if across else (at, line)

    heading = math.radians(grid.heading_deg)
    ahead, right = np.array([math.sin(heading), math.cos(heading)]), np.array([math.cos(heading), -math.sin(heading)])
    near = range_no * (grid.plot_length_m + grid.alley_m)
    left = column_no * (grid.width_m + grid.path_m)
    u = near[:, None] + np.array([0, 1, 1, 0, 0]) * grid.plot_length_m
    v = left[:, None] + np.array([0, 0, 1, 1, 0]) * grid.width_m
    corners = (u[..., None] * ahead + v[..., None] * right) / m_per_map_m + _corner(grid, crs_wkt)

    if grid.per_range:
        number = grid.first_number + (line + 1) * grid.per_range + place
    else:
        number = grid.first_number + np.arange(len(line))
    block = {"": [""] * len(line), "range": range_no + 1, "column": column_no + 1}[grid.blocks]
    cells = pd.DataFrame(
        {
            "plot": [name.strip() for name in grid.names] or [f"{grid.prefix}{n}" for n in number.tolist()],
            "treatment": [name.strip() for name in grid.treatments] or [""] * len(line),
            "block": [str(b) for b in np.asarray(block).tolist()],
            "range": range_no + 1,
            "column": column_no + 1,
        }
    ).astype({"plot": "str", "treatment": "str", "block": "str"})
    return make_plots(shapely.polygons(corners), cells, crs_wkt, settings, extent, f"Plot grid {path}", path)


def _corner(grid: PlotGrid, crs_wkt: str) -> np.ndarray:
    """Corner in the CRS of the image. [m]"""
    if not grid.crs:
        return np.array(grid.corner)
    if not crs_wkt:
        raise BadSettings(
            f"The grid's corner is in {grid.crs} and the image has no CRS.",
            "Give the corner in the image's own metres, and leave crs out.",
        )
    import pyproj
    from pyproj.exceptions import CRSError

    try:
        change = pyproj.Transformer.from_crs(grid.crs, pyproj.CRS.from_user_input(crs_wkt), always_xy=True)
    except CRSError:
        raise BadSettings(f"The grid's crs {grid.crs!r} is not known.", "Write it as EPSG:4326.") from None
    corner = np.array(change.transform(*grid.corner))
    if not np.isfinite(corner).all():
        raise BadSettings(
            f"The grid's corner {grid.corner[0]:g}, {grid.corner[1]:g} lies nowhere in the CRS of the image.",
            "In degrees, longitude comes first.",
        )
    return corner
