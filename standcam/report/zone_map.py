"""Zone map: population and CV of spacings on a grid, as GeoTIFF."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from standcam.errors import BadSettings
from standcam.report.map_layers import on_lines
from standcam.settings import MapSettings
from standcam.spacing import metrics
from standcam.units import M2_PER_HA

if TYPE_CHECKING:
    from standcam.strips.cut import CutRows

POPULATION, CV = "zone_population.tif", "zone_cv.tif"
NODATA = -9999.0
_KEYS = ["photo", "plot", "row"]
_MOST_CELLS = 50_000_000


@dataclass(frozen=True)
class ZoneMap:
    """Numbers of each cell; arrays ``[y, x]`` from the north west corner on."""

    population: np.ndarray
    """Plants per ha; NaN where too little row was measured or its width is not known. [1/ha]"""
    cv_pct: np.ndarray
    """NaN where there are too few gaps. [%]"""
    plants: np.ndarray
    """Crop plants."""
    row_length_m: np.ndarray
    """Measured row. [m]"""
    gaps: np.ndarray
    """Gaps between plants, each in the cell of its middle."""
    west_m: float
    north_m: float
    """Corner of the grid, a multiple of the cell: grids of neighbouring strips fall together. [m]"""
    cell_m: float


def zone_map(
    cut: CutRows,
    gaps: pd.DataFrame,
    row_width_cm: float | np.ndarray | None,
    settings: MapSettings | None = None,
) -> ZoneMap:
    """Population and CV of each cell of a grid.

    Population is the cell's plants over the area of its measured row, ``plants / (row length x row width)``: cells that
    the strip fills in part, or that hold more or fewer rows than their width makes, come out right. A plant counts
    where the point of the row beside it lies, which is where the row's length counts. CV is that of the gaps along the
    rows whose middle lies in the cell; open ends of rows are no gaps.

    Parameters
    ----------
    cut : CutRows
    gaps : DataFrame
        GAPS of its plants.
    row_width_cm : float or array (n,) or None
        Of all rows, or of each line of ``cut.stretches``; None where it is not known. [cm]
    settings : MapSettings, optional

    Raises
    ------
    BadSettings
        The cells are so small that the grid has no reasonable size.
    """
    settings = settings or MapSettings()
    cell = settings.cell_m
    corners = cut.lines[["easting_m", "northing_m"]].to_numpy(float)
    if not len(corners):
        nothing = np.zeros((0, 0))
        return ZoneMap(nothing, nothing, nothing.astype(int), nothing, nothing.astype(int), 0.0, 0.0, cell)
    low, high = np.floor(corners.min(axis=0) / cell), np.floor(corners.max(axis=0) / cell)
    nx, ny = (int(n) + 1 for n in high - low)
    if nx * ny > _MOST_CELLS:
        raise BadSettings(f"maps.cell_m is {cell:g}: the zone map would have {nx * ny:,} cells.", "Take larger cells.")

    def cell_of(xy: np.ndarray) -> np.ndarray:
        column, row = np.clip(np.floor(xy / cell) - low, 0, (nx - 1, ny - 1)).astype(int).T
        return np.asarray((ny - 1 - row) * nx + column)

    middle, length_cm, line = _pieces(cut.lines, cell)
    at = cell_of(middle)
    width = _widths(cut, row_width_cm)[line]
    row_cm = np.bincount(at, length_cm, nx * ny)
    area_cm2 = np.bincount(at, length_cm * width, nx * ny)

    crop = cut.plants[cut.plants["is_crop"].to_numpy(bool)]
    place = on_lines(cut.lines, crop, crop["position_cm"].to_numpy(float))
    plants = np.bincount(cell_of(place), minlength=nx * ny) if len(crop) else np.zeros(nx * ny, int)
    enough = row_cm >= settings.least_row_m * 100
    population = np.full(nx * ny, np.nan)
    np.divide(plants * M2_PER_HA * 1e4, area_cm2, out=population, where=enough & (area_cm2 > 0))

    closed = gaps[(gaps["kind"] != metrics.OPEN).to_numpy(bool)]
    gap = closed["gap_cm"].to_numpy(float)
    place = on_lines(cut.lines, closed, closed["from_cm"].to_numpy(float) + gap / 2)
    known = np.isfinite(place).all(axis=1)
    at = cell_of(place[known]) if known.any() else np.zeros(0, int)
    n = np.bincount(at, minlength=nx * ny)
    mean, sd = metrics.mean_sd(gap[known], at, nx * ny)
    cv = np.full(nx * ny, np.nan)
    np.divide(100 * sd, mean, out=cv, where=(n >= settings.fewest_gaps) & (mean > 0))

    def grid(values: np.ndarray) -> np.ndarray:
        return values.reshape(ny, nx)

    north = (low[1] + ny) * cell
    return ZoneMap(
        grid(population), grid(cv), grid(plants), grid(row_cm / 100), grid(n), float(low[0] * cell), float(north), cell
    )


def zone_files(zones: ZoneMap, crs_wkt: str = "") -> dict[str, bytes]:
    """GeoTIFF of population and of CV by file name; without any cell there is nothing to write.

    Parameters
    ----------
    zones : ZoneMap
    crs_wkt : str
        Empty: a local frame.
    """
    if not zones.population.size:
        return {}
    return {
        POPULATION: _geotiff(zones, zones.population, crs_wkt, "plants per ha", "1/ha"),
        CV: _geotiff(zones, zones.cv_pct, crs_wkt, "CV of spacings", "%"),
    }


def _geotiff(zones: ZoneMap, values: np.ndarray, crs_wkt: str, what: str, unit: str) -> bytes:
    import rasterio
    from rasterio.io import MemoryFile

    height, width = values.shape
    with MemoryFile() as memory:
        with memory.open(
            driver="GTiff",
            height=height,
            width=width,
            count=1,
            dtype="float32",
            crs=rasterio.CRS.from_wkt(crs_wkt) if crs_wkt else None,
            transform=rasterio.Affine(zones.cell_m, 0.0, zones.west_m, 0.0, -zones.cell_m, zones.north_m),
            nodata=NODATA,
            compress="deflate",
        ) as out:
            out.write(np.where(np.isfinite(values), values, NODATA).astype(np.float32), 1)
            out.set_band_description(1, what)
            out.set_band_unit(1, unit)
        return bytes(memory.read())


def _widths(cut: CutRows, row_width_cm: float | np.ndarray | None) -> np.ndarray:
    """Row width of each line. [cm]"""
    held = cut.lines.drop_duplicates(_KEYS)
    if row_width_cm is None or np.ndim(row_width_cm) == 0:
        return np.full(len(held), np.nan if row_width_cm is None else float(row_width_cm))  # type: ignore[arg-type]
    width = pd.Series(np.asarray(row_width_cm, float), index=pd.MultiIndex.from_frame(cut.stretches[_KEYS]))
    return width.reindex(pd.MultiIndex.from_frame(held[_KEYS])).to_numpy(float)


def _pieces(lines: pd.DataFrame, cell_m: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Lines cut where they cross the grid: middle of each piece [m], its length on the ground [cm], its line."""
    xy = lines[["easting_m", "northing_m"]].to_numpy(float)
    position = lines["position_cm"].to_numpy(float)
    line = lines.groupby(_KEYS, sort=False).ngroup().to_numpy()
    begin = np.flatnonzero(np.diff(line) == 0)
    a, b, length, line = xy[begin], xy[begin + 1], position[begin + 1] - position[begin], line[begin]
    # no longer than a cell, so that each crosses one line of the grid either way at most
    parts = np.maximum(1, np.ceil(np.abs(b - a).max(axis=1, initial=0.0) / cell_m).astype(int))
    which = np.repeat(np.arange(len(a)), parts)
    step = np.arange(len(which)) - np.repeat(np.cumsum(parts) - parts, parts)
    ahead = (b - a)[which] / parts[which, None]
    start = a[which] + step[:, None] * ahead
    ia, ib = np.floor(start / cell_m), np.floor((start + ahead) / cell_m)
    crossed = np.maximum(ia, ib) * cell_m
    share = np.ones_like(start)
    np.divide(crossed - start, ahead, out=share, where=(ia != ib) & (ahead != 0))
    cuts = np.sort(np.clip(share, 0.0, 1.0), axis=1)
    t = np.column_stack([np.zeros(len(start)), cuts, np.ones(len(start))])
    middle = start[:, None] + (t[:, :-1] + t[:, 1:])[..., None] / 2 * ahead[:, None]
    cut_cm = np.diff(t, axis=1) * (length / parts)[which, None]
    return middle.reshape(-1, 2), cut_cm.ravel(), np.repeat(line[which], 3)
