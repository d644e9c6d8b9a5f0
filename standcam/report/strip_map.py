"""Map of a strip as a picture: plots, rows and gaps over the pale mosaic, to be read on a phone in the sun."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from standcam import tables, units
from standcam.report import wording
from standcam.report.chart import COLOURS, INK, new_chart, plain
from standcam.report.map_layers import Layer

if TYPE_CHECKING:
    from matplotlib.figure import Figure
    from shapely import Geometry

STRIP_MAP = "strip_map.png"
_PALE = 0.5  # of white, over the mosaic
_WIDE_IN, _HIGH_IN, _DPI = 5.0, 8.0, 240
"""A page so small that its letters can be read where it fills a phone, with pixels to zoom into. [in], [px/in]"""
_HEAD_IN, _FOOT_IN = 0.85, 1.2
"""Title and arrow, scale bar and legend stand beside the map, so that nothing of it is hidden. [in]"""
_LEAST_PT, _MOST_PT = 5.5, 9.0
_LETTER = 0.62  # width of a letter, of its size
_ROW, _GAP = COLOURS[0], COLOURS[1]


def strip_map(
    layers: Mapping[str, Layer],
    gap_cm: float,
    mosaic: np.ndarray | None = None,
    mosaic_bounds: tuple[float, float, float, float] | None = None,
    valid: np.ndarray | None = None,
    title: str = "",
    system: str = "si",
) -> Figure:
    """The map; turned into bytes by :func:`standcam.report.chart.png`.

    Parameters
    ----------
    layers : mapping
        From :func:`standcam.report.map_layers.strip_layers`.
    gap_cm : float
        Length above which gaps are in the layer. [cm]
    mosaic : array (H, W, 3), optional
        Reduced picture of the strip, north up. uint8
    mosaic_bounds : (west, south, east, north), optional
        Its outer edges on the map. [m]
    valid : array (H, W), optional
        Where the mosaic shows anything. bool
    title : str
    system : str
        si or us.
    """
    west, south, east, north = _view(layers, mosaic_bounds if mosaic is not None else None)
    across_in, up_in = _size(east - west, north - south)
    page_in = up_in + _HEAD_IN + _FOOT_IN
    figure, ax = new_chart(width_in=across_in, height_in=page_in, dpi=_DPI)
    figure.set_layout_engine("none")
    ax.set_position((0.0, _FOOT_IN / page_in, 1.0, up_in / page_in))
    ax.axis("off")
    ax.grid(False)
    pt_per_m = 72 * min(across_in / (east - west), up_in / (north - south))
    if mosaic is not None and mosaic_bounds is not None:
        w, s, e, n = mosaic_bounds
        pale = _paled(mosaic, valid, int((n - s) * pt_per_m / 72 * _DPI))
        ax.imshow(pale, extent=(w, e, s, n), origin="upper", interpolation="nearest", zorder=0)
    ax.set_aspect("equal", adjustable="box")
    ax.set_xlim(west, east)
    ax.set_ylim(south, north)
    handles = _draw(ax, layers, gap_cm, pt_per_m, system)
    _name_plots(ax, layers["plots"], layers["gaps"].geometry, pt_per_m, system)
    _head(figure, title, _totals(layers, system), across_in, page_in)
    _scale_bar(figure, across_in, page_in, pt_per_m, system)
    figure.legend(
        handles=handles, loc="lower left", bbox_to_anchor=(0.0, 0.0), ncols=2, fontsize=11, frameon=False,
        handlelength=1.6, columnspacing=1.2,
    )  # fmt: skip
    return figure


def _view(
    layers: Mapping[str, Layer], bounds: tuple[float, float, float, float] | None
) -> tuple[float, float, float, float]:
    """West, south, east and north of what is shown, some margin about it. [m]"""
    import shapely

    boxes = [
        shapely.total_bounds(layer.geometry) for name, layer in layers.items() if name != "plants" and len(layer.table)
    ]
    boxes = [box for box in boxes if np.isfinite(box).all()]
    if bounds is not None:
        boxes = [np.asarray(bounds, float)]  # plots may reach beyond the image
    if not boxes:
        return (0.0, 0.0, 10.0, 10.0)
    box = np.array(boxes)
    west, south = box[:, :2].min(axis=0).tolist()
    east, north = box[:, 2:].max(axis=0).tolist()
    margin = max(0.02 * max(east - west, north - south), 0.5)
    return west - margin, south - margin, east + margin, north + margin


def _size(wide: float, high: float) -> tuple[float, float]:
    """Width of the page and height of the map on it. [in]"""
    scale = min(_WIDE_IN / wide, _HIGH_IN / high)
    # a legend needs some width, and a map some height, however long the strip
    return max(wide * scale, 4.5), max(high * scale, 1.0)


def _paled(mosaic: np.ndarray, valid: np.ndarray | None, high_px: int) -> np.ndarray:
    """The mosaic as pale as a map asks, no larger than it is shown."""
    import cv2

    pale = 255 - cv2.convertScaleAbs(255 - mosaic[..., :3], alpha=1 - _PALE)
    if valid is not None:
        pale[~np.asarray(valid, bool)] = 255
    times = high_px / len(pale)
    if times >= 1:
        return pale
    size = max(1, round(pale.shape[1] * times)), max(1, high_px)
    return cv2.resize(pale, size, interpolation=cv2.INTER_AREA)


def _draw(ax: Any, layers: Mapping[str, Layer], gap_cm: float, pt_per_m: float, system: str) -> list[Any]:
    """Lines of rows, gaps and plots; gives what the legend shows of them."""
    from matplotlib.collections import LineCollection
    from matplotlib.lines import Line2D

    rows, gaps, plots = (layers[name] for name in ("rows", "gaps", "plots"))
    pitch = _pitch_m(layers) * pt_per_m
    thin, thick = float(np.clip(0.12 * pitch, 0.3, 1.6)), float(np.clip(0.5 * pitch, 1.4, 5.0))
    case = float(np.clip(0.5 * thick, 0.8, 1.6))

    def lines(geometry: Iterable[Geometry], **look: Any) -> None:
        ax.add_collection(LineCollection([np.asarray(g.coords) for g in geometry], **look))

    outlines = [ring for shape in plots.geometry if shape is not None for ring in _rings(shape)]
    short = min((_room(shape)[1] for shape in plots.geometry if shape is not None), default=1.0) * pt_per_m
    frame = float(np.clip(0.06 * short, 0.5, 1.8))
    lines(outlines, colors="white", linewidths=2 * frame, zorder=2)
    lines(outlines, colors=INK, linewidths=frame, zorder=3)
    lines(rows.geometry, colors=_ROW, linewidths=thin, zorder=4, capstyle="butt")
    bare = np.zeros(len(gaps.table), bool) if not len(gaps.table) else (gaps.table["kind"] == "open").to_numpy(bool)
    lines(gaps.geometry, colors="white", linewidths=thick + case, zorder=5, capstyle="butt")
    lines(gaps.geometry[~bare], colors=_GAP, linewidths=thick, zorder=6, capstyle="butt")
    lines(gaps.geometry[bare], colors=_GAP, linewidths=thick, zorder=6, capstyle="butt", linestyles=(0, (1.2, 0.6)))
    length = f"{gap_cm:g} cm" if system == "si" else wording.spacing(gap_cm, system)
    handles = [
        Line2D([], [], color=_ROW, linewidth=1.6, label=wording.plural(len(rows.table), "row")),
        Line2D([], [], color=INK, linewidth=1.6, marker="s", markersize=12, markerfacecolor="none", linestyle="none",
               markeredgewidth=1.6, label=wording.plural(len(plots.table), "plot")),
        Line2D([], [], color=_GAP, linewidth=5, label=f"{wording.plural(int((~bare).sum()), 'gap')} over {length}"),
    ]  # fmt: skip
    if bare.any():
        ends = f"{wording.plural(int(bare.sum()), 'bare row end')} over {length}"
        handles.append(Line2D([], [], color=_GAP, linewidth=5, linestyle=(0, (1.2, 0.6)), label=ends))
    return handles


def _rings(shape: Geometry) -> list[Geometry]:
    return [ring for part in shape.geoms for ring in (part.exterior, *part.interiors)]


def _pitch_m(layers: Mapping[str, Layer]) -> float:
    """Distance of neighbouring rows, about. [m]"""
    import shapely

    length = float(shapely.length(layers["rows"].geometry).sum()) if len(layers["rows"].table) else 0.0
    area = float(np.nansum(shapely.area(layers["plots"].geometry))) if len(layers["plots"].table) else 0.0
    if layers["rows"].table["row_width_cm"].notna().any():
        return float(layers["rows"].table["row_width_cm"].median()) / 100
    return area / length if length > 0 and area > 0 else 0.75


def _name_plots(ax: Any, layer: Layer, gap_lines: Iterable[Geometry], pt_per_m: float, system: str) -> None:
    """Write names, and population where there is room; none at all where most plots are too small for theirs."""
    import shapely
    from matplotlib.patheffects import withStroke

    names = layer.table["plot"].astype(str).tolist()
    if len(names) == 1:
        return
    gaps = np.array(list(gap_lines), object)
    tree = shapely.STRtree(gaps)
    texts = []
    per_ha = layer.table["plants_per_ha"].to_numpy(float)
    for name, shape, people in zip(names, layer.geometry, per_ha, strict=True):
        if shape is None:
            continue
        held = gaps[tree.query(shape, predicate="intersects")]
        found = _place(shape, plain(name, 24), wording.population(people, system), held, pt_per_m)
        if found is not None:
            texts.append(found)
    if len(texts) < len(names) / 2:
        return
    halo = [withStroke(linewidth=3, foreground="white")]
    for x, y, text, size, turn in texts:
        ax.text(
            x, y, text, fontsize=size, rotation=turn, rotation_mode="anchor", ha="center", va="center", color=INK,
            weight="bold", zorder=4.5, linespacing=1.1, path_effects=halo,
        )  # fmt: skip


def _place(
    shape: Geometry, name: str, number: str, gaps: np.ndarray, pt_per_m: float
) -> tuple[float, float, str, float, float] | None:
    """Place, text, size and turn of a plot's words: off its gaps, else the name alone and the gaps over it."""
    import shapely
    import shapely.affinity

    along, across, angle = _room(shape)
    inner = shape.centroid if shapely.contains(shape, shape.centroid) else shapely.point_on_surface(shape)
    ahead = np.array([math.cos(math.radians(angle)), math.sin(math.radians(angle))])
    fits = [(text, *_fit(text, along * pt_per_m, across * pt_per_m, angle)) for text in (f"{name}\n{number}", name)]
    fits = [fit for fit in fits if fit[1] >= _LEAST_PT and not (number == wording.NOTHING and "\n" in fit[0])]
    for text, size, turn in fits:
        for letter in (min(size, _MOST_PT), min(0.75 * size, _MOST_PT)):
            if letter < _LEAST_PT:
                continue
            wide, high = _extent_pt(text, letter)
            level = turn == 0.0 and abs(angle) > 45
            spare = max(along * pt_per_m - (high if level else wide), 0.0) / 2 / pt_per_m
            for shift in (0.0, 0.4, -0.4, 0.8, -0.8):
                x, y = np.array([inner.x, inner.y]) + shift * spare * ahead
                half = np.array([wide, high]) / 2 / pt_per_m
                box = shapely.affinity.rotate(shapely.box(x - half[0], y - half[1], x + half[0], y + half[1]), turn)
                if not shapely.intersects(box, gaps).any():
                    return float(x), float(y), text, letter, turn
    if not fits:
        return None
    text, size, turn = fits[-1]
    return inner.x, inner.y, text, min(size, _MOST_PT), turn


def _extent_pt(text: str, size: float) -> tuple[float, float]:
    """Width and height of some lines. [pt]"""
    lines = text.split("\n")
    return (max(len(line) for line in lines) * _LETTER + 0.5) * size, (1.2 * len(lines) + 0.4) * size


def _room(shape: Geometry) -> tuple[float, float, float]:
    """Longer and shorter side of the box about a plot [m], and the direction of the longer, readable. [degrees]"""
    import shapely

    box = shapely.minimum_rotated_rectangle(shape)
    corners = shapely.get_coordinates(box)
    if len(corners) < 4:
        return 0.0, 0.0, 0.0
    sides = np.diff(corners[:3], axis=0)
    lengths = np.hypot(*sides.T)
    long = int(np.argmax(lengths))
    angle = math.degrees(math.atan2(sides[long][1], sides[long][0]))
    angle = (angle + 90) % 180 - 90  # never upside down
    return float(lengths[long]), float(lengths[1 - long]), angle


def _fit(text: str, along_pt: float, across_pt: float, angle: float) -> tuple[float, float]:
    """Size of letters that fit, and how they are turned: level where that will do."""
    letters, high = _extent_pt(text, 1.0)
    turned = min(along_pt / letters, across_pt / high)
    if abs(angle) > 45:  # the plot stands: level text has its shorter side for a line
        level = min(across_pt / letters, along_pt / high)
    else:
        level = min(along_pt / letters, across_pt / high)
    level *= 0.85 if 2 < abs(angle) % 90 < 88 else 1.0  # boxes are askew
    return (level, 0.0) if level >= min(turned, _LEAST_PT + 2) else (turned, angle)


def _head(figure: Figure, title: str, totals: str, across_in: float, page_in: float) -> None:
    """Title, numbers, and an arrow to the north of the map's grid."""
    from matplotlib.patches import Polygon

    most = int((across_in - 0.8) * 72 / (_LETTER * 13))
    text = "\n".join([*([plain(title, most)] if title else []), totals])
    figure.text(0.1 / across_in, 1 - 0.12 / page_in, text, fontsize=13, weight="bold", color=INK, va="top")

    def at(*inches: tuple[float, float]) -> list[tuple[float, float]]:
        return [(1 - x / across_in, 1 - y / page_in) for x, y in inches]

    look: dict[str, Any] = {"edgecolor": INK, "linewidth": 1.2, "transform": figure.transFigure}
    figure.add_artist(Polygon(at((0.3, 0.1), (0.46, 0.55), (0.3, 0.44)), facecolor=INK, **look))
    figure.add_artist(Polygon(at((0.3, 0.1), (0.14, 0.55), (0.3, 0.44)), facecolor="white", **look))
    figure.text(*at((0.3, 0.8))[0], "N", fontsize=13, weight="bold", color=INK, ha="center", va="bottom")


def _scale_bar(figure: Figure, across_in: float, page_in: float, pt_per_m: float, system: str) -> None:
    from matplotlib.patches import Rectangle

    unit_m, name = (1.0, "m") if system == "si" else (units.CM_PER_FOOT / 100, "ft")
    unit_in = unit_m * pt_per_m / 72
    about = 0.3 * across_in / unit_in
    power = 10.0 ** math.floor(math.log10(about))
    length = max(f * power for f in (1, 2, 5) if f * power <= about)
    left, low, thick = 0.1, _FOOT_IN - 0.25, 0.1
    for k, colour in enumerate((INK, "white")):
        figure.add_artist(
            Rectangle(
                ((left + k * length * unit_in / 2) / across_in, low / page_in),
                length * unit_in / 2 / across_in,
                thick / page_in,
                facecolor=colour,
                edgecolor=INK,
                linewidth=1.2,
                transform=figure.transFigure,
            )
        )
    figure.text(
        (left + length * unit_in + 0.08) / across_in, (low + thick / 2) / page_in, f"{length:g} {name}", fontsize=12,
        weight="bold", color=INK, va="center",
    )  # fmt: skip


def _totals(layers: Mapping[str, Layer], system: str) -> str:
    """The numbers of the strip in a line."""
    table = layers["rows"].table
    if len(table) and "status" in table and (table["status"] == tables.NO_STEMS).any():
        return f"{wording.row_length(float(table['row_length_cm'].sum()), system)} of row; no plant sought"
    plants = int(table["plants"].sum()) if len(table) else 0
    number = f"{plants:,}" if system == "us" else f"{plants:,}".replace(",", " ")
    words = [f"{number} {'plant' if plants == 1 else 'plants'}"]
    if len(table) and table["row_width_cm"].notna().all():
        area = float((table["row_length_cm"] * table["row_width_cm"]).sum())
        if area > 0:
            words.append(wording.population(plants / area * 1e8, system))
    return ", ".join(words)
