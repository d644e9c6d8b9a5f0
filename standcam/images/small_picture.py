"""A mosaic in a small picture, gathered while its tiles are worked: reading it once more would cost as much again.

Cells of the small picture lie on the raster's own grid; a cell belongs to the tile that owns its middle. Each tile's
part is kept as JPEG, for parts wait on disk and travel between processes.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field

import cv2
import numpy as np

from standcam.images.raster import Raster
from standcam.images.raster_read import Tile, Window

LONGER_PX = 2400
"""Longer side of the small picture, at most. [px]"""
_QUALITY = 92
_WHITE = 255
_FEW_LINES = 4
"""Cells of so many lines are not averaged over all of them."""


@dataclass(frozen=True)
class SmallPart:
    """One tile's part of the small picture."""

    column: int = 0
    """Of its first pixel in the small picture. [px]"""
    row: int = 0
    jpeg: np.ndarray = field(default_factory=lambda: np.empty(0, np.uint8))
    """Empty where the tile shows nothing."""


def small_step(raster: Raster) -> int:
    """Pixels of the raster to one of the small picture, along a side."""
    return max(1, math.ceil(max(raster.width_px, raster.height_px) / LONGER_PX))


def small_part(tile: Tile, window: Window, step: int) -> SmallPart:
    """The core of a tile, reduced; white where it shows no ground."""
    x0, y0, x1, y1 = window.core
    left, top, right, bottom = (_cells(edge, step) for edge in (x0, y0, x1, y1))
    if right <= left or bottom <= top:
        return SmallPart()
    h, w = tile.rgb.shape[:2]
    begin, end = max(left * step - tile.x0, 0), min(right * step - tile.x0, w)
    first = np.arange(top, bottom) * step - tile.y0
    if step < _FEW_LINES:
        rgb = tile.rgb[max(first[0], 0) : min(first[-1] + step, h), begin:end]
        if step > 1:
            rgb = cv2.resize(rgb, (right - left, bottom - top), interpolation=cv2.INTER_AREA)
    else:
        # two lines of each cell tell its colour as well as all of them
        a, b = (tile.rgb[np.clip(first + line, 0, h - 1), begin:end] for line in (step // 4, step - 1 - step // 4))
        lines = cv2.addWeighted(a, 0.5, b, 0.5, 0)
        rgb = cv2.resize(lines, (right - left, bottom - top), interpolation=cv2.INTER_AREA)
    if tile.valid is not None:
        y = np.clip(np.arange(top, bottom) * step + step // 2 - tile.y0, 0, h - 1)
        x = np.clip(np.arange(left, right) * step + step // 2 - tile.x0, 0, w - 1)
        rgb = np.where(tile.valid[np.ix_(y, x)][..., None], rgb, np.uint8(_WHITE))
    code = cv2.imencode(".jpg", cv2.cvtColor(rgb, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, _QUALITY])[1]
    return SmallPart(left, top, code.ravel())


def joined(raster: Raster, parts: Iterable[SmallPart]) -> np.ndarray:
    """The small picture, white where nothing is shown. (h, w, 3) uint8"""
    step = small_step(raster)
    whole = np.full((_cells(raster.height_px, step), _cells(raster.width_px, step), 3), _WHITE, np.uint8)
    for part in parts:
        if not len(part.jpeg):
            continue
        bgr = cv2.imdecode(part.jpeg, cv2.IMREAD_COLOR)
        assert bgr is not None
        place = whole[part.row : part.row + bgr.shape[0], part.column : part.column + bgr.shape[1]]
        place[:] = bgr[: place.shape[0], : place.shape[1], ::-1]
    return whole


def _cells(px: int, step: int) -> int:
    """Cells whose middle lies before an edge."""
    return max(0, -(-(2 * px + 1 - step) // (2 * step)))
