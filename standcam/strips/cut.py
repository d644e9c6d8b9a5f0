"""Rows of a strip cut by its plots: each stretch of row, and each plant on it, belongs to one plot or to none."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
import pandas as pd

from standcam import flags, tables
from standcam.settings import PlotSettings
from standcam.strips.plots import Plots

if TYPE_CHECKING:
    from standcam.strips.frame import Frame

_STEP_CM = 25.0
"""Rows that have no corners of their own are cut as if they had some so far apart: on a bend of 20 m radius they lie
within 0.4 mm. [cm]"""
_LINE_STEP_CM = 100.0
"""Corners of the lines that are kept for maps: within 6 mm on the same bend. [cm]"""
_TOUCH_CM = 0.1  # pieces of one row in one plot nearer than this are one piece that was cut by a corner
_MOST_TOLD = 8
OUTSIDE = ("no_plot", "not_measured", "trimmed", "border_row", "short")
"""Why a plant is in no stretch: between plots, where the image shows nothing, at the trimmed ends of a plot's rows, in
a border row, on a piece of row too short."""
LINES = ("photo", "plot", "row", "position_cm", "easting_m", "northing_m")


class Row(Protocol):
    """What is needed of a row; positions and points in the ground frame. [cm]"""

    from_cm: float
    to_cm: float

    def points(self, position_cm: np.ndarray) -> np.ndarray:
        """Points of the row's curve, which runs on beyond its ends. (n,) [cm] -> (n, 2) [cm]"""


@dataclass(frozen=True)
class CutRows:
    """Stretches of row by plots, and the plants on them."""

    stretches: pd.DataFrame
    """STRETCHES; behind: strip_row, strip_from_cm (where the stretch begins on the strip's row), easting and northing
    of both ends [m], treatment, block, and what the rows were given. A plot without any has a line of status no_row."""
    plants: pd.DataFrame
    """PLANTS on stretches, positions from the beginning of each; behind: easting_m, northing_m, strip_row."""
    lines: pd.DataFrame
    """Corners of the stretches' curves in order: photo, plot, row, position_cm, easting_m, northing_m."""
    outside: pd.DataFrame
    """Plants on no stretch, positions on the strip's rows, and `why` (:data:`OUTSIDE`)."""
    notes: tuple[str, ...] = ()


def cut_rows(
    rows: Sequence[Any],
    plants: pd.DataFrame,
    plots: Plots,
    frame: Frame,
    settings: PlotSettings | None = None,
    photo: str = "",
    *,
    numbers: Sequence[int] | None = None,
    spells: Sequence[np.ndarray] | None = None,
    columns: Mapping[str, Sequence[Any]] | None = None,
    to_pixels: Callable[[np.ndarray], np.ndarray] | None = None,
) -> CutRows:
    """Cut rows by polygons, and put every plant into the stretch that its place along the row lies on.

    A plant belongs where the point of the row's curve beside it lies, not where it stands itself: plants and length of
    row are then cut at the same place, and population is not biased at borders. Ends are trimmed from the outline of
    the plot on, not from where the image ends. Rows are numbered within each plot from 1, in the order in which the
    strip numbers them (left to right), border rows included; a row that a plot holds twice has two numbers.

    Parameters
    ----------
    rows : sequence of Row
        Curves on the ground; `flags` are taken over where they have them.
    plants : DataFrame
        PLANTS with `row` the number of the row in the strip, `position_cm` on that row's scale, and `plant` unique.
        Easting and northing are taken from it where it has them.
    plots : Plots
    frame : Frame
        Ties ground and map.
    settings : PlotSettings, optional
    photo : str
        File name of the strip.
    numbers : sequence of int, optional
        Of the rows in the strip; None: 1, 2, ...
    spells : sequence of array (k, 2), optional
        Where each row was seen. None: from its begin to its end. [cm]
    columns : mapping, optional
        Further columns of stretches, a value for each row: pass, row_unit.
    to_pixels : callable, optional
        Map to pixels of the strip, for the ends of stretches. (n, 2) [m] -> (n, 2) [px]
    """
    settings = settings or PlotSettings()
    number = np.arange(1, len(rows) + 1) if numbers is None else np.asarray(numbers, int)
    seen = [_spells(row, None if spells is None else spells[k]) for k, row in enumerate(rows)]
    cut = _whole(rows) if plots.whole else _by_polygons(rows, plots, frame, settings.trim_m * 100)
    notes: list[str] = []
    if plots.whole and (settings.trim_m > 0 or settings.border_rows > 0):
        notes.append("Nothing is trimmed and no border row left out, as there are no plots.")
    pieces = _pieces(cut, seen, number, len(plots.names), settings, plots.whole)
    stretches = _stretches(pieces, rows, number, plots, frame, photo, columns or {}, to_pixels)
    plants = tables.conform(tables.PLANTS, plants)
    if plants["plant"].duplicated().any():
        raise ValueError("plants of a strip need numbers of their own")
    plants = _on_map(plants, rows, number, frame, photo)
    inside, outside = _plants(plants, pieces, cut, seen, number, plots)
    stretches = _counted(stretches, inside)
    notes += _notes(pieces, stretches, outside, plots, settings)
    lines = _lines(stretches, pieces, rows, frame)
    return CutRows(stretches, inside, lines, outside, tuple(notes))


# ---- rows


@dataclass(frozen=True)
class _Cut:
    """One row within one plot, as the outline cuts it."""

    row: int
    plot: int
    from_cm: float
    to_cm: float
    trimmed_from_cm: float
    trimmed_to_cm: float


@dataclass
class _Piece:
    """A stretch to be, or what is left of one that is none."""

    row: int
    plot: int
    from_cm: float
    to_cm: float
    number: int = 0
    why_not: str = ""


def _spells(row: Any, given: np.ndarray | None) -> np.ndarray:
    if given is None:
        given = np.array([[row.from_cm, row.to_cm]])
    given = np.asarray(given, float).reshape(-1, 2)
    return given[given[:, 1] > given[:, 0]]


def _whole(rows: Sequence[Any]) -> list[_Cut]:
    out = []
    for k, row in enumerate(rows):
        if row.to_cm > row.from_cm:
            out.append(_Cut(k, 0, row.from_cm, row.to_cm, row.from_cm, row.to_cm))
    return out


def _by_polygons(rows: Sequence[Any], plots: Plots, frame: Frame, trim_cm: float) -> list[_Cut]:
    """Rows cut by outlines; on an outline that two plots share, a row is the first's."""
    import shapely

    if not rows or not plots.polygons:
        return []
    # about a point of the strip: digits of millions of metres are lost in the sums of lengths
    zero = np.array(plots.polygons[0].bounds[:2])
    shapes = shapely.transform(np.array(plots.polygons, object), lambda xy: xy - zero)
    shapely.prepare(shapes)
    tree = shapely.STRtree(shapes)
    out: list[_Cut] = []
    for k, row in enumerate(rows):
        # longer than it was seen, so that what is trimmed is known to belong to the plot's end
        first, last = row.from_cm - trim_cm, row.to_cm + trim_cm
        at = _corners(row, first, last)
        place = frame.to_map(row.points(at)) - zero
        line = shapely.linestrings(place)
        plot = tree.query(line, predicate="intersects")
        parts, pair = shapely.get_parts(shapely.intersection(line, shapes[plot]), return_index=True)
        parts, which = shapely.get_parts(parts, return_index=True)  # collections hold multi-lines
        long = shapely.get_type_id(parts) == 1
        parts, pair = parts[long], pair[which][long]
        if not len(parts):
            continue
        ends = np.stack([shapely.get_point(parts, 0), shapely.get_point(parts, -1)], axis=1)
        step = np.hypot(*np.diff(place, axis=0).T)
        position = np.interp(shapely.line_locate_point(line, ends), np.concatenate([[0.0], np.cumsum(step)]), at)
        out += _apart(k, np.sort(position, axis=1), plot[pair], trim_cm)
    return out


def _corners(row: Any, first: float, last: float) -> np.ndarray:
    """Positions between which a row is straight, or near enough. [cm]"""
    if not hasattr(row, "vertices_cm"):
        return np.linspace(first, last, max(2, int(np.ceil((last - first) / _STEP_CM)) + 1))
    own = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(row.vertices_cm, axis=0).T))])
    return np.concatenate([[first], own[(own > first) & (own < last)], [last]])


def _apart(row: int, spans: np.ndarray, plot: np.ndarray, trim_cm: float) -> list[_Cut]:
    """Spans of one row without overlap, those of one plot that touch joined."""
    joined: list[list[float]] = []
    reached = -np.inf
    for i in np.lexsort((plot, spans[:, 0])).tolist():
        first, last, p = max(spans[i, 0], reached), spans[i, 1], int(plot[i])
        if last <= first:
            continue
        if joined and joined[-1][2] == p and first - joined[-1][1] < _TOUCH_CM:
            joined[-1][1] = last
        else:
            joined.append([first, last, p])
        reached = last
    return [_Cut(row, int(p), a, b, a + trim_cm, b - trim_cm) for a, b, p in joined]


def _pieces(
    cut: list[_Cut], seen: list[np.ndarray], number: np.ndarray, n_plots: int, settings: PlotSettings, whole: bool
) -> list[_Piece]:
    """What of the cuts was seen, numbered within plots; in the order of plots and numbers."""
    pieces = []
    shortest = 0.0 if whole else settings.shortest_m * 100
    for c in cut:
        for first, last in seen[c.row].tolist():
            a, b = max(first, c.trimmed_from_cm), min(last, c.trimmed_to_cm)
            if b > a:
                pieces.append(_Piece(c.row, c.plot, a, b, why_not="" if b - a >= shortest else "short"))
    order = sorted(pieces, key=lambda p: (p.plot, number[p.row], p.from_cm))
    by_plot: list[list[_Piece]] = [[] for _ in range(n_plots)]
    for piece in order:
        if not piece.why_not:
            by_plot[piece.plot].append(piece)
    for held in by_plot:
        present = list(dict.fromkeys(piece.row for piece in held))
        border = settings.border_rows if not whole else 0
        inner = set(present[border : len(present) - border]) if border else set(present)
        for n, piece in enumerate(held, 1):
            piece.number = n
            piece.why_not = "" if piece.row in inner else "border_row"
    return order


def _stretches(
    pieces: list[_Piece],
    rows: Sequence[Any],
    number: np.ndarray,
    plots: Plots,
    frame: Frame,
    photo: str,
    columns: Mapping[str, Sequence[Any]],
    to_pixels: Callable[[np.ndarray], np.ndarray] | None,
) -> pd.DataFrame:
    good = [piece for piece in pieces if not piece.why_not]
    ends = np.full((len(good), 2, 2), np.nan)
    for i, piece in enumerate(good):
        ends[i] = frame.to_map(rows[piece.row].points(np.array([piece.from_cm, piece.to_cm])))
    px = (
        np.full_like(ends, np.nan)
        if to_pixels is None or not good
        else to_pixels(ends.reshape(-1, 2)).reshape(-1, 2, 2)
    )
    bits = [_bits(rows[piece.row], piece) for piece in good]
    frame_of = pd.DataFrame(
        {
            "photo": photo,
            "plot": [plots.names[piece.plot] for piece in good],
            "row": np.array([piece.number for piece in good], np.int64),
            "from_cm": 0.0,
            "to_cm": np.array([piece.to_cm - piece.from_cm for piece in good], float),
            "plants": 0,
            "from_x_px": px[:, 0, 0], "from_y_px": px[:, 0, 1], "to_x_px": px[:, 1, 0], "to_y_px": px[:, 1, 1],
            "status": "ok",
            "flags": [flags.words(b) for b in bits],
            "weeds": 0.0,
            "strip_row": pd.array([int(number[piece.row]) for piece in good], dtype="Int64"),
            "strip_from_cm": np.array([piece.from_cm for piece in good], float),
            "from_easting_m": ends[:, 0, 0], "from_northing_m": ends[:, 0, 1],
            "to_easting_m": ends[:, 1, 0], "to_northing_m": ends[:, 1, 1],
            **{name: _typed([values[piece.row] for piece in good]) for name, values in columns.items()},
        }
    )  # fmt: skip
    held = {piece.plot for piece in good}
    bare = [name for p, name in enumerate(plots.names) if p not in held]
    if bare:
        lost = pd.DataFrame({"photo": photo, "plot": bare, "row": 1, "plants": 0, "status": "no_row", "flags": ""})
        both = lost.reindex(columns=list(frame_of)) if not len(frame_of) else pd.concat([frame_of, lost])
        rank = both["plot"].map({name: p for p, name in enumerate(plots.names)})
        frame_of = both.iloc[np.argsort(rank.to_numpy(), kind="stable")].reset_index(drop=True)
    frame_of["strip_row"] = frame_of["strip_row"].astype("Int64")
    design = plots.cells.set_index("plot")[["treatment", "block"]]
    for name in design:
        frame_of[name] = frame_of["plot"].map(design[name]).astype("str")
    return tables.conform(tables.STRETCHES, frame_of)


def _bits(row: Any, piece: _Piece) -> int:
    """Flags of a row that hold for a piece of it: cut by the border of the image is only what ends there."""
    bits = int(getattr(row, "flags", 0))
    inside = piece.from_cm > row.from_cm + _TOUCH_CM and piece.to_cm < row.to_cm - _TOUCH_CM
    return bits & ~flags.bit("at_edge") if inside else bits


def _typed(values: list[Any]) -> Any:
    """A column of whole numbers with gaps stays one of whole numbers."""
    kind = pd.api.types.infer_dtype(values, skipna=True)
    return pd.array(values, dtype="Int64") if kind == "integer" else values


def _lines(stretches: pd.DataFrame, pieces: list[_Piece], rows: Sequence[Any], frame: Frame) -> pd.DataFrame:
    good = [piece for piece in pieces if not piece.why_not]
    held = stretches[stretches["status"] != "no_row"]
    parts: list[np.ndarray] = []
    which: list[np.ndarray] = []
    for i, piece in enumerate(good):
        length = piece.to_cm - piece.from_cm
        at = np.linspace(0.0, length, max(2, int(np.ceil(length / _LINE_STEP_CM)) + 1))
        parts.append(np.column_stack([at, frame.to_map(rows[piece.row].points(piece.from_cm + at))]))
        which.append(np.full(len(at), i))
    corners = np.concatenate(parts) if parts else np.zeros((0, 3))
    index = np.concatenate(which) if which else np.zeros(0, int)
    out = held[["photo", "plot", "row"]].iloc[index].reset_index(drop=True)
    return out.assign(position_cm=corners[:, 0], easting_m=corners[:, 1], northing_m=corners[:, 2])


# ---- plants


def _on_map(plants: pd.DataFrame, rows: Sequence[Any], number: np.ndarray, frame: Frame, photo: str) -> pd.DataFrame:
    """Plants with easting, northing and the number of their row in the strip."""
    plants = plants.assign(photo=photo, strip_row=plants["row"].to_numpy())
    if "easting_m" in plants and "northing_m" in plants:
        return plants
    place = np.full((len(plants), 2), np.nan)
    position, offset = plants["position_cm"].to_numpy(float), plants["offset_cm"].to_numpy(float)
    of_row = plants["row"].to_numpy()
    order = np.argsort(of_row, kind="stable")
    for k, row in enumerate(rows):
        own = order[slice(*np.searchsorted(of_row[order], [number[k], number[k] + 1]))]
        if len(own):
            on = row.points(position[own])
            ahead = row.points(position[own] + 1.0) - row.points(position[own] - 1.0)
            ahead /= np.maximum(np.hypot(*ahead.T), 1e-9)[:, None]
            right = np.column_stack([ahead[:, 1], -ahead[:, 0]])
            place[own] = frame.to_map(on + np.nan_to_num(offset[own])[:, None] * right)
    return plants.assign(easting_m=place[:, 0], northing_m=place[:, 1])


def _plants(
    plants: pd.DataFrame,
    pieces: list[_Piece],
    cut: list[_Cut],
    seen: list[np.ndarray],
    number: np.ndarray,
    plots: Plots,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Plants on stretches, and those on none."""
    of_row, position = plants["row"].to_numpy(), plants["position_cm"].to_numpy(float)
    order = np.argsort(of_row, kind="stable")
    piece_of = np.full(len(plants), -1)
    why = np.full(len(plants), "no_plot", object)
    by_row: dict[int, list[int]] = {}
    for i, piece in enumerate(pieces):
        by_row.setdefault(piece.row, []).append(i)
    cut_of: dict[int, list[_Cut]] = {}
    for c in cut:
        cut_of.setdefault(c.row, []).append(c)
    for k in range(len(number)):
        own = order[slice(*np.searchsorted(of_row[order], [number[k], number[k] + 1]))]
        if not len(own):
            continue
        at = position[own]
        for c in cut_of.get(k, []):
            held = (at >= c.from_cm) & (at <= c.to_cm)
            within = (at >= c.trimmed_from_cm) & (at <= c.trimmed_to_cm)
            why[own[held]] = "trimmed"
            why[own[held & within]] = "not_measured"
        held_by = sorted(by_row.get(k, []), key=lambda i: pieces[i].from_cm)
        if not held_by:
            continue
        starts = np.array([pieces[i].from_cm for i in held_by])
        ends = np.array([pieces[i].to_cm for i in held_by])
        j = np.searchsorted(starts, at, side="right") - 1
        on = (j >= 0) & (at <= ends[np.maximum(j, 0)])
        piece_of[own[on]] = np.array(held_by)[j[on]]
    why_not = np.array([piece.why_not for piece in pieces], object)
    has = piece_of >= 0
    good = has.copy()
    if has.any():
        good[has] = why_not[piece_of[has]] == ""
        why[has & ~good] = why_not[piece_of[has & ~good]]
    outside = plants[~good].assign(why=why[~good]).reset_index(drop=True)

    inside, of_piece = plants[good], piece_of[good]
    names = np.array(plots.names, object)
    start = np.array([piece.from_cm for piece in pieces], float)
    n_in_plot = np.array([piece.number for piece in pieces], np.int64)
    plot = np.array([piece.plot for piece in pieces], int)
    inside = inside.assign(
        plot=pd.array(names[plot[of_piece]], dtype="str") if len(inside) else inside["plot"],
        row=n_in_plot[of_piece] if len(inside) else inside["row"],
        position_cm=inside["position_cm"].to_numpy() - (start[of_piece] if len(inside) else 0.0),
    )
    inside = inside.iloc[np.lexsort((inside["position_cm"].to_numpy(), of_piece))]
    return inside.reset_index(drop=True), outside


def _counted(stretches: pd.DataFrame, plants: pd.DataFrame) -> pd.DataFrame:
    """Stretches with their numbers of crop plants and weeds."""
    keys = ["photo", "plot", "row"]
    index = pd.MultiIndex.from_frame(stretches[keys])
    crop = plants[plants["is_crop"].to_numpy(bool)].groupby(keys).size().reindex(index, fill_value=0).to_numpy()
    weeds = plants[(plants["judged"] == "weed").to_numpy(bool)].groupby(keys).size().reindex(index, fill_value=0)
    measured = (stretches["status"] != "no_row").to_numpy()
    status = np.where(measured, np.where(crop > 0, "ok", "empty"), "no_row")
    return stretches.assign(
        plants=crop.astype(np.int64), weeds=np.where(measured, weeds.to_numpy(float), np.nan), status=status
    ).astype({"status": "str"})


# ---- words


def _notes(
    pieces: list[_Piece], stretches: pd.DataFrame, outside: pd.DataFrame, plots: Plots, settings: PlotSettings
) -> list[str]:
    notes = []
    bare = stretches.loc[stretches["status"] == "no_row", "plot"].tolist()
    if bare:
        notes.append(f"{len(bare)} of {len(plots.names)} plots hold no measured row: {_some(bare)}.")
    held = Counter((piece.plot, piece.row) for piece in pieces if not piece.why_not)
    twice = list(dict.fromkeys(plots.names[plot] for (plot, _), n in held.items() if n > 1))
    if twice and not plots.whole:
        notes.append(
            f"In {len(twice)} of {len(plots.names)} plots a row lies in several pieces, each with a number of its own: "
            f"{_some(twice)}."
        )
    if short := sum(piece.why_not == "short" for piece in pieces):
        told = f"{short} pieces of row are" if short > 1 else "One piece of row is"
        notes.append(f"{told} shorter than {settings.shortest_m:g} m and not measured.")
    counts = outside.loc[outside["is_crop"].to_numpy(bool), "why"].value_counts()
    words = {
        "no_plot": "between plots", "not_measured": "where rows were not measured",
        "trimmed": f"within {settings.trim_m:g} m of the ends of plots", "border_row": "in border rows",
        "short": "on short pieces of row",
    }  # fmt: skip
    where = [f"{counts[why]} {words[why]}" for why in OUTSIDE if counts.get(why, 0)]
    if where:
        notes.append(f"Crop plants found and not counted: {', '.join(where)}.")
    return notes


def _some(names: Sequence[str]) -> str:
    more = f" and {len(names) - _MOST_TOLD} more" if len(names) > _MOST_TOLD else ""
    return ", ".join(names[:_MOST_TOLD]) + more
