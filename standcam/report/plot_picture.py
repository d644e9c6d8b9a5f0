"""Plots as a picture: a grid where the plot map tells range and row, places by GPS where these are known.

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
    """grid or gps"""
    x_name: str
    y_name: str


def places_of(rows: pd.DataFrame, inputs: Sequence[Mapping[str, Any]] = ()) -> Places | None:
    """Places of the plots by what the rows or the photos say; None where that is not enough for a picture.

    Parameters
    ----------
    rows : DataFrame
        ROWS, with columns of the plot map (range and column, strip or pass; or latitude and longitude).
    inputs : sequence of mapping
        Inputs of run.json, with latitude and longitude where photos carry them.
    """
    grid = _grid(rows)
    if grid is not None:
        return grid
    located = rows
    if not any(a in rows and b in rows for a, b in _PLACES):
        found = {str(i.get("photo", "")): (i.get("latitude"), i.get("longitude")) for i in inputs}
        known = {photo: place for photo, place in found.items() if all(_is_number(v) for v in place)}
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
    if places.kind == "grid":
        each = min(max(0.34 * high, 0.8), 6.0)
    else:
        each = 3.2
    figure, axes = new_chart(len(panels), 1, width_in=width_in, height_in=len(panels) * (each + 1.0))
    for ax, (value, title, decimals) in zip(np.atleast_1d(axes), panels, strict=True):
        low, top = _ends(value)
        shade = np.clip((value - low) / (top - low), 0, 1)
        if places.kind == "grid":
            _cells(ax, places, value, shade, decimals, wide)
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
