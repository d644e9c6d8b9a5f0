"""Sheets: pieces of ground drawn to scale from a photo, with the lean of upright things on them.

On a sheet every pixel is the same length of soil, so a network that looks at it has no scale to learn. What
perspective leaves behind is the *lean*: a thing standing h above the soil is drawn ``h * lean`` away from its foot,
outward from the point under the camera. It is given as two more channels.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np

from standcam.ground.map import GroundMap
from standcam.plants.view import View
from standcam.vegetation.segment import Vegetation


@dataclass(frozen=True)
class Frame:
    """Where a sheet lies on the ground. Its x axis runs along ``axis``, y to the right of it."""

    origin_cm: tuple[float, float]
    """Ground point of pixel (0, 0)."""
    axis: tuple[float, float]
    """Unit vector of the sheet's x axis on the ground."""
    cm_per_px: float
    width_px: int
    height_px: int

    @property
    def _basis(self) -> np.ndarray:
        a = np.asarray(self.axis)
        return np.array([a, [a[1], -a[0]]])

    def to_ground(self, points_px: np.ndarray) -> np.ndarray:
        """Sheet pixels to ground. (n, 2) [px] -> (n, 2) [cm]"""
        return np.asarray(self.origin_cm) + np.asarray(points_px, float) * self.cm_per_px @ self._basis

    def to_sheet(self, points_cm: np.ndarray) -> np.ndarray:
        """Ground to sheet pixels. (n, 2) [cm] -> (n, 2) [px]"""
        return (np.asarray(points_cm, float) - np.asarray(self.origin_cm)) @ self._basis.T / self.cm_per_px


@dataclass(frozen=True)
class Sheet:
    """A drawn piece of ground."""

    frame: Frame
    rgb: np.ndarray
    """uint8 (h, w, 3)"""
    lean: np.ndarray
    """Lean along the sheet's axes. float32 (h, w, 2) [cm/cm]"""
    seen: np.ndarray
    """Whether the photo shows this ground. bool (h, w)"""


def draw(frame: Frame, vegetation: Vegetation, ground: GroundMap, view: View) -> Sheet:
    """Draw a sheet from the working picture."""
    source = vegetation.smooth(frame.cm_per_px, ground)
    halved = round(np.log2(vegetation.rgb.shape[1] / source.shape[1]))  # an odd last pixel left out
    x, y = photo_places(frame, ground, vegetation.factor * 2**halved)
    rgb = cv2.remap(source, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=(128, 128, 128))
    seen = (x >= 0) & (y >= 0) & (x <= source.shape[1] - 1) & (y <= source.shape[0] - 1)
    foot = frame.to_sheet(np.array([view.foot_cm]))[0]
    per_height = frame.cm_per_px / view.height_cm
    lean = np.empty((frame.height_px, frame.width_px, 2), np.float32)
    lean[..., 0] = (np.arange(frame.width_px, dtype=np.float32) - foot[0]) * per_height
    lean[..., 1] = ((np.arange(frame.height_px, dtype=np.float32) - foot[1]) * per_height)[:, None]
    return Sheet(frame, rgb, lean, seen)


def photo_places(frame: Frame, ground: GroundMap, factor: float = 1) -> tuple[np.ndarray, np.ndarray]:
    """Photo pixel, x and y, of every sheet pixel: exact at nodes some 16 pixels apart, linear between. (h, w) [px]

    With a ``factor``, pixels of a copy of the photo that is reduced by it.

    Perspective and lens bend the grid by well under a tenth of a pixel between nodes.
    """
    return PhotoPlaces(frame, ground, factor).part(slice(0, frame.height_px), slice(0, frame.width_px))


class PhotoPlaces:
    """The same, of those sheet pixels that are asked for: plants stand on a few hundredths of most sheets.

    No matrix product: its last digits hang on how many threads the library of linear algebra uses, and then counts of
    one process and of several would differ.
    """

    def __init__(self, frame: Frame, ground: GroundMap, factor: float = 1) -> None:
        n_x, n_y = max(frame.width_px // 16, 2) + 1, max(frame.height_px // 16, 2) + 1
        at_x, at_y = np.linspace(0, frame.width_px - 1, n_x), np.linspace(0, frame.height_px - 1, n_y)
        nodes = np.stack(np.meshgrid(at_x, at_y), axis=-1).reshape(-1, 2)
        px = ground.to_pixels(frame.to_ground(nodes)).reshape(n_y, n_x, 2)
        px = (np.clip(np.nan_to_num(px, nan=-1e5), -1e5, 1e5) + 0.5) / factor - 0.5
        self._nodes = px.astype(np.float32)
        along, part_x = _between(frame.width_px, n_x)
        self._down, self._part_y = _between(frame.height_px, n_y)
        self._left, self._above = np.searchsorted(along, np.arange(n_x)), np.searchsorted(self._down, np.arange(n_y))
        self._lines: list[np.ndarray] = []
        for each in (np.ascontiguousarray(self._nodes[..., k]) for k in (0, 1)):
            lines = np.diff(each, axis=1).take(along, axis=1)  # unlike an index, leaves line after line in memory
            lines *= part_x
            lines += each.take(along, axis=1)
            self._lines.append(lines)
        self._steps = [np.diff(lines, axis=0) for lines in self._lines]

    def part(self, down: slice, across: slice) -> tuple[np.ndarray, np.ndarray]:
        """Photo pixel, x and y, of a rectangle of the sheet. (h, w) each [px]"""
        found = np.empty((2, down.stop - down.start, across.stop - across.start), np.float32)
        for k in range(self._down[down.start], self._down[down.stop - 1] + 1):
            # band by band, which stays in the processor's own memory
            begin, end = max(down.start, self._above[k]), min(down.stop, self._above[k + 1])
            for whole, lines, steps in zip(found, self._lines, self._steps, strict=True):
                band = whole[begin - down.start : end - down.start]
                np.multiply(self._part_y[begin:end, None], steps[k, across], out=band)
                band += lines[k, across]
        return found[0], found[1]

    def at(self, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Photo pixel, x and y, of single pixels of the sheet. (n,) each"""
        k = self._down[y]
        part = self._part_y[y]
        found = [part * steps[k, x] + lines[k, x] for lines, steps in zip(self._lines, self._steps, strict=True)]
        return found[0], found[1]

    def parts_near(self, held: np.ndarray, cell_px: int) -> Iterator[tuple[slice, slice]]:
        """Rectangles of the sheet, lines and columns, outside which nothing of what is held can show.

        Parameters
        ----------
        held : (h, w) bool
            Where something is, in squares of the copy of the photo.
        cell_px : int
            Side of these squares, in pixels of that copy.
        """
        sums = cv2.integral(held.view(np.uint8))
        corners = np.stack([self._nodes[:-1, :-1], self._nodes[:-1, 1:], self._nodes[1:, :-1], self._nodes[1:, 1:]])
        # linear steps between pixels reach one pixel farther
        low, high = (corners.min(axis=0) - 1) / cell_px, (corners.max(axis=0) + 1) / cell_px
        size = np.array(held.shape[::-1])
        (x0, y0), (x1, y1) = (
            np.moveaxis(np.clip(edge, 0, size).astype(int), -1, 0) for edge in (np.floor(low), np.floor(high) + 1)
        )
        busy = sums[y1, x1] - sums[y0, x1] - sums[y1, x0] + sums[y0, x0] > 0
        for k in np.flatnonzero(busy.any(axis=1)):
            columns = np.flatnonzero(busy[k])
            gaps = np.flatnonzero(np.diff(columns) > _WORTH_A_CUT)
            for first, last in zip(columns[np.r_[0, gaps + 1]], columns[np.r_[gaps, -1]], strict=True):
                yield slice(self._above[k], self._above[k + 1]), slice(self._left[first], self._left[last + 1])


_WORTH_A_CUT = 12
"""Node distances without anything that are left out; drawing these costs as much as one more rectangle."""


def _between(size: int, nodes: int) -> tuple[np.ndarray, np.ndarray]:
    """Of whole pixels, the node before each and the part of the way to the next. (size,), (size,) float32"""
    place = np.arange(size) * (nodes - 1) / max(size - 1, 1)
    low = np.minimum(place.astype(int), nodes - 2)
    return low, (place - low).astype(np.float32)
