"""Marked photos: what was found, drawn so that a scout sees at a glance whether to trust it.

Nothing is told by colour alone: a stem is a ring with a dot and a number, a weed a cross, a double a bracket
with a D, a skip a double arrow with the number of missing plants, an open end a dashed line. Words stand
beside the row, in dark boxes, never over a stem; the main numbers stand above the photo, the legend below it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np

from standcam import flags
from standcam.images.photo import Photo
from standcam.report import wording
from standcam.report.canvas import (
    INK,
    ORANGE,
    PURPLE,
    SKY,
    WHITE,
    YELLOW,
    Canvas,
    Rgb,
    text_width,
    wrapped,
    write,
)
from standcam.report.picture_place import PicturePlace, with_place
from standcam.rows.line import RowLine
from standcam.settings import OutputSettings

if TYPE_CHECKING:
    import pandas as pd

    from standcam.measure import Measurement

VIEW_QUALITY, MARKED_QUALITY = 92, 85
"""JPEG qualities: the small copy is packed once more after drawing, and must not lose much before it."""


def pack_view(small: np.ndarray) -> bytes:
    """JPEG of a reduced copy of a photo, to be drawn in later. (h, w, 3) uint8"""
    return _jpeg(small, VIEW_QUALITY)


def mark_photo(
    photo: Photo,
    m: Measurement,
    gaps: pd.DataFrame,
    output: OutputSettings | None = None,
    rows: pd.DataFrame | None = None,
) -> bytes:
    """JPEG of a reduced copy of a photo with all finds drawn in.

    Parameters
    ----------
    photo : Photo
        The upright photo.
    m : Measurement
        What was found in it.
    gaps : DataFrame
        GAPS of this photo.
    output : OutputSettings, optional
        Size and units.
    rows : DataFrame, optional
        ROWS of this photo, for the numbers in the head.
    """
    output = output or OutputSettings()
    return mark_view(photo.reduced(output.marked_width_px), m, gaps, rows, output)


def mark_view(
    view: bytes | np.ndarray,
    m: Measurement,
    gaps: pd.DataFrame,
    rows: pd.DataFrame | None,
    output: OutputSettings,
) -> bytes:
    """As :func:`mark_photo`, from the small copy itself, or as :func:`pack_view` packed it."""
    if isinstance(view, bytes):
        return mark_view(_decoded(view), m, gaps, rows, output)
    unit = max(view.shape[:2]) / 1600
    head = _head(m, rows, output, unit, view.shape[1])
    foot = _foot(m, set(gaps["kind"]), unit, view.shape[1])
    whole = np.empty((head.height + view.shape[0] + foot.height, view.shape[1], 3), np.uint8)
    ink = np.tile(np.array(INK, np.uint8), (view.shape[1], 1))  # a line at a time, not pixel by pixel
    whole[: head.height] = ink
    whole[head.height + view.shape[0] :] = ink
    picture = whole[head.height : head.height + view.shape[0]]
    picture[...] = view

    scene = _Scene(Canvas(picture, unit), m)
    scene.marks()
    scene.rows(gaps)
    scene.weeds()
    scene.stems()
    scene.canvas.set_words()
    head.draw(whole[: head.height], unit)
    foot.draw(whole[head.height + view.shape[0] :], unit)
    height, width = view.shape[:2]
    place = PicturePlace(0, head.height, width, height, m.width_px, m.height_px)
    return with_place(_jpeg(whole, MARKED_QUALITY), place)


def _decoded(jpeg: bytes) -> np.ndarray:
    rgb = cv2.imdecode(np.frombuffer(jpeg, np.uint8), cv2.IMREAD_COLOR_RGB)
    if rgb is None:
        raise ValueError("the small copy of the photo is damaged")
    return rgb


def _jpeg(rgb: np.ndarray, quality: int) -> bytes:
    bgr = cv2.cvtColor(rgb, cv2.COLOR_RGB2BGR)
    done, data = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, quality])
    if not done:
        raise ValueError("the picture could not be packed as JPEG")
    return data.tobytes()


@dataclass
class _Scene:
    """Draws one measurement."""

    canvas: Canvas
    m: Measurement

    def px(self, photo_px: np.ndarray) -> np.ndarray:
        """Photo pixels to pixels of the small copy; centres at integers in both. (n, 2) -> (n, 2)"""
        height, width = self.canvas.rgb.shape[:2]
        ratio = np.array([width / self.m.width_px, height / self.m.height_px])
        return (np.asarray(photo_px, float).reshape(-1, 2) + 0.5) * ratio - 0.5

    def on_row(self, line: RowLine, position_cm: np.ndarray | float) -> np.ndarray:
        """Places in the small copy at positions along a row. (n,) [cm] -> (n, 2) [px]"""
        return self.px(self.m.ground.to_pixels(line.points(position_cm)))

    def across(self, line: RowLine, position_cm: np.ndarray | float) -> np.ndarray:
        """Unit vectors across the row as seen, pointing up, or right where the row is upright. (n,) [cm] -> (n, 2)"""
        at = np.atleast_1d(np.asarray(position_cm, float))
        before, after = self.on_row(line, np.concatenate([at - 2, at + 2])).reshape(2, len(at), 2)
        along = after - before
        length = np.hypot(along[:, 0], along[:, 1])
        with np.errstate(invalid="ignore", divide="ignore"):
            normal = np.stack([along[:, 1], -along[:, 0]], axis=1) / length[:, None]
            normal[~(0.5 * normal[:, 0] - normal[:, 1] > 0)] *= -1
            seen = length >= 1e-6
        return np.where(seen[:, None], normal, [0.0, -1.0])

    def marks(self) -> None:
        """Board or stick as found: its outline dashed, each mark in full line."""
        ground = self.m.ground
        hulls = [self.px(np.array(h)) for h in (ground.mark_hull_px, *ground.more_hulls_px) if len(h)]
        outlines = [self.px(np.array(outline)) for outline in ground.marks_px]
        for hull in hulls:
            if len(hull) > 2:
                sides = zip(hull, np.roll(hull, -1, axis=0), strict=True)
                self.canvas.dashes(np.concatenate([np.linspace(a, b, 8) for a, b in sides]), SKY, 2.5)
        for outline in outlines:
            self.canvas.line(outline, SKY, 3, closed=len(outline) > 2)
        centre = np.mean([outline.mean(axis=0) for outline in outlines], axis=0) if outlines else None
        for name, outline in zip(ground.mark_names, outlines, strict=False):
            # beside the mark, inwards, so that one can see what was read
            middle = outline.mean(axis=0)
            away, reach = centre - middle, np.hypot(*(outline - middle).T).max()
            away = away / np.hypot(*away) if np.hypot(*away) > 1 else np.array([0.0, 1.0])
            self.canvas.label(name, middle + reach * away, away, SKY, 0)
        if ground.has_scale:
            for corners in hulls or outlines[:1]:
                low = corners[int(np.argmax(corners[:, 1]))]
                self.canvas.label(wording.scale(ground.method), low, np.array([0.0, 1.0]), SKY, 6)

    def rows(self, gaps: pd.DataFrame) -> None:
        """Each measured stretch: end bars, and the row line in the manner of its gaps."""
        several = len(self.m.stretches) > 1
        # arrays: choosing lines of a small table takes longer than drawing them
        of_row, kinds = gaps["row"].to_numpy(), gaps["kind"].tolist()
        from_cm, gap_cm = gaps["from_cm"].to_numpy(float), gaps["gap_cm"].to_numpy(float)
        for stretch in self.m.stretches[["row", "from_cm"]].itertuples():
            if not 1 <= stretch.row <= len(self.m.rows):
                continue
            line = self.m.rows[stretch.row - 1]
            begin, end = line.from_cm, line.to_cm
            if not end > begin:
                continue
            own = np.flatnonzero(of_row == stretch.row)
            if not len(own):
                self.canvas.line(self.on_row(line, np.linspace(begin, end, 60)), WHITE, 2)
            # tables count positions from the beginning of the stretch, the line from its own origin
            shift = begin - (stretch.from_cm if np.isfinite(stretch.from_cm) else begin)
            self.gaps(line, from_cm[own] + shift, gap_cm[own], [kinds[k] for k in own])
            half = 46 * self.canvas.unit
            places = np.array([begin, end])
            for middle, across in zip(self.on_row(line, places), self.across(line, places), strict=True):
                self.canvas.line(np.array([middle - half * across, middle + half * across]), WHITE, 5)
            if several:
                # the name stands at whichever end is farther inside the picture
                ends = self.on_row(line, np.array([begin, end]))
                size = np.array(self.canvas.rgb.shape[1::-1])
                room = np.minimum(ends, size - ends).min(axis=1)
                at = int(np.argmax(room))
                across = self.across(line, (begin, end)[at])[0]
                self.canvas.label(f"row {stretch.row}", ends[at], across, WHITE, 52)

    def gaps(self, line: RowLine, from_cm: np.ndarray, gap_cm: np.ndarray, kinds: list[str]) -> None:
        """Gaps along a row, each in the manner of its class. (n,) each [cm]"""
        known = np.flatnonzero(np.isfinite(from_cm) & (gap_cm > 0) & np.isfinite(gap_cm))
        begin, length = from_cm[known], gap_cm[known]
        # all at once: a place by itself takes as long as a hundred
        places = begin[:, None] + length[:, None] * np.linspace(0, 1, 12)
        points = self.on_row(line, places.ravel()).reshape(-1, 12, 2)
        for along, across, k in zip(points, self.across(line, begin + length / 2), known, strict=True):
            self.gap(along, across, kinds[k])

    def gap(self, points: np.ndarray, across: np.ndarray, kind: str) -> None:
        """One gap in the manner of its class, by places along it and the direction across the row. (12, 2) [px]"""
        unit = self.canvas.unit
        if kind == "open":
            self.canvas.dashes(points, WHITE, 2)
            return
        self.canvas.line(points, WHITE, 2)
        beside = points - 32 * unit * across
        if kind == "double":
            self.canvas.bracket(beside, -across)
            self.canvas.label("D", beside.mean(axis=0), -across, PURPLE, 4)
        elif kind.startswith("skip"):
            self.canvas.arrow(beside)
            text = f"skip: {wording.missing_plants(kind)} missing"
            self.canvas.label(text, beside.mean(axis=0), -across, ORANGE, 8)

    def weeds(self) -> None:
        """A cross on each."""
        places = self.px(_places(self.m.plants)[~_is_crop(self.m.plants)])
        for at in places[np.isfinite(places).all(axis=1)]:
            self.canvas.weed(at)

    def stems(self) -> None:
        """A ring with a dot and a number on each, the words on one side of the row."""
        plants = self.m.plants
        crop = _is_crop(plants)
        stems_px = _places(plants)[crop]
        places = self.px(stems_px)
        for at in places:
            self.canvas.stem(at)
            self.canvas.keep_free(at, 15)
        row, numbers = plants["row"].to_numpy()[crop], plants["plant"].to_numpy()[crop]
        away = np.tile([0.0, -1.0], (len(stems_px), 1))
        for number, line in enumerate(self.m.rows, 1):
            own = row == number
            away[own] = self.across(line, line.position(self.m.ground.to_ground(stems_px[own])))
        for at, direction, plant in zip(places, away, numbers.tolist(), strict=True):
            self.canvas.label(str(plant), at, direction, WHITE, 24)


def _is_crop(plants: pd.DataFrame) -> np.ndarray:
    """(n,) bool"""
    return plants["is_crop"].to_numpy(bool)


def _places(plants: pd.DataFrame) -> np.ndarray:
    """Where they stand in the photo. (n, 2) [px]"""
    return np.stack([plants["x_px"].to_numpy(float), plants["y_px"].to_numpy(float)], axis=1)


@dataclass
class _Band:
    """Words above or below the picture, so that they hide nothing of it."""

    height: int
    texts: list[tuple[str, float, float, int, Rgb]]
    """text, left, middle, size, colour [px]"""
    symbols: list[tuple[str, float, float]]
    """name, x, y of the middle [px]"""

    def draw(self, rgb: np.ndarray, unit: float) -> None:
        """Draw into a strip of the band's height."""
        canvas = Canvas(rgb, unit)
        for name, x, y in self.symbols:
            at = np.array([x, y])
            reach = np.linspace([-20.0, 0.0], [20.0, 0.0], 3) * unit
            if name == "stem":
                canvas.stem(at)
            elif name == "double":
                canvas.bracket(at + reach + [0, 5 * unit], np.array([0.0, 1.0]))
            elif name == "skip":
                canvas.arrow(at + 1.6 * reach)
            elif name == "weed":
                canvas.weed(at)
            elif name == "open":
                canvas.dashes(at + 1.3 * reach, WHITE, 2)
            elif name == "end":
                canvas.line(at + reach[:, ::-1], WHITE, 5)
            elif name == "caution":
                triangle = np.array([[0.0, -16.0], [17.0, 14.0], [-17.0, 14.0]]) * unit
                canvas.line(at + triangle, YELLOW, 3, closed=True, cased=False)
                canvas.line(at + np.array([[0.0, -5.0], [0.0, 4.0]]) * unit, YELLOW, 3, cased=False)
                canvas.disc(at + np.array([0.0, 9.5]) * unit, 2, YELLOW)
        for text, left, middle, size, colour in self.texts:
            write(rgb, text, left, middle, size, colour)


GAP_COLUMNS = ("row", "from_cm", "gap_cm", "kind")
"""Columns of GAPS that are drawn."""
HEAD_COLUMNS = (
    *("row", "plants", "row_length_cm", "mean_gap_cm", "cv_pct", "multiples_pct", "quality_of_feed_pct", "misses_pct"),
    *("plants_per_ha", "nominal_spacing_cm", "nominal_source", "flags", "trust", "left_out"),
)
"""Columns of ROWS that the head tells of."""


def _head(m: Measurement, rows: pd.DataFrame | None, output: OutputSettings, unit: float, width: int) -> _Band:
    """Name, numbers of each row, scale, and what to look at."""
    blocks: list[tuple[list[str], int, Rgb, str]] = [([wording.printable(m.photo)], 38, WHITE, "")]
    bits = m.flags | m.ground.flags
    estimated = ""
    several = rows is not None and len(rows) > 1
    shown = [name for name in HEAD_COLUMNS if rows is not None and name in rows]
    for r in rows[shown].itertuples() if rows is not None else ():
        bits |= flags.parse(r.flags)
        name = f"Row {r.row}:" if several else ""
        words = wording.row_words(r, output.units)
        if r.trust not in ("", "good"):
            words = [*words[:-1], f"{words[-1]};", f"trust {wording.trust_words(r)}"]
        blocks.append(([*([name] if name else []), *words], 42, WHITE, ""))
        if r.nominal_source == "estimated":
            estimated = f"Theoretical spacing {wording.spacing(r.nominal_spacing_cm, output.units)}, estimated."
    if rows is None or not len(rows):
        crop = int(_is_crop(m.plants).sum())
        blocks.append(([f"{crop} {'plant' if crop == 1 else 'plants'},", "no row measured"], 42, WHITE, ""))
    scale = [f"Scale: {wording.scale(m.ground.method)}.", *([estimated] if estimated else [])]
    blocks.append((scale, 34, SKY, ""))
    concerns = wording.warnings(bits)
    blocks += [([sentence], 34, YELLOW, "caution") for sentence in concerns]
    if not concerns:
        blocks.append((["Nothing odd was noticed in this photo."], 34, WHITE, ""))

    margin = 18 * unit
    y = 0.6 * margin
    texts, symbols = [], []
    for parts, size, colour, symbol in blocks:
        left = margin + (44 * unit if symbol else 0)
        px = round(size * unit)
        for n, line in enumerate(wrapped(parts, px, width - left - margin)):
            middle = y + 0.62 * px
            if symbol and n == 0:
                symbols.append((symbol, margin + 16 * unit, middle))
            texts.append((line, left, middle, px, colour))
            y += 1.24 * px
    return _Band(round(y + 0.6 * margin), texts, symbols)


def _foot(m: Measurement, kinds: set[str], unit: float, width: int) -> _Band:
    """Legend of the symbols that this picture shows."""
    entries = [("stem", "plant")]
    if "double" in kinds:
        entries.append(("double", "D: double"))
    if any(kind.startswith("skip") for kind in kinds):
        entries.append(("skip", "skip"))
    if not _is_crop(m.plants).all():
        entries.append(("weed", "weed, not counted"))
    if len(m.stretches):
        entries.append(("end", "end of measured row"))
    if "open" in kinds:
        entries.append(("open", "open end, no gap"))
    size, room = round(32 * unit), 48 * unit
    x, y = 18 * unit, 6 * unit + room / 2
    texts: list[tuple[str, float, float, int, Rgb]] = []
    symbols: list[tuple[str, float, float]] = []
    for symbol, words in entries:
        indent = (84 if symbol == "skip" else 54) * unit
        need = indent + text_width(words, size)
        if x + need > width and texts:
            x, y = 18 * unit, y + room
        symbols.append((symbol, x + (indent - 10 * unit) / 2, y))
        texts.append((words, x + indent, y, size, WHITE))
        x += need + 30 * unit
    return _Band(round(y + room / 2 + 6 * unit), texts, symbols)
