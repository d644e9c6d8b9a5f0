"""Rectangles about the green of one tile of a strip: rows are long and thin, and a network's time goes by the pixel.

A tile is cut into slabs, across or down, and each slab into runs of busy squares. Which way, and how wide the slabs
are, is what costs least on this tile: broad ones where rows run along the picture, narrow ones where they run aslant.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

SQUARE_PX = 8
"""Side of the squares that are busy or not. [px]"""
MARGIN_SQUARES = 2
"""Looked at about each rectangle, so that the network sees whole plants. [squares]"""
START_SQUARES = 60
"""What one more look costs beside its pixels, half a millisecond. [squares]"""
SLABS = (12, 20, 32, 64, 128)
"""Widths of slabs that are tried. [squares]"""


@dataclass(frozen=True)
class Box:
    """A rectangle of squares, its end excluded."""

    top: int
    left: int
    bottom: int
    right: int

    @property
    def cost(self) -> int:
        """Squares that looking at it takes, margin and start included."""
        m = 2 * MARGIN_SQUARES
        return START_SQUARES + (self.bottom - self.top + m) * (self.right - self.left + m)


def boxes_about(busy: np.ndarray) -> list[Box]:
    """Rectangles that hold all busy squares, none in two of them.

    Parameters
    ----------
    busy : (h, w) bool
    """
    if not busy.any():
        return []
    best: list[Box] = []
    lowest = np.inf
    for turned in (False, True):
        grid = busy.T if turned else busy
        for width in SLABS:
            boxes = [box for left in range(0, grid.shape[1], width) for box in _runs(grid, left, width)]
            if (cost := sum(box.cost for box in boxes)) < lowest:
                lowest = cost
                best = [Box(b.left, b.top, b.right, b.bottom) for b in boxes] if turned else boxes
    return best


def _runs(grid: np.ndarray, left: int, width: int) -> list[Box]:
    """Runs of busy squares down one slab; runs so near that two looks cost more than one are joined."""
    slab = grid[:, left : left + width]
    edge = np.diff(slab.any(axis=1).astype(np.int8), prepend=0, append=0)
    boxes: list[Box] = []
    for top, bottom in zip(np.flatnonzero(edge == 1).tolist(), np.flatnonzero(edge == -1).tolist(), strict=True):
        columns = np.flatnonzero(slab[top:bottom].any(axis=0))
        box = Box(top, left + int(columns[0]), bottom, left + int(columns[-1]) + 1)
        if boxes:
            last = boxes[-1]
            both = Box(last.top, min(last.left, box.left), bottom, max(last.right, box.right))
            if both.cost <= last.cost + box.cost:
                boxes[-1] = both
                continue
        boxes.append(box)
    return boxes
