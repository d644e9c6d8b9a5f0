"""Layers of a strip's map: plants, rows, gaps and plots as geometries with the columns of the tables."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from standcam.settings import MapSettings

if TYPE_CHECKING:
    from standcam.strips.cut import CutRows
    from standcam.strips.plots import Plots
    from standcam.summarise import Summary

_KEYS = ["photo", "plot", "row"]
_AROUND_M = 0.5  # about the rows of a strip whose outline is not known


@dataclass(frozen=True)
class Layer:
    """One layer of a map."""

    table: pd.DataFrame
    geometry: np.ndarray
    """shapely geometries, one a line of the table; None where there is none. Map coordinates. [m]"""
    kind: str
    """Point, LineString or MultiPolygon."""


def strip_layers(
    cut: CutRows, summary: Summary, plots: Plots | None = None, settings: MapSettings | None = None
) -> dict[str, Layer]:
    """Layers plots, rows, gaps and plants, in the order in which they are drawn.

    - plots: all columns of PLOTS, treatment, block and what the outlines told.
    - rows: stretches of row with all columns of ROWS; lines along their curves.
    - gaps: those longer than ``gap_cm``, each from stem to stem along the row; bare ends of rows (kind open) from the
      last stem to the end of the stretch.
    - plants: crop, doubtful and weeds. Those on no stretch stand below, with the reason in ``not_counted``, no plot,
      row 0 and no position.

    Parameters
    ----------
    cut : CutRows
    summary : Summary
        Of its plants and stretches.
    plots : Plots, optional
    settings : MapSettings, optional
    """
    settings = settings or MapSettings()
    return {
        "plots": _plots(cut, summary, plots),
        "rows": _rows(cut, summary),
        "gaps": gap_lines(cut, summary.gaps, settings.gap_cm),
        "plants": _plants(cut),
    }


def _plants(cut: CutRows) -> Layer:
    import shapely

    outside = cut.outside.assign(plot="", row=0, position_cm=np.nan).rename(columns={"why": "not_counted"})
    parts = [part for part in (cut.plants.assign(not_counted=""), outside) if len(part)]
    table = pd.concat(parts, ignore_index=True) if parts else cut.plants.assign(not_counted="")
    return Layer(table, shapely.points(table[["easting_m", "northing_m"]].to_numpy(float)), "Point")


def _rows(cut: CutRows, summary: Summary) -> Layer:
    import shapely

    further = [name for name in cut.stretches if name not in summary.rows]
    drop = ["from_cm", "to_cm"]
    rows = summary.rows.merge(
        cut.stretches[[*_KEYS, *further]].drop(columns=drop, errors="ignore"), on=_KEYS, how="left"
    )
    at = _line_of(cut.lines, rows)
    rows = rows[at >= 0].reset_index(drop=True)
    xy = cut.lines[["easting_m", "northing_m"]].to_numpy(float)
    geometry = np.full(len(rows), None, object)
    if len(rows):
        first, last = _spans(cut.lines)
        held = at[at >= 0]
        count = (last - first)[held]
        corner = np.repeat(first[held] - np.cumsum(count) + count, count) + np.arange(count.sum())
        geometry = shapely.linestrings(xy[corner], indices=np.repeat(np.arange(len(held)), count))
    return Layer(rows, geometry, "LineString")


def gap_lines(cut: CutRows, gaps: pd.DataFrame, longest_cm: float) -> Layer:
    """Gaps longer than a length, as lines along their rows.

    Parameters
    ----------
    cut : CutRows
    gaps : DataFrame
        GAPS of its plants.
    longest_cm : float
        [cm]
    """
    import shapely

    long = gaps[(gaps["gap_cm"] > longest_cm).to_numpy(bool)].reset_index(drop=True)
    at = _line_of(cut.lines, long)
    long, at = long[at >= 0].reset_index(drop=True), at[at >= 0]
    geometry = np.full(len(long), None, object)
    if not len(long):
        return Layer(long, geometry, "LineString")
    first, last = _spans(cut.lines)
    position = cut.lines["position_cm"].to_numpy(float)
    xy = cut.lines[["easting_m", "northing_m"]].to_numpy(float)
    stems = pd.Series(np.arange(len(cut.plants)), index=cut.plants["plant"])
    stem_xy = cut.plants[["easting_m", "northing_m"]].to_numpy(float)
    ends = [_stems(stems, long[name]) for name in ("from_plant", "to_plant")]
    start = long["from_cm"].to_numpy(float)
    stop = start + long["gap_cm"].to_numpy(float)
    for i in range(len(long)):
        own = slice(first[at[i]], last[at[i]])
        between = own.start + np.flatnonzero((position[own] > start[i]) & (position[own] < stop[i]))
        tips = [
            stem_xy[stem[i]] if stem[i] >= 0 else [np.interp(cm, position[own], xy[own, k]) for k in (0, 1)]
            for stem, cm in zip(ends, (start[i], stop[i]), strict=True)
        ]
        geometry[i] = shapely.linestrings(np.vstack([tips[0], xy[between], tips[1]]))
    return Layer(long, geometry, "LineString")


def _plots(cut: CutRows, summary: Summary, plots: Plots | None) -> Layer:
    import shapely

    table = summary.plots
    polygons: dict[str, object] = {}
    if plots is not None:
        cells = plots.cells[[name for name in plots.cells if name == "plot" or name not in table]]
        table = table.merge(cells, on="plot", how="left")
        polygons = dict(zip(plots.names, plots.polygons, strict=False))
    geometry = np.full(len(table), None, object)
    for i, name in enumerate(table["plot"].tolist()):
        shape = polygons.get(name)
        if shape is None:
            own = cut.lines.loc[(cut.lines["plot"] == name).to_numpy(bool), ["easting_m", "northing_m"]].to_numpy(float)
            shape = shapely.buffer(shapely.convex_hull(shapely.multipoints(own)), _AROUND_M) if len(own) else None
        if shape is not None:
            parts = shapely.get_parts(shape)
            geometry[i] = shapely.multipolygons(parts)
    return Layer(table, geometry, "MultiPolygon")


# ---- lines


def on_lines(lines: pd.DataFrame, table: pd.DataFrame, position_cm: np.ndarray) -> np.ndarray:
    """Map coordinates of places along rows; NaN where the row has no line. (n,) [cm] -> (n, 2) [m]

    Parameters
    ----------
    lines : DataFrame
        Of :class:`standcam.strips.cut.CutRows`.
    table : DataFrame
        photo, plot and row of each place.
    position_cm : array (n,)
        [cm]
    """
    at = _line_of(lines, table)
    out = np.full((len(table), 2), np.nan)
    known = at >= 0
    if known.any():
        first, last = _spans(lines)
        corner = lines["position_cm"].to_numpy(float)
        number = np.repeat(np.arange(len(first)), last - first)
        # all lines behind each other on one scale, none reaching the next
        apart = corner.max() + 1e3
        place = np.clip(np.asarray(position_cm, float)[known], corner[first[at[known]]], corner[last[at[known]] - 1])
        for k, name in enumerate(("easting_m", "northing_m")):
            axis = lines[name].to_numpy(float)
            out[known, k] = np.interp(at[known] * apart + place, number * apart + corner, axis)
    return out


def _spans(lines: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """First corner of each line, and one behind its last; corners of a line stand together."""
    code = lines.groupby(_KEYS, sort=False).ngroup().to_numpy()
    first = np.flatnonzero(np.r_[True, np.diff(code) != 0]) if len(code) else np.zeros(0, int)
    return first, np.r_[first[1:], len(code)].astype(int)


def _line_of(lines: pd.DataFrame, table: pd.DataFrame) -> np.ndarray:
    """Number of the line of each row of a table; -1 where it has none."""
    first, _ = _spans(lines)
    known = pd.MultiIndex.from_frame(lines[_KEYS].iloc[first])
    return np.asarray(known.get_indexer(pd.MultiIndex.from_frame(table[_KEYS])))


def _stems(stems: pd.Series, numbers: Sequence[int] | pd.Series) -> np.ndarray:
    """Place of each numbered plant among the plants; -1 for none."""
    wanted = pd.Series(numbers).astype("Int64").fillna(-1).astype("int64")
    return stems.reindex(wanted).fillna(-1).to_numpy(int)
