"""Green of a tile in cells of about a centimetre: where to look, where rows run, and the area of plants.

Cells lie on the grid of the picture that the tile is cut from, so that a cell is the same in every tile.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from standcam.settings import StripStemSettings
from standcam.vegetation.segment import codes, level

CELL_CM = 1.2
"""Side of a cell, about. [cm]"""
PLAIN = 0.5
"""Greenness of a pixel that is plainly green, whatever ``StripStemSettings.green`` looks at. [1]"""

_MOST_SIDE_PX = 15
"""A cell counts its pixels line by line in half a byte. [px]"""

Box = tuple[int, int, int, int]


@dataclass(frozen=True)
class GreenCells:
    """Green pixels of each cell of a tile."""

    hint: np.ndarray
    """Pixels with at least ``StripStemSettings.green``. uint8 (rows, columns)"""
    plain: np.ndarray
    """Plainly green pixels. uint8 (rows, columns)"""
    side: int
    """[px]"""
    before: tuple[int, int]
    """The first cell begins so many pixels left of the tile, and above it. [px]"""
    cm_per_px: float

    def places(self, row: np.ndarray, column: np.ndarray) -> np.ndarray:
        """Middles of cells in the tile. (n, 2) [px]"""
        places = np.empty((len(row), 2))
        for k, at in enumerate((column, row)):
            np.multiply(at, self.side, out=places[:, k])
            places[:, k] += (self.side - 1) / 2 - self.before[k]
        return places

    def within(self, box: Box) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Cells with green whose middle lies in a box: middles, share that is plainly green, and with a hint. [px]"""
        rows, columns = self.range(box)
        hint, plain = self.hint[rows, columns], self.plain[rows, columns]
        y, x = nonzero(hint)
        share = 1.0 / self.side**2
        return self.places(y + rows.start, x + columns.start), plain[y, x] * share, hint[y, x] * share

    def areas(self, box: Box, corner_px: tuple[int, int] = (0, 0)) -> np.ndarray:
        """Cells with green whose middle lies in a box: x, y of it in the picture [px], and green pixels. (k, 3)"""
        places, _, share = self.within(box)
        return np.c_[places + np.array(corner_px), np.round(share * self.side**2)]

    def range(self, box: Box) -> tuple[slice, slice]:
        """Rows and columns of the cells whose middle lies in a box."""
        out = []
        for k in (1, 0):
            # the middle of cell i lies at i * side + (side - 1) / 2 - before
            first, end = (
                -(-(2 * (edge + self.before[k]) - self.side) // (2 * self.side)) for edge in (box[k], box[k + 2])
            )
            size = self.hint.shape[1 - k]
            out.append(slice(min(max(first, 0), size), min(max(end, 0), size)))
        return out[0], out[1]

    def near(self, reach_cm: float) -> np.ndarray:
        """Cells within reach of a hint of green. bool (rows, columns)"""
        reach = max(1, round(reach_cm / self.cm_per_px / self.side))
        found = (self.hint > 0).view(np.uint8)
        return cv2.dilate(found, np.ones((2 * reach + 1,) * 2, np.uint8)).view(bool)

    def held(self, cells: np.ndarray, px: np.ndarray) -> np.ndarray:
        """Whether places lie in chosen cells. (n, 2) [px] -> bool (n,)"""
        column, row = (np.floor(px + 0.5).astype(int) + np.array(self.before)).T // self.side
        return cells[np.clip(row, 0, cells.shape[0] - 1), np.clip(column, 0, cells.shape[1] - 1)]

    def squares(self, cells: np.ndarray, box: Box, side: int) -> np.ndarray:
        """Squares of so many pixels, from the corner of a box on, that chosen cells reach into. bool"""
        x0, y0, x1, y1 = box
        found = np.zeros((-(-(y1 - y0) // side), -(-(x1 - x0) // side)), bool)
        row, column = np.nonzero(cells)
        y, x = row * self.side - self.before[1], column * self.side - self.before[0]
        inside = (x + self.side > x0) & (x < x1) & (y + self.side > y0) & (y < y1)
        y, x = y[inside] - y0, x[inside] - x0
        last = np.array(found.shape) - 1
        for dy in (0, self.side - 1):
            for dx in (0, self.side - 1):
                found[np.clip((y + dy) // side, 0, last[0]), np.clip((x + dx) // side, 0, last[1])] = True
        return found


def nonzero(values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """As numpy.nonzero, for bytes four times as fast. -> row, column"""
    found = cv2.findNonZero(values)
    if found is None:
        return np.empty(0, np.int32), np.empty(0, np.int32)
    x, y = found.reshape(-1, 2).T
    return y, x


def green_cells(
    rgb: np.ndarray,
    table: np.ndarray,
    cm_per_px: float,
    settings: StripStemSettings | None = None,
    shown: np.ndarray | None = None,
    corner_px: tuple[int, int] = (0, 0),
) -> GreenCells:
    """Green of a tile.

    Parameters
    ----------
    rgb : (h, w, 3) uint8
    table : (65536,) uint8
        Greenness by colour for the soil of the whole strip (:func:`standcam.vegetation.segment.score_table`).
    cm_per_px : float
        Pixel on the ground. [cm]
    settings : StripStemSettings, optional
    shown : (h, w) bool, optional
        Where the picture shows ground that counts; by default all over.
    corner_px : (x, y)
        First pixel of the tile in the picture it is cut from. [px]
    """
    settings = settings or StripStemSettings()
    side = min(max(1, round(CELL_CM / cm_per_px)), _MOST_SIDE_PX)
    before = corner_px[0] % side, corner_px[1] % side
    hint, plain = (level(green) for green in (settings.green, max(PLAIN, settings.green)))
    h, w = rgb.shape[:2]
    # whole cells; of each pixel the low half byte counts hints, and the high one plain green
    found = np.zeros(tuple(-(-(n + b) // side) * side for n, b in ((h, before[1]), (w, before[0]))), np.uint8)
    own = found[before[1] : before[1] + h, before[0] : before[0] + w]
    cv2.LUT(codes(rgb), (table > hint) + np.uint8(16) * (table > plain), own)
    if shown is not None:
        own[~shown] = 0
    if settings.fewest_green_px > 1:
        alone = cv2.boxFilter(own & 1, -1, (3, 3), normalize=False) < settings.fewest_green_px
        own[alone] = 0
    # whole lines at a time: numpy sums along short axes slowly
    down = _summed([found[k::side] for k in range(side)])
    hints, plains = (_summed([half[:, k::side] for k in range(side)]) for half in (down & 15, down >> 4))
    return GreenCells(hints, plains, side, before, cm_per_px)


def _summed(parts: Sequence[np.ndarray]) -> np.ndarray:
    total = parts[0].copy()
    for part in parts[1:]:
        total += part
    return total
