"""Plots as a picture: a grid where the plot map tells range and row, outlines of a strip's rows, places by GPS.

Two measures, each in panels of its own; every cell carries its number, for a shade alone tells little in the sun.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from standcam import units
from standcam.report import wording

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_DOWN = ("range", "tier", "bay")
_ALONG = ("column", "col", "strip", "pass", "planter_pass", "bed")
"""No plot_row: it counts the rows within a plot, and says nothing of where the plot lies."""
_PLACES = (("latitude", "longitude"), ("lat", "lon"), ("gps_latitude", "gps_longitude"))
_ENDS = ("from_easting_m", "from_northing_m", "to_easting_m", "to_northing_m")
"""Ends of the rows of a strip on the map."""
_POINTS_A_LETTER = 0.62
"""Width of a letter, of its size."""
MOST_LABELLED = 120
"""More cells hold no numbers."""
MOST_PLOTS = 5_000


@dataclass(frozen=True)
class Places:
    """Where plots lie, and how that is known."""

    plot: tuple[str, ...]
    x: np.ndarray
    y: np.ndarray
    kind: str
    """grid, map or gps"""
    x_name: str
    y_name: str
    outlines: tuple[np.ndarray, ...] = ()
    """Corners of each plot on the map. (k, 2) [m]"""


def places_of(rows: pd.DataFrame, inputs: Sequence[Mapping[str, Any]] = ()) -> Places | None:
    """Places of the plots by what the rows or the photos say; None where that is not enough for a picture.

    Parameters
    ----------
    rows : DataFrame
        ROWS, with columns of the plot map (range and column, strip or pass; or latitude and longitude).
    inputs : sequence of mapping
        Inputs of run.json, with latitude and longitude where photos carry them.
    """
    of_strip = all(name in rows for name in _ENDS)
    if not of_strip or (any(n in rows for n in _DOWN) and any(n in rows for n in _ALONG)):
        grid = _grid(rows)
        if grid is not None:
            return grid
    if of_strip:
        return _outlined(rows)
    located = rows
    if not any(a in rows and b in rows for a, b in _PLACES):
        known = {}
        for i in inputs:
            place = i.get("latitude"), i.get("longitude")
            if all(_is_number(v) for v in place):
                known[str(i.get("photo", ""))] = place
        if not known:
            return None
        at = [_place(str(photo), known) for photo in rows["photo"]]
        located = rows.assign(latitude=[a for a, _ in at], longitude=[b for _, b in at])
    return _gps(located)


def plot_picture(places: Places, plots: pd.DataFrame, system: str, width_in: float = 4.6) -> Figure | None:
    """Population and share of singles of each plot, where it lies; None where neither is known.

    Parameters
    ----------
    places : Places
    plots : DataFrame
        PLOTS.
    system : str
        si or us.
    """
    from standcam.report.chart import FAINT, INK, new_chart

    table = plots.set_index("plot").reindex(list(places.plot))
    per_ha = table["plants_per_ha"].to_numpy(float)
    people = per_ha / 1000 if system == "si" else per_ha / units.ACRES_PER_HA / 1000
    singles = table["quality_of_feed_pct"].to_numpy(float)
    area = "ha" if system == "si" else "acre"
    panels = [(people, f"Thousand plants per {area}", 1), (singles, "Singles, % of spacings", 0)]
    panels = [p for p in panels if np.isfinite(p[0]).any()]
    if not panels:
        return None
    wide, high = np.ptp(places.x) + 1, np.ptp(places.y) + 1
    if places.kind == "map":
        corners = np.concatenate(places.outlines)
        wide, high = np.ptp(corners, axis=0)
        each = min(max((width_in - 0.8) * high / wide, 1.0), 6.0)
    elif places.kind == "grid":
        each = min(max(0.34 * high, 0.8), 6.0)
    else:
        each = 3.2
    figure, axes = new_chart(len(panels), 1, width_in=width_in, height_in=len(panels) * (each + 1.0))
    for ax, (value, title, decimals) in zip(np.atleast_1d(axes), panels, strict=True):
        low, top = _ends(value)
        shade = np.clip((value - low) / (top - low), 0, 1)
        if places.kind == "grid":
            _cells(ax, places, value, shade, decimals, wide)
        elif places.kind == "map":
            _fields(ax, places, value, shade, decimals, min((width_in - 0.8) / wide, each / high))
        else:
            _dots(ax, places, value, shade, decimals)
        ax.set_title(title, loc="left", fontsize=13, color=INK)
        ax.set_xlabel(places.x_name)
        ax.set_ylabel(places.y_name)
        ax.spines[["left", "bottom"]].set_color(FAINT)
    return figure


def _cells(ax: Any, places: Places, value: np.ndarray, shade: np.ndarray, decimals: int, wide: float) -> None:
    from matplotlib.collections import PatchCollection
    from matplotlib.patches import Rectangle

    boxes = [Rectangle((x - 0.48, y - 0.48), 0.96, 0.96) for x, y in zip(places.x, places.y, strict=True)]
    colours = [_colour(s) for s in shade]
    ax.add_collection(PatchCollection(boxes, facecolors=colours, edgecolors="#7a7a7a", linewidths=0.6))
    size = min(12.0, 300 * 0.8 / max(wide, 1) / 2.2)
    if len(value) <= MOST_LABELLED and size >= 6:
        for x, y, v, s in zip(places.x, places.y, value, shade, strict=True):
            ink = "white" if s < 0.45 else "#111111"
            ax.text(x, y, wording.number(v, decimals), ha="center", va="center", fontsize=size,
                    color=ink if math.isfinite(v) else "#111111")  # fmt: skip
    ax.set_xlim(places.x.min() - 0.6, places.x.max() + 0.6)
    ax.set_ylim(places.y.max() + 0.6, places.y.min() - 0.6)
    ax.grid(False)
    for axis in (ax.xaxis, ax.yaxis):
        axis.get_major_locator().set_params(integer=True)


def _fields(ax: Any, places: Places, value: np.ndarray, shade: np.ndarray, decimals: int, in_per_m: float) -> None:
    """Plots as they lie, north up; name and number in each where there is room."""
    from matplotlib.collections import PolyCollection

    from standcam.report.chart import plain

    shapes = PolyCollection(places.outlines, facecolors=[_colour(s) for s in shade], edgecolors="#333333")
    shapes.set_linewidth(0.8)
    ax.add_collection(shapes)
    names = [plain(name, 12) for name in places.plot]
    longest = max(len(name) for name in names)
    # squares of a turned plot's area: what a word has to fit into
    side_pt = 72 * in_per_m * np.median([math.sqrt(_area(o)) for o in places.outlines])
    across_pt = 72 * in_per_m * float(np.median([np.ptp(o[:, 0]) for o in places.outlines]))
    number_pt = min(13.0, min(side_pt, across_pt) / (4 * _POINTS_A_LETTER), side_pt / 2)
    name_pt = min(11.0, across_pt / (longest * _POINTS_A_LETTER), side_pt / 3)
    if len(value) <= MOST_LABELLED and number_pt >= 6:
        for x, y, name, v, s in zip(places.x, places.y, names, value, shade, strict=True):
            ink = "white" if s < 0.45 else "#111111"
            named = name_pt >= 6
            ax.text(x, y, wording.number(v, decimals), ha="center", va="top" if named else "center",
                    fontsize=number_pt, color=ink, weight="bold")  # fmt: skip
            if named:
                ax.text(x, y, name, ha="center", va="bottom", fontsize=name_pt, color=ink)
    ax.set_aspect("equal", adjustable="datalim")
    ax.autoscale_view()
    ax.margins(0.04)
    ax.grid(False)


def _area(outline: np.ndarray) -> float:
    x, y = outline.T
    return abs(float(x @ np.roll(y, -1) - y @ np.roll(x, -1))) / 2


def _dots(ax: Any, places: Places, value: np.ndarray, shade: np.ndarray, decimals: int) -> None:
    ax.scatter(places.x, places.y, s=420 if len(value) <= 40 else 60, c=[_colour(s) for s in shade],
               edgecolors="#333333", linewidths=0.8)  # fmt: skip
    if len(value) <= 40:
        for x, y, v, s in zip(places.x, places.y, value, shade, strict=True):
            ax.text(x, y, wording.number(v, decimals), ha="center", va="center", fontsize=9,
                    color="white" if s < 0.45 else "#111111")  # fmt: skip
    ax.set_aspect("equal", adjustable="datalim")
    ax.margins(0.12)


def _colour(shade: float) -> tuple[float, float, float]:
    """Dark blue is low, pale yellow high; grey unknown. Ordered by lightness alone, so that it prints in grey."""
    if not math.isfinite(shade):
        return (0.85, 0.85, 0.85)
    stops = np.array([[0.05, 0.16, 0.33], [0.17, 0.45, 0.55], [0.60, 0.72, 0.50], [0.98, 0.93, 0.68]])
    at = float(shade) * (len(stops) - 1)
    k = min(int(at), len(stops) - 2)
    mixed = stops[k] + (stops[k + 1] - stops[k]) * (at - k)
    return (float(mixed[0]), float(mixed[1]), float(mixed[2]))


def _ends(value: np.ndarray) -> tuple[float, float]:
    low, top = float(np.nanmin(value)), float(np.nanmax(value))
    return (low, top) if top > low else (low - 1, top + 1)


def _grid(rows: pd.DataFrame) -> Places | None:
    """Places by the first columns that give each plot a place of its own."""
    per = rows.drop_duplicates("plot").head(MOST_PLOTS)
    for along in (n for n in _ALONG if n in rows):
        for down in (*(n for n in _DOWN if n in rows), None):
            x = pd.to_numeric(per[along], errors="coerce").to_numpy(float)
            y = np.zeros(len(per)) if down is None else pd.to_numeric(per[down], errors="coerce").to_numpy(float)
            there = np.isfinite(x) & np.isfinite(y)
            n = int(there.sum())
            if n < 2 or max(np.ptp(x[there]), np.ptp(y[there])) > 500:
                continue
            if len(np.unique(np.c_[x, y][there], axis=0)) < n:
                continue  # plots on top of each other: these columns do not say where each lies
            names = tuple(per["plot"].astype(str)[there])
            return Places(names, x[there], y[there], "grid", along.replace("_", " "), down or "")
    return None


def _outlined(rows: pd.DataFrame) -> Places | None:
    """Plots of a strip by the ends of their rows, half a row width beside them, in metres from the southwest."""
    from scipy.spatial import ConvexHull

    ends = rows[list(_ENDS)].apply(pd.to_numeric, errors="coerce").to_numpy(float)
    along = ends[:, 2:] - ends[:, :2]
    length = np.hypot(*along.T)
    good = np.isfinite(length) & (length > 0)
    width = rows["row_width_cm"].to_numpy(float) / 100
    half = np.where(np.isfinite(width), width, 0.5)[:, None] / 2
    with np.errstate(invalid="ignore", divide="ignore"):
        beside = np.c_[-along[:, 1], along[:, 0]] / length[:, None] * half
    corners = np.stack([ends[:, :2] - beside, ends[:, :2] + beside, ends[:, 2:] - beside, ends[:, 2:] + beside], 1)
    plots = rows["plot"].astype(str).to_numpy()
    names = list(dict.fromkeys(plots[good].tolist()))[:MOST_PLOTS]
    if len(names) < 2:
        return None
    zero = corners[good].reshape(-1, 2).min(axis=0)
    outlines, middles = [], []
    for name in names:
        points = corners[good & (plots == name)].reshape(-1, 2) - zero
        outlines.append(points[ConvexHull(points).vertices])
        middles.append(points.mean(axis=0))
    middle = np.array(middles)
    return Places(tuple(names), middle[:, 0], middle[:, 1], "map", "m to the east", "m to the north", tuple(outlines))


def _place(photo: str, known: Mapping[str, tuple[Any, Any]]) -> tuple[float, float]:
    """Of a photo, or of the first that is known of photos that were joined (``a.jpg..d.jpg``)."""
    for name in (photo, *photo.split("..")):
        if name in known:
            return known[name]
    return math.nan, math.nan


def _gps(rows: pd.DataFrame) -> Places | None:
    lat, lon = next(((a, b) for a, b in _PLACES if a in rows and b in rows), ("", ""))
    if not lat:
        return None
    per = pd.DataFrame(
        {"plot": rows["plot"].astype(str), "lat": pd.to_numeric(rows[lat], errors="coerce"),
         "lon": pd.to_numeric(rows[lon], errors="coerce")}
    ).dropna().groupby("plot", sort=False).mean().head(MOST_PLOTS)  # fmt: skip
    if len(per) < 2:
        return None
    # metres on the ground near the middle; a degree of latitude is some 111.2 km on a sphere of 6371 km
    metre = math.radians(1) * 6_371_000
    y = (per["lat"] - per["lat"].mean()).to_numpy() * metre
    x = (per["lon"] - per["lon"].mean()).to_numpy() * metre * math.cos(math.radians(per["lat"].mean()))
    if max(np.ptp(x), np.ptp(y)) < 1:
        return None
    return Places(tuple(per.index), x, y, "gps", "m to the east", "m to the north")


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
