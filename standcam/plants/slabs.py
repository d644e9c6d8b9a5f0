"""Rectangles about green, where no rows show: a network's time goes by the pixel.

Busy squares are put into rectangles: a rectangle is cut in two, along or across, as long as that costs less.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

SQUARE_PX = 8
"""Side of the squares that are busy or not. [px]"""
MARGIN_SQUARES = 3
"""Looked at about each rectangle, so that the network sees whole plants. [squares]"""
START_SQUARES = 40
"""What one more look costs beside its pixels, half a millisecond. [squares]"""


@dataclass(frozen=True)
class Box:
    """A rectangle of squares, its end excluded."""

    top: int
    left: int
    bottom: int
    right: int

    def cost(self, margin: int = MARGIN_SQUARES) -> int:
        """Squares that looking at it takes, margin and start included."""
        return START_SQUARES + (self.bottom - self.top + 2 * margin) * (self.right - self.left + 2 * margin)


def boxes_about(busy: np.ndarray, margin: int = MARGIN_SQUARES) -> list[Box]:
    """Rectangles that hold all busy squares, none in two of them.

    Parameters
    ----------
    busy : (h, w) bool
    margin : int
        Looked at about each rectangle. [squares]
    """
    done: list[Box] = []
    h, w = busy.shape
    open_ones = [box for box in (_tight(busy, Box(0, 0, h, w)),) if box is not None]
    while open_ones:
        box = open_ones.pop()
        cut = _cheapest_cut(busy[box.top : box.bottom, box.left : box.right], box.cost(margin), margin)
        if cut is None:
            done.append(box)
            continue
        across, at = cut
        if across:
            halves = Box(box.top, box.left, box.top + at, box.right), Box(box.top + at, box.left, box.bottom, box.right)
        else:
            halves = (
                Box(box.top, box.left, box.bottom, box.left + at),
                Box(box.top, box.left + at, box.bottom, box.right),
            )
        open_ones += [half for half in map(lambda part: _tight(busy, part), halves) if half is not None]
    return done


def _tight(busy: np.ndarray, box: Box) -> Box | None:
    """The rectangle without empty rows and columns at its sides; None where nothing is busy."""
    part = busy[box.top : box.bottom, box.left : box.right]
    rows, columns = np.flatnonzero(part.any(axis=1)), np.flatnonzero(part.any(axis=0))
    if not len(rows):
        return None
    return Box(
        box.top + int(rows[0]), box.left + int(columns[0]), box.top + int(rows[-1]) + 1, box.left + int(columns[-1]) + 1
    )


def _cheapest_cut(part: np.ndarray, whole: int, margin: int) -> tuple[bool, int] | None:
    """Where to cut a tight rectangle into two tight ones that cost less than ``whole``: across or not, and where."""
    best, found = whole, None
    for across in (True, False):
        grid = part if across else part.T
        n, m = grid.shape
        if n < 2:
            continue
        line = grid.any(axis=1)
        first = np.where(line, grid.argmax(axis=1), m)
        last = np.where(line, m - grid[:, ::-1].argmax(axis=1), 0)
        number = np.arange(n)
        # extents of what lies before each cut, and behind it
        end = np.maximum.accumulate(np.where(line, number + 1, 0))[:-1]
        wide = (np.maximum.accumulate(last) - np.minimum.accumulate(first))[:-1]
        begin = np.minimum.accumulate(np.where(line, number, n)[::-1])[::-1][1:]
        wide_behind = (np.maximum.accumulate(last[::-1]) - np.minimum.accumulate(first[::-1]))[::-1][1:]
        m2 = 2 * margin
        cost = 2 * START_SQUARES + (end + m2) * (wide + m2) + (n - begin + m2) * (wide_behind + m2)
        at = int(cost.argmin())
        if cost[at] < best:
            best, found = int(cost[at]), (across, at + 1)
    return found
