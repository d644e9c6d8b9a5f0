"""Sheets: pieces of ground drawn to scale from a photo, with the lean of upright things on them.

On a sheet every pixel is the same length of soil, so a network that looks at it has no scale to learn. What
perspective leaves behind is the *lean*: a thing standing h above the soil is drawn ``h * lean`` away from its foot,
outward from the point under the camera. It is given as two more channels.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

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
    rgb = cv2.remap(
        source, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=(128, 128, 128)
    )
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
    n_x, n_y = max(frame.width_px // 16, 2) + 1, max(frame.height_px // 16, 2) + 1
    at_x, at_y = np.linspace(0, frame.width_px - 1, n_x), np.linspace(0, frame.height_px - 1, n_y)
    nodes = np.stack(np.meshgrid(at_x, at_y), axis=-1).reshape(-1, 2)
    px = ground.to_pixels(frame.to_ground(nodes)).reshape(n_y, n_x, 2)
    px = (np.clip(np.nan_to_num(px, nan=-1e5), -1e5, 1e5) + 0.5) / factor - 0.5
    px = px.astype(np.float32)
    # no matrix product: its last digits hang on how many threads the library of linear algebra uses, and then counts of
    # one process and of several would differ
    along, part_x = _between(frame.width_px, n_x)
    down, part_y = _between(frame.height_px, n_y)
    ends = np.searchsorted(down, np.arange(n_y))
    found = np.empty((2, frame.height_px, frame.width_px), np.float32)
    for whole, each in zip(found, (np.ascontiguousarray(px[..., k]) for k in (0, 1)), strict=True):
        lines = np.diff(each, axis=1).take(along, axis=1)  # unlike an index, leaves line after line in memory
        lines *= part_x
        lines += each.take(along, axis=1)
        step = np.diff(lines, axis=0)
        for k, (begin, end) in enumerate(pairwise(ends)):  # band by band, which stays in the processor's own memory
            band = whole[begin:end]
            np.multiply(part_y[begin:end, None], step[k], out=band)
            band += lines[k]
    return found[0], found[1]


def _between(size: int, nodes: int) -> tuple[np.ndarray, np.ndarray]:
    """Of whole pixels, the node before each and the part of the way to the next. (size,), (size,) float32"""
    place = np.arange(size) * (nodes - 1) / max(size - 1, 1)
    low = np.minimum(place.astype(int), nodes - 2)
    return low, (place - low).astype(np.float32)
