"""Marked photos: what was found, drawn so that a scout sees at a glance whether to trust it.

Nothing is told by colour alone: a stem is a ring with a dot and a number, a weed a cross, a double a bracket with a
D, a skip a double arrow with the number of missing plants. Colours are those of Okabe and Ito 2008 ("Color Universal
Design", jfly.uni-koeln.de/color), which the common kinds of colour blindness tell apart. Words stand beside the row,
in dark boxes, never over a stem.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import cv2
import numpy as np

from standcam import flags
from standcam.images.photo import Photo
from standcam.report import wording
from standcam.rows.line import RowLine
from standcam.settings import OutputSettings

if TYPE_CHECKING:
    import pandas as pd
    from PIL import Image

    from standcam.measure import Measurement

Rgb = tuple[int, int, int]
WHITE, BLACK, INK = (255, 255, 255), (0, 0, 0), (18, 22, 26)
ORANGE, SKY, YELLOW, PURPLE, GREEN = (230, 159, 0), (86, 180, 233), (240, 228, 66), (204, 121, 167), (0, 158, 115)

VIEW_QUALITY, MARKED_QUALITY = 92, 85
"""JPEG qualities: the small copy is packed once more after drawing, and must not lose much before it."""

_SHIFT = 3  # cv2 draws with this many bits of sub-pixel


def small_view(photo: Photo, output: OutputSettings | None = None) -> bytes:
    """JPEG of a reduced copy, longer side ``output.marked_width_px``; smaller photos keep their size."""
    output = output or OutputSettings()
    view = reduce(photo.rgb, output.marked_width_px)
    return _jpeg(view, VIEW_QUALITY)


def reduce(rgb: np.ndarray, longer_px: int) -> np.ndarray:
    """A copy whose longer side has at most ``longer_px`` pixels.

    Halving by means of 2 x 2 pixels, then one linear step: a fifth of the time that area averaging by an odd ratio
    takes, and as free of false patterns.
    """
    while max(rgb.shape[:2]) >= 2 * longer_px:
        rgb = cv2.resize(rgb, (rgb.shape[1] // 2, rgb.shape[0] // 2), interpolation=cv2.INTER_AREA)
    ratio = longer_px / max(rgb.shape[:2])
    if ratio >= 1:
        return rgb
    if ratio < 0.75:  # a linear step of more than 4:3 would skip pixels
        blurred = cv2.blur(rgb, (2, 2), anchor=(0, 0))
        rgb = blurred
    size = (max(1, round(rgb.shape[1] * ratio)), max(1, round(rgb.shape[0] * ratio)))
    return cv2.resize(rgb, size, interpolation=cv2.INTER_LINEAR)


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
    return mark_view(reduce(photo.rgb, output.marked_width_px), m, gaps, rows, output)


def mark_view(
    view: bytes | np.ndarray,
    m: Measurement,
    gaps: pd.DataFrame,
    rows: pd.DataFrame | None,
    output: OutputSettings,
) -> bytes:
    """As :func:`mark_photo`, from the small copy that :func:`small_view` made."""
    if isinstance(view, bytes):
        view = cv2.imdecode(np.frombuffer(view, np.uint8), cv2.IMREAD_COLOR_RGB)
    canvas = _Canvas(view, m)
    _draw_marks(canvas)
    _draw_rows(canvas, gaps)
    _draw_weeds(canvas)
    _draw_stems(canvas)
    kinds = set(gaps["kind"]) if len(gaps) else set()
    picture = canvas.with_words()
    return _jpeg(_framed(picture, _head(m, rows, output), _legend(m, kinds), canvas.unit), MARKED_QUALITY)


def _jpeg(rgb: np.ndarray, quality: int) -> bytes:
    done, data = cv2.imencode(".jpg", cv2.cvtColor(rgb, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, quality])
    if not done:
        raise ValueError("the picture could not be packed as JPEG")
    return data.tobytes()


@dataclass
class _Label:
    text: str
    anchor: np.ndarray
    """What it belongs to. (2,) [px]"""
    away: np.ndarray
    """Unit vector along which it may be moved off. (2,)"""
    colour: Rgb
    start: float
    """Least distance from the anchor. [px]"""


@dataclass
class _Canvas:
    """The small picture, and the way from the photo's pixels to its own."""

    rgb: np.ndarray
    m: Measurement
    unit: float = 0.0
    """A length that grows with the picture: 1 for a longer side of 1600. [px]"""
    labels: list[_Label] = field(default_factory=list)
    keep_free: list[np.ndarray] = field(default_factory=list)
    """Boxes that words must not cover: x0, y0, x1, y1. [px]"""

    def __post_init__(self) -> None:
        self.rgb = np.ascontiguousarray(self.rgb)
        self.unit = max(self.rgb.shape[:2]) / 1600

    def px(self, photo_px: np.ndarray) -> np.ndarray:
        """Photo pixels to pixels of the small picture; centres at integers in both. (n, 2) -> (n, 2)"""
        ratio = np.array([self.rgb.shape[1] / self.m.width_px, self.rgb.shape[0] / self.m.height_px])
        return (np.asarray(photo_px, float).reshape(-1, 2) + 0.5) * ratio - 0.5

    def on_row(self, line: RowLine, position_cm: np.ndarray | float) -> np.ndarray:
        """Places of the small picture at positions along a row. (n,) [cm] -> (n, 2) [px]"""
        return self.px(self.m.ground.to_pixels(line.points(position_cm)))

    def across(self, line: RowLine, position_cm: float) -> np.ndarray:
        """Unit vector across the row as the picture shows it, pointing up or, for upright rows, right. (2,)"""
        before, after = self.on_row(line, np.array([position_cm - 2, position_cm + 2]))
        along = after - before
        length = np.hypot(*along)
        if not np.isfinite(length) or length < 1e-6:
            return np.array([0.0, -1.0])
        normal = np.array([along[1], -along[0]]) / length
        # one side for the whole picture, so that numbers and gaps do not change sides along a bent row
        return normal if normal @ np.array([0.5, -1.0]) > 0 else -normal

    def line(self, points: np.ndarray, colour: Rgb, width: float, closed: bool = False, cased: bool = True) -> None:
        """A line with a dark casing, so that it shows on any ground."""
        points = np.asarray(points, float)
        points = points[np.isfinite(points).all(axis=1)]
        if len(points) < 2 or np.abs(points).max() > 1e5:
            return
        fixed = [np.round(points * 2**_SHIFT).astype(np.int32)[:, None]]
        wide = max(1, round(width * self.unit))
        if cased:
            casing = wide + 2 * max(1, round(1.5 * self.unit))
            cv2.polylines(self.rgb, fixed, closed, INK, casing, cv2.LINE_AA, _SHIFT)
        cv2.polylines(self.rgb, fixed, closed, colour, wide, cv2.LINE_AA, _SHIFT)

    def circle(self, at: np.ndarray, radius: float, colour: Rgb, width: float = -1) -> None:
        """A ring, or a disc where the width is negative."""
        if not np.isfinite(at).all() or np.abs(at).max() > 1e5:
            return
        centre = tuple(int(v) for v in np.round(at * 2**_SHIFT))
        wide = -1 if width < 0 else max(1, round(width * self.unit))
        cv2.circle(self.rgb, centre, round(radius * self.unit * 2**_SHIFT), colour, wide, cv2.LINE_AA, _SHIFT)

    def label(self, text: str, anchor: np.ndarray, away: np.ndarray, colour: Rgb, start: float) -> None:
        """Ask for words beside a place; they are placed once everything else is drawn."""
        if np.isfinite(anchor).all():
            self.labels.append(_Label(text, anchor, away, colour, start * self.unit))

    def free(self, at: np.ndarray, radius: float) -> None:
        """Keep words off a place."""
        if np.isfinite(at).all():
            r = radius * self.unit
            self.keep_free.append(np.array([at[0] - r, at[1] - r, at[0] + r, at[1] + r]))

    def with_words(self) -> np.ndarray:
        """Place all labels off the stems and off each other, and write them. Gives the finished picture."""
        font = _font(27 * self.unit)
        height, width = self.rgb.shape[:2]
        taken = list(self.keep_free)
        placed: list[tuple[_Label, np.ndarray]] = []
        pad = 4 * self.unit
        for label in self.labels:
            left, top, right, bottom = font.getbbox(label.text)
            half = np.array([(right - left) / 2 + pad, (bottom - top) / 2 + pad])
            reach = half @ np.abs(label.away)
            best = None
            for side, step in ((s, k) for s in (1, -1) for k in range(6)):
                middle = label.anchor + side * label.away * (label.start + reach + step * 0.8 * 2 * half.min())
                box = np.concatenate([middle - half, middle + half])
                inside = box[0] >= 0 and box[1] >= 0 and box[2] <= width and box[3] <= height
                if inside and not _overlaps(box, taken):
                    best = box
                    break
            if best is None:  # no room: a missing word is better than a hidden stem
                continue
            taken.append(best)
            placed.append((label, best))
        for label, box in placed:
            target = np.clip(label.anchor, box[:2], box[2:])
            start = label.anchor + (target - label.anchor) * min(
                1.0, 15 * self.unit / max(np.hypot(*(target - label.anchor)), 1e-6)
            )
            self.line(np.array([start, target]), label.colour, 1.6)
        for _, box in placed:
            x0, y0, x1, y1 = np.round(box).astype(int)
            cv2.rectangle(self.rgb, (x0, y0), (x1, y1), INK, -1)
        image, draw = _drawing(self.rgb)
        for label, box in placed:
            draw.text(
                ((box[0] + box[2]) / 2, (box[1] + box[3]) / 2), label.text, fill=label.colour, font=font, anchor="mm"
            )
        return np.asarray(image)


def _overlaps(box: np.ndarray, others: Sequence[np.ndarray]) -> bool:
    if not others:
        return False
    o = np.asarray(others)
    return bool(((box[0] < o[:, 2]) & (box[2] > o[:, 0]) & (box[1] < o[:, 3]) & (box[3] > o[:, 1])).any())


def _draw_marks(canvas: _Canvas) -> None:
    """Board or stick as found: its outline dashed, each mark in full line."""
    ground = canvas.m.ground
    if len(ground.mark_hull_px) > 2:
        hull = canvas.px(np.array(ground.mark_hull_px))
        for a, b in zip(hull, np.roll(hull, -1, axis=0), strict=True):
            _dashes(canvas, np.linspace(a, b, 40), SKY, 2.5)
    for outline in ground.marks_px:
        canvas.line(canvas.px(np.array(outline)), SKY, 3, closed=len(outline) > 2)
    names = getattr(ground, "mark_names", ())
    for name, outline in zip(names, ground.marks_px, strict=False):
        middle = canvas.px(np.array(outline)).mean(axis=0)
        canvas.label(name, middle, np.array([0.0, 1.0]), SKY, 0)
    if ground.has_scale and (len(ground.mark_hull_px) or len(ground.marks_px)):
        points = ground.mark_hull_px or [p for outline in ground.marks_px for p in outline]
        corners = canvas.px(np.array(points))
        low = corners.max(axis=0)
        anchor = np.array([corners[:, 0].mean(), low[1]])
        canvas.label(wording.scale(ground.method), anchor, np.array([0.0, 1.0]), SKY, 6)


def _draw_rows(canvas: _Canvas, gaps: pd.DataFrame) -> None:
    """Each measured window: end bars, the row line in the manner of each gap's class, and the gaps themselves."""
    m = canvas.m
    several = len(m.stretches) > 1
    for stretch in m.stretches.itertuples():
        if not 1 <= stretch.row <= len(m.rows):
            continue
        line = m.rows[stretch.row - 1]
        begin, end = line.from_cm, line.to_cm
        if not end > begin:
            continue
        own = gaps[gaps["row"] == stretch.row] if len(gaps) else gaps
        if not len(own):
            canvas.line(canvas.on_row(line, np.linspace(begin, end, 60)), WHITE, 2)
        shift = begin - (stretch.from_cm if np.isfinite(stretch.from_cm) else begin)
        for gap in own.itertuples():
            _draw_gap(canvas, line, gap.from_cm + shift, gap.gap_cm, gap.kind)
        for place in (begin, end):
            middle, across = canvas.on_row(line, place)[0], canvas.across(line, place)
            bar = np.array([middle - 46 * canvas.unit * across, middle + 46 * canvas.unit * across])
            canvas.line(bar, WHITE, 5)
        if several:
            across = canvas.across(line, begin)
            canvas.label(f"row {stretch.row}", canvas.on_row(line, begin)[0], across, WHITE, 52)


def _draw_gap(canvas: _Canvas, line: RowLine, from_cm: float, gap_cm: float, kind: str) -> None:
    if not (np.isfinite(from_cm) and np.isfinite(gap_cm)) or gap_cm <= 0:
        return
    points = canvas.on_row(line, np.linspace(from_cm, from_cm + gap_cm, 12))
    middle_cm = from_cm + gap_cm / 2
    across = canvas.across(line, middle_cm)
    if kind == "open":
        _dashes(canvas, canvas.on_row(line, np.linspace(from_cm, from_cm + gap_cm, 60)), WHITE, 2)
        return
    canvas.line(points, WHITE, 2)
    if kind == "double":
        below = points - 30 * canvas.unit * across
        canvas.line(np.vstack([below[:1] + 12 * canvas.unit * across, below, below[-1:] + 12 * canvas.unit * across]), PURPLE, 4)
        canvas.label("D", below.mean(axis=0), -across, PURPLE, 4)
        canvas.free(below.mean(axis=0), 6)
    elif kind.startswith("skip"):
        below = points - 34 * canvas.unit * across
        canvas.line(below, ORANGE, 5)
        for tip, inward in ((below[0], below[1] - below[0]), (below[-1], below[-2] - below[-1])):
            inward = inward / max(np.hypot(*inward), 1e-6) * 18 * canvas.unit
            side = np.array([inward[1], -inward[0]]) * 0.6
            canvas.line(np.array([tip + inward + side, tip, tip + inward - side]), ORANGE, 5)
        canvas.label(f"skip: {wording.missing_plants(kind)} missing", below.mean(axis=0), -across, ORANGE, 8)


def _dashes(canvas: _Canvas, points: np.ndarray, colour: Rgb, width: float) -> None:
    """A dashed line along points."""
    points = points[np.isfinite(points).all(axis=1)]
    if len(points) < 2:
        return
    run = np.r_[0, np.cumsum(np.hypot(*np.diff(points, axis=0).T))]
    step = 14 * canvas.unit
    for start in np.arange(0, run[-1], 2 * step):
        at = np.array([start, min(start + step, run[-1])])
        canvas.line(np.c_[np.interp(at, run, points[:, 0]), np.interp(at, run, points[:, 1])], colour, width)


def _draw_weeds(canvas: _Canvas) -> None:
    plants = canvas.m.plants
    weeds = plants[~plants["is_crop"].astype(bool)]
    arm = 11 * canvas.unit
    for at in canvas.px(weeds[["x_px", "y_px"]].to_numpy()):
        canvas.line(np.array([at - arm, at + arm]), YELLOW, 4)
        canvas.line(np.array([at + [-arm, arm], at + [arm, -arm]]), YELLOW, 4)
        canvas.line(np.array([at - arm, at + arm]), YELLOW, 4, cased=False)
        canvas.free(at, 13)


def _draw_stems(canvas: _Canvas) -> None:
    plants = canvas.m.plants
    crop = plants[plants["is_crop"].astype(bool)]
    places = canvas.px(crop[["x_px", "y_px"]].to_numpy())
    for at in places:
        canvas.circle(at, 13, INK, 7)
        canvas.circle(at, 13, WHITE, 3.5)
        canvas.circle(at, 4.5, INK)
        canvas.circle(at, 3, SKY)
        canvas.free(at, 15)
    # words along one side are placed in order of the row, so that a crowded row fans out evenly
    for at, plant in zip(places, crop.itertuples(), strict=True):
        across = np.array([0.0, -1.0])
        if 1 <= plant.row <= len(canvas.m.rows):
            line = canvas.m.rows[plant.row - 1]
            ground = canvas.m.ground.to_ground(np.array([[plant.x_px, plant.y_px]]))
            across = canvas.across(line, float(line.position(ground)[0]))
        canvas.label(str(plant.plant), at, across, WHITE, 24)


def _head(m: Measurement, rows: pd.DataFrame | None, output: OutputSettings) -> list[tuple[str, Rgb]]:
    """Lines over the picture: name, numbers of each row, scale, and what to look at."""
    lines: list[tuple[str, Rgb]] = [(wording.printable(m.photo), WHITE)]
    bits = m.flags | m.ground.flags
    for r in rows.itertuples() if rows is not None else ():
        bits |= flags.parse(r.flags)
        parts = [f"{r.plants} plant{'s' * (r.plants != 1)}"]
        if np.isfinite(r.row_length_cm):
            parts[0] += f" on {wording.row_length(r.row_length_cm, output.units)}"
        if np.isfinite(r.mean_gap_cm):
            parts.append(f"mean gap {wording.spacing(r.mean_gap_cm, output.units)}")
        if np.isfinite(r.cv_pct):
            parts.append(f"CV {wording.percent(r.cv_pct)}")
        if np.isfinite(r.quality_of_feed_pct):
            parts.append(
                f"doubles {wording.percent(r.multiples_pct)}, singles {wording.percent(r.quality_of_feed_pct)}, "
                f"skips {wording.percent(r.misses_pct)}"
            )
        if np.isfinite(r.plants_per_ha):
            parts.append(wording.population(r.plants_per_ha, output.units))
        name = f"Row {r.row}: " if len(rows) > 1 else ""
        lines.append((name + "; ".join(parts), WHITE))
    if rows is None or not len(rows):
        crop = int(m.plants["is_crop"].astype(bool).sum())
        lines.append((f"{crop} plants; no row was measured", WHITE))
    lines.append((f"Scale: {wording.scale(m.ground.method)}", SKY))
    concerns = wording.warnings(bits)
    if concerns:
        lines += [(f"! {sentence}", YELLOW) for sentence in concerns]
    else:
        lines.append(("Nothing odd was noticed in this photo", WHITE))
    return lines


def _legend(m: Measurement, kinds: set[str]) -> list[tuple[str, str]]:
    """Symbols that this picture shows, with their words."""
    entries = [("stem", "plant, with number")]
    if "double" in kinds:
        entries.append(("double", "D: double"))
    if any(kind.startswith("skip") for kind in kinds):
        entries.append(("skip", "skip"))
    if (~m.plants["is_crop"].astype(bool)).any():
        entries.append(("weed", "weed, not counted"))
    entries.append(("bar", "end of the measured row"))
    return entries


def _framed(
    picture: np.ndarray, head: list[tuple[str, Rgb]], legend: list[tuple[str, str]], unit: float
) -> np.ndarray:
    """The picture with a head band above and a legend below; neither hides anything of it."""
    width = picture.shape[1]
    big, small = _font(44 * unit), _font(30 * unit)
    margin = round(18 * unit)
    lines: list[tuple[str, Rgb, bool]] = []
    for n, (text, colour) in enumerate(head):
        font = big if n == 0 else _font(36 * unit)
        lines += [(part, colour, n == 0) for part in _wrapped(text, font, width - 2 * margin)]
    middle = _font(36 * unit)
    steps = [round((54 if first else 45) * unit) for _, _, first in lines]
    head_height = margin + sum(steps) + margin // 2
    entries: list[tuple[str, str, float, int]] = []
    x, row, room = float(margin), 0, 46 * unit
    for symbol, words in legend:
        need = 56 * unit + small.getlength(words) + 30 * unit
        if x + need > width and x > margin:
            x, row = float(margin), row + 1
        entries.append((symbol, words, x, row))
        x += need
    foot_height = round((row + 1) * room + margin / 2)
    whole = np.empty((head_height + picture.shape[0] + foot_height, width, 3), np.uint8)
    whole[:head_height] = INK
    whole[head_height : head_height + picture.shape[0]] = picture
    whole[head_height + picture.shape[0] :] = INK
    top = head_height + picture.shape[0] + margin / 4
    for symbol, _, x, row in entries:
        _symbol(whole, symbol, np.array([x + 22 * unit, top + (row + 0.5) * room]), unit)
    image, draw = _drawing(whole)
    y = float(margin)
    for (text, colour, first), step in zip(lines, steps, strict=True):
        draw.text((margin, y + step / 2 - margin / 4), text, fill=colour, font=big if first else middle, anchor="lm")
        y += step
    for _, words, x, row in entries:
        draw.text((x + 52 * unit, top + (row + 0.5) * room), words, fill=WHITE, font=small, anchor="lm")
    return np.asarray(image)


def _symbol(rgb: np.ndarray, name: str, at: np.ndarray, unit: float) -> None:
    def line(points: list[list[float]], colour: Rgb, width: float) -> None:
        fixed = np.round((at + np.array(points) * unit) * 2**_SHIFT).astype(np.int32)[:, None]
        cv2.polylines(rgb, [fixed], False, colour, max(1, round(width * unit)), cv2.LINE_AA, _SHIFT)

    if name == "stem":
        centre = tuple(int(v) for v in np.round(at * 2**_SHIFT))
        cv2.circle(rgb, centre, round(13 * unit * 2**_SHIFT), WHITE, max(1, round(3.5 * unit)), cv2.LINE_AA, _SHIFT)
        cv2.circle(rgb, centre, round(4 * unit * 2**_SHIFT), SKY, -1, cv2.LINE_AA, _SHIFT)
    elif name == "double":
        line([[-16, -6], [-16, 6], [16, 6], [16, -6]], PURPLE, 4)
    elif name == "skip":
        line([[-20, 0], [20, 0]], ORANGE, 5)
        line([[-10, -8], [-20, 0], [-10, 8]], ORANGE, 5)
        line([[10, -8], [20, 0], [10, 8]], ORANGE, 5)
    elif name == "weed":
        line([[-10, -10], [10, 10]], YELLOW, 4)
        line([[-10, 10], [10, -10]], YELLOW, 4)
    else:
        line([[0, -16], [0, 16]], WHITE, 5)


def _wrapped(text: str, font: object, width: float) -> list[str]:
    """Text in lines that fit; a word too long for a line is cut in the middle of its letters."""
    lines = [""]
    for word in text.split():
        candidate = f"{lines[-1]} {word}".strip()
        if not lines[-1] or font.getlength(candidate) <= width:  # type: ignore[attr-defined]
            lines[-1] = candidate
        else:
            lines.append(word)
        while font.getlength(lines[-1]) > width and len(lines[-1]) > 1:  # type: ignore[attr-defined]
            n = len(lines[-1]) - 1
            while n > 1 and font.getlength(lines[-1][:n]) > width:  # type: ignore[attr-defined]
                n -= 1
            lines[-1:] = [lines[-1][:n], lines[-1][n:]]
    return lines


def _font(size: float):
    from PIL import ImageFont

    return ImageFont.load_default(max(8, round(size)))


def _drawing(rgb: np.ndarray) -> tuple[Image.Image, object]:
    from PIL import Image, ImageDraw

    image = Image.fromarray(rgb)
    return image, ImageDraw.Draw(image)
