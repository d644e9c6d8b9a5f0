"""Areas of a photo worth looking at: rectangles about its green, for a network's time is paid by the pixel.

Seedlings cover a few hundredths of a photo and rows a third of it. Stems stand near green, so only that ground is
drawn and looked at, with a margin that lets the network see what lies around.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import cv2
import numpy as np

from standcam.plants.heat import GRANULE_PX
from standcam.plants.sheet import Frame

TILE_PX = GRANULE_PX
"""Areas are made of squares of so many sheet pixels. [px]"""
MARGIN_TILES = 6
"""Drawn about each area, some 10 cm, so that the network sees a whole plant and its neighbour; with 7 cm, one stem in a
hundred was lost."""
START_TILES = 40
"""What one more look costs beside its pixels, in tiles: a few milliseconds."""

Box = tuple[int, int, int, int]
"""Top, left, bottom, right, the last two excluded. [tiles]"""


@dataclass(frozen=True)
class Area:
    """A piece of a larger sheet: what is drawn, and the part of it whose stems count."""

    frame: Frame
    left_px: int
    top_px: int
    right_px: int
    bottom_px: int

    def holds(self, xy_px: np.ndarray) -> np.ndarray:
        """Which pixels of its frame lie in the part that counts. (n, 2) -> (n,) bool"""
        x, y = np.asarray(xy_px, float).reshape(-1, 2).T + 0.5
        return (x >= self.left_px) & (x < self.right_px) & (y >= self.top_px) & (y < self.bottom_px)


def busy_areas(frame: Frame, green_cm: np.ndarray, reach_cm: float) -> list[Area]:
    """Rectangles of a sheet that hold all ground within ``reach_cm`` of green; they do not overlap but in margins.

    Parameters
    ----------
    frame : Frame
        The whole sheet, a multiple of TILE_PX in both sizes.
    green_cm : (n, 2) array
        Where green stands. [cm]
    reach_cm : float
        How far from green a stem may be. [cm]
    """
    tiles = np.zeros((frame.height_px // TILE_PX, frame.width_px // TILE_PX), np.uint8)
    at = np.nan_to_num((frame.to_sheet(green_cm) + 0.5) / TILE_PX, nan=-1e6)
    reach = int(np.ceil(reach_cm / (frame.cm_per_px * TILE_PX)))
    at = np.floor(at[((at > -reach) & (at < np.array(tiles.shape[::-1]) + reach)).all(axis=1)]).astype(int)
    # green just outside the sheet still reaches into it
    wide = np.pad(tiles, reach)
    wide[at[:, 1] + reach, at[:, 0] + reach] = 1
    near = cv2.dilate(wide, np.ones((2 * reach + 1, 2 * reach + 1), np.uint8))
    h, w = tiles.shape
    return [_area(box, frame, (h, w)) for box in boxes_of(near[reach : reach + h, reach : reach + w] > 0)]


def boxes_of(busy: np.ndarray) -> Iterator[Box]:
    """Rectangles that cover all busy tiles for little cost: cut in two wherever that saves, again and again.

    Parameters
    ----------
    busy : (h, w) bool
    """
    box = _bounds(busy)
    if box is None:
        return
    waiting = [box]
    while waiting:
        box = waiting.pop()
        parts = _cut(busy, box)
        if parts:
            waiting += parts
        else:
            yield box


def _bounds(busy: np.ndarray, top: int = 0, left: int = 0) -> Box | None:
    rows, columns = np.flatnonzero(busy.any(axis=1)), np.flatnonzero(busy.any(axis=0))
    if not len(rows):
        return None
    return int(top + rows[0]), int(left + columns[0]), int(top + rows[-1] + 1), int(left + columns[-1] + 1)


def _cost(height, width):
    """What a box costs, in tiles; numbers or arrays."""
    return START_TILES + (height + 2 * MARGIN_TILES) * (width + 2 * MARGIN_TILES)


def _cut(busy: np.ndarray, box: Box) -> list[Box]:
    """The two parts of the cheapest cut; empty when none is cheaper than the whole."""
    top, left, bottom, right = box
    inside = busy[top:bottom, left:right]
    lowest, halves = _cost(bottom - top, right - left), []
    for lying, cells in ((True, inside), (False, inside.T)):
        above, below = _growing(cells), _growing(cells[::-1])[:, ::-1]
        cost = _cost(*above[:, :-1]) + _cost(*below[:, 1:])
        if len(cost) and cost.min() < lowest:
            lowest, at = cost.min(), int(cost.argmin()) + 1
            if lying:
                halves = [(top, left, top + at, right), (top + at, left, bottom, right)]
            else:
                halves = [(top, left, bottom, left + at), (top, left + at, bottom, right)]
    parts = (_bounds(busy[t:b, m:e], t, m) for t, m, b, e in halves)
    return [part for part in parts if part is not None]


def _growing(cells: np.ndarray) -> np.ndarray:
    """Height and width of the busy part of the first line, the first two, and so on. The first line is busy. (2, n)"""
    n, w = cells.shape
    held = cells.any(axis=1)
    first = np.minimum.accumulate(np.where(held, cells.argmax(axis=1), w))
    last = np.maximum.accumulate(np.where(held, w - 1 - cells[:, ::-1].argmax(axis=1), -1))
    return np.stack([np.maximum.accumulate(np.where(held, np.arange(1, n + 1), 0)), last - first + 1])


def _area(box: Box, frame: Frame, tiles: tuple[int, int]) -> Area:
    top, left, bottom, right = box
    y0, x0 = max(top - MARGIN_TILES, 0), max(left - MARGIN_TILES, 0)
    y1, x1 = min(bottom + MARGIN_TILES, tiles[0]), min(right + MARGIN_TILES, tiles[1])
    x, y = frame.to_ground(np.array([[x0 * TILE_PX, y0 * TILE_PX]]))[0]
    return Area(
        replace(frame, origin_cm=(x, y), width_px=(x1 - x0) * TILE_PX, height_px=(y1 - y0) * TILE_PX),
        (left - x0) * TILE_PX,
        (top - y0) * TILE_PX,
        (right - x0) * TILE_PX,
        (bottom - y0) * TILE_PX,
    )
