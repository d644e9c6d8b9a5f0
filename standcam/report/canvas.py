"""Drawing on a small copy of a photo: cased lines, crisp text, and words that look for a free place."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import cv2
import numpy as np

Rgb = tuple[int, int, int]
WHITE, INK = (255, 255, 255), (18, 22, 26)
ORANGE, SKY, YELLOW, PURPLE = (230, 159, 0), (86, 180, 233), (240, 228, 66), (204, 121, 167)
"""Okabe and Ito 2008, "Color Universal Design" (jfly.uni-koeln.de/color): told apart by all common kinds of
colour vision. INK cases them, for they must show on bright straw and on dark soil alike."""

_SHIFT = 3  # cv2 draws with this many bits of sub-pixel
_FAR = 1e5  # fixed-point coordinates beyond this could overflow; nothing there is in the picture


@lru_cache(maxsize=16)
def font(size_px: int) -> Any:
    """The typeface that comes with Pillow: no file of the system is needed. [px]"""
    from PIL import ImageFont

    return ImageFont.load_default(max(8, size_px))


@lru_cache(maxsize=2048)
def text_width(text: str, size_px: int) -> float:
    """Width of a text. [px]"""
    return font(size_px).getlength(text)


@lru_cache(maxsize=512)
def _text_mask(text: str, size_px: int) -> tuple[np.ndarray, float]:
    """Coverage of a text's pixels, 0 to 255, and how far its top is from the middle of a line. uint8 (h, w), [px]"""
    from PIL import Image, ImageDraw

    face = font(size_px)
    ascent, descent = face.getmetrics()  # lines of one height, so that neighbours share a base line
    image = Image.new("L", (max(1, int(np.ceil(face.getlength(text))) + 2), ascent + descent))
    ImageDraw.Draw(image).text((1, 0), text, fill=255, font=face)
    mask = np.asarray(image)
    inked = np.flatnonzero(mask.any(axis=1))
    top, bottom = (inked[0], inked[-1] + 1) if len(inked) else (0, 0)
    return mask[top:bottom].copy(), float(top) - mask.shape[0] / 2


@lru_cache(maxsize=16)
def _on_ink(colour: Rgb) -> np.ndarray:
    """Colours of all coverages, from that of the ground to that of the text. uint8 (256, 1, 3)"""
    cover = np.arange(256, dtype=np.float32)[:, None, None] / 255
    ground = np.array(INK, np.float32)
    return np.round(ground + (np.array(colour, np.float32) - ground) * cover).astype(np.uint8)


def write(rgb: np.ndarray, text: str, left: float, middle: float, size_px: int, colour: Rgb) -> None:
    """Write one line of text on a ground of INK, from its left edge, about the middle of its height."""
    mask, above = _text_mask(text, size_px)
    x, y = round(left), round(middle + above)
    x0, y0 = max(x, 0), max(y, 0)
    x1, y1 = min(x + mask.shape[1], rgb.shape[1]), min(y + mask.shape[0], rgb.shape[0])
    if x0 >= x1 or y0 >= y1:
        return
    rgb[y0:y1, x0:x1] = cv2.applyColorMap(mask[y0 - y : y1 - y, x0 - x : x1 - x], _on_ink(colour))


def wrapped(parts: Sequence[str], size_px: int, width: float) -> list[str]:
    """Parts of a sentence in lines that fit, broken between parts where that will do, else between words."""
    lines = [""]
    for part in parts:
        joined = f"{lines[-1]} {part}" if lines[-1] else part
        if text_width(joined, size_px) <= width:
            lines[-1] = joined
        elif text_width(part, size_px) <= width:
            lines.append(part)
        elif " " in part:
            first, *rest = wrapped(part.split(" "), size_px, width)
            lines += [first, *rest] if lines[-1] else []
            if not lines[0]:
                lines = [first, *rest]
        else:  # one word, too long by itself: a file name, mostly
            while text_width(part, size_px) > width and len(part) > 1:
                n = max(1, int(len(part) * width / text_width(part, size_px)))
                while n > 1 and text_width(part[:n], size_px) > width:
                    n -= 1
                lines.append(part[:n])
                part = part[n:]
            lines.append(part)
    return [line for line in lines if line] or [""]


@dataclass
class Label:
    """Words that belong to a place and look for room beside it."""

    text: str
    anchor: np.ndarray
    """What it belongs to. (2,) [px]"""
    away: np.ndarray
    """Unit vector along which it may be moved off. (2,)"""
    colour: Rgb
    start: float
    """Least distance from the anchor. [px]"""


@dataclass
class Canvas:
    """A picture to draw in; widths and radii are for a longer side of 1600 px and grow with it."""

    rgb: np.ndarray
    """Drawn in place. (H, W, 3)"""
    unit: float
    """Longer side / 1600. [1]"""
    labels: list[Label] = field(default_factory=list)
    taken: list[np.ndarray] = field(default_factory=list)
    """Boxes that words must not cover: x0, y0, x1, y1. [px]"""

    def line(self, points: np.ndarray, colour: Rgb, width: float, closed: bool = False, cased: bool = True) -> None:
        """A line through points, with a dark casing. (n, 2) [px]; points that are NaN are left out."""
        self.lines([points], colour, width, closed, cased)

    def lines(
        self,
        many: Sequence[np.ndarray],
        colour: Rgb,
        width: float,
        closed: bool = False,
        cased: bool = True,
    ) -> None:
        """Several lines, none cut by another's casing."""
        fixed = []
        for points in many:
            points = np.asarray(points, float)
            points = points[np.isfinite(points).all(axis=1)]
            if len(points) > 1 and np.abs(points).max() < _FAR:
                fixed.append(np.round(points * 2**_SHIFT).astype(np.int32)[:, None])
        if not fixed:
            return
        wide = max(1, round(width * self.unit))
        if cased:
            casing = wide + 2 * max(1, round(1.5 * self.unit))
            cv2.polylines(self.rgb, fixed, closed, INK, casing, cv2.LINE_AA, _SHIFT)
        cv2.polylines(self.rgb, fixed, closed, colour, wide, cv2.LINE_AA, _SHIFT)

    def dashes(self, points: np.ndarray, colour: Rgb, width: float) -> None:
        """A dashed line along points. (n, 2) [px]"""
        points = points[np.isfinite(points).all(axis=1)]
        if len(points) < 2 or np.abs(points).max() >= _FAR:
            return
        run = np.r_[0, np.cumsum(np.hypot(*np.diff(points, axis=0).T))]
        step = 14 * self.unit
        starts = np.arange(0, run[-1], 2 * step)
        ends = np.minimum(starts + step, run[-1])
        at = np.stack([starts, ends], axis=1)
        xy = np.stack([np.interp(at, run, points[:, k]) for k in (0, 1)], axis=2)
        self.lines(list(xy), colour, width)

    def disc(self, at: np.ndarray, radius: float, colour: Rgb) -> None:
        """A filled circle."""
        if np.isfinite(at).all() and np.abs(at).max() < _FAR:
            centre = tuple(int(v) for v in np.round(np.asarray(at) * 2**_SHIFT))
            cv2.circle(self.rgb, centre, round(radius * self.unit * 2**_SHIFT), colour, -1, cv2.LINE_AA, _SHIFT)

    def ring(self, at: np.ndarray, radius: float, colour: Rgb, width: float) -> None:
        """A circle line with a dark casing."""
        if np.isfinite(at).all() and np.abs(at).max() < _FAR:
            centre = tuple(int(v) for v in np.round(np.asarray(at) * 2**_SHIFT))
            fixed_radius = round(radius * self.unit * 2**_SHIFT)
            wide = max(1, round(width * self.unit))
            casing = wide + 2 * max(1, round(1.5 * self.unit))
            cv2.circle(self.rgb, centre, fixed_radius, INK, casing, cv2.LINE_AA, _SHIFT)
            cv2.circle(self.rgb, centre, fixed_radius, colour, wide, cv2.LINE_AA, _SHIFT)

    # symbols: each with a shape of its own, for colour alone must not tell

    def stem(self, at: np.ndarray) -> None:
        """Ring with a dot."""
        self.ring(at, 13, WHITE, 3.5)
        self.disc(at, 4.5, INK)
        self.disc(at, 3, SKY)

    def weed(self, at: np.ndarray) -> None:
        """Cross."""
        down, up = np.array([8.0, 8.0]) * self.unit, np.array([8.0, -8.0]) * self.unit
        self.lines([np.array([at - down, at + down]), np.array([at - up, at + up])], YELLOW, 2.5)

    def bracket(self, points: np.ndarray, away: np.ndarray) -> None:
        """Bracket under a double, its ends bent back towards the row."""
        back = -12 * self.unit * away
        self.line(np.vstack([points[:1] + back, points, points[-1:] + back]), PURPLE, 4)

    def arrow(self, points: np.ndarray) -> None:
        """Arrow with a head at both ends, along a skip."""
        strokes = [points]
        for tip, towards in ((points[0], points[1]), (points[-1], points[-2])):
            inward = (towards - tip) / max(np.hypot(*(towards - tip)), 1e-6) * 18 * self.unit
            side = np.array([inward[1], -inward[0]]) * 0.6
            strokes.append(np.array([tip + inward + side, tip, tip + inward - side]))
        self.lines(strokes, ORANGE, 5)

    def label(self, text: str, anchor: np.ndarray, away: np.ndarray, colour: Rgb, start: float) -> None:
        """Ask for words beside a place; they are set by :meth:`set_words`, once all else is drawn."""
        if np.isfinite(anchor).all() and np.isfinite(away).all():
            self.labels.append(Label(text, np.asarray(anchor), np.asarray(away), colour, start * self.unit))

    def keep_free(self, at: np.ndarray, radius: float) -> None:
        """Keep words off a place."""
        if np.isfinite(at).all():
            r = radius * self.unit
            self.taken.append(np.array([at[0] - r, at[1] - r, at[0] + r, at[1] + r]))

    def set_words(self) -> list[tuple[Label, np.ndarray]]:
        """Set all labels in dark boxes off the kept places and off each other, with leader lines.

        Returns the labels that were set, with their boxes (x0, y0, x1, y1). Those for which there was no room
        are left out: a missing word is better than a hidden stem.
        """
        size = round(31 * self.unit)
        height, width = self.rgb.shape[:2]
        n = len(self.taken)
        taken = np.full((n + len(self.labels), 4), np.nan)
        taken[:n] = np.array(self.taken).reshape(-1, 4)
        placed: list[tuple[Label, np.ndarray]] = []
        for label in self.labels:
            half = np.array([text_width(label.text, size) / 2 + 6 * self.unit, 0.58 * size])
            away = label.start + half @ np.abs(label.away) + np.arange(7) * 1.2 * size
            steps = np.r_[away, -away]
            if not ((label.anchor >= 0) & (label.anchor < (width, height))).all():
                continue
            middles = label.anchor + steps[:, None] * label.away
            middles = np.clip(middles, half, np.maximum((width, height) - half, half))
            boxes = np.c_[middles - half, middles + half]
            near = taken[:n]
            hit = (
                (boxes[:, None, :2] < near[None, :, 2:]) & (boxes[:, None, 2:] > near[None, :, :2])
            ).all(2).any(1)  # fmt: skip
            good = np.flatnonzero(~hit)
            if len(good):
                taken[n] = boxes[good[0]]
                n += 1
                placed.append((label, boxes[good[0]]))
        for label, box in placed:
            target = np.clip(label.anchor, box[:2], box[2:])
            way = target - label.anchor
            length = np.hypot(*way)
            if length > 19 * self.unit:  # the leader starts at the rim of the symbol
                self.line(np.array([label.anchor + way * (18 * self.unit / length), target]), label.colour, 1.6)
        for label, box in placed:
            x0, y0, x1, y1 = (int(v) for v in np.round(box))
            cv2.rectangle(self.rgb, (x0, y0), (x1, y1), INK, -1)
            left = (box[0] + box[2] - text_width(label.text, size)) / 2 - 1
            write(self.rgb, label.text, left, (box[1] + box[3]) / 2, size, label.colour)
        return placed
