"""Triangles to pixels: which triangle each sample shows, where on it, and how much of each plant is hidden.

Painter's order: triangles are small (a few mm), so filling them from the farthest to the nearest settles
occlusion. Samples lie ``SUPER`` times denser than pixels.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

SUPER = 2
"""Samples a pixel, each way."""
NOTHING = -1000.0
"""Height where nothing is. [mm]"""
_SHIFT = 4


@dataclass(frozen=True)
class Samples:
    """The samples that show a triangle."""

    index: np.ndarray
    """Triangle each sample of the picture shows, -1 for soil. (H SUPER, W SUPER)"""
    row: np.ndarray
    column: np.ndarray
    """Samples with a triangle. (n,)"""
    triangle: np.ndarray
    """(n,)"""
    weight: np.ndarray
    """Barycentric coordinates on it. (n, 3)"""

    def interpolate(self, values: np.ndarray) -> np.ndarray:
        """Values at triangle corners, (triangles, 3, k), at the samples. (n, k)"""
        corner = values[self.triangle]
        w = self.weight
        return corner[:, 0] * w[:, :1] + corner[:, 1] * w[:, 1:2] + corner[:, 2] * w[:, 2:]


def to_samples(points_px: np.ndarray) -> np.ndarray:
    """Pixel coordinates to sample coordinates; both have centres at integers."""
    return (points_px + 0.5) * SUPER - 0.5


def _fixed(points: np.ndarray) -> np.ndarray:
    return np.round(points * (1 << _SHIFT)).astype(np.int32)


def fill(corners_px: np.ndarray, order: np.ndarray, width_px: int, height_px: int) -> Samples:
    """Fill triangles in the given order, later ones over earlier ones.

    Parameters
    ----------
    corners_px : (n, 3, 2) [px]
        NaN for triangles out of sight.
    order : (m,)
        Triangles to fill, farthest first.
    """
    index = np.full((height_px * SUPER, width_px * SUPER), -1, np.int32)
    points = to_samples(corners_px)
    with np.errstate(invalid="ignore"):
        low, high = points.min(1), points.max(1)
        inside = (high >= -1).all(1) & (low[:, 0] <= index.shape[1]) & (low[:, 1] <= index.shape[0])
        inside &= (high - low < 4 * max(index.shape)).all(1)
    inside &= np.isfinite(points).all((1, 2))
    fixed = _fixed(np.where(inside[:, None, None], points, 0))
    for i in order[inside[order]].tolist():
        cv2.fillConvexPoly(index, fixed[i], i, shift=_SHIFT)
    row, column = np.nonzero(index >= 0)
    triangle = index[row, column]
    return Samples(index, row, column, triangle, _barycentric(points[triangle], np.c_[column, row]))


def _barycentric(corners: np.ndarray, at: np.ndarray) -> np.ndarray:
    a, ab, ac = corners[:, 0], corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    p = at - a
    det = ab[:, 0] * ac[:, 1] - ab[:, 1] * ac[:, 0]
    det = np.where(np.abs(det) < 1e-9, 1e-9, det)
    v = (p[:, 0] * ac[:, 1] - p[:, 1] * ac[:, 0]) / det
    w = (ab[:, 0] * p[:, 1] - ab[:, 1] * p[:, 0]) / det
    # filled edges reach half a sample over the triangle: stay on it
    weight = np.clip(np.stack([1 - v - w, v, w], axis=1), 0, 1)
    return (weight / weight.sum(1, keepdims=True)).astype(np.float32)


def silhouette_px(corners_px: np.ndarray) -> float:
    """Area of the union of triangles, whatever hides or cuts them. (n, 3, 2) [px] -> [px²]"""
    points = to_samples(corners_px[np.isfinite(corners_px).all((1, 2))])
    if not len(points):
        return 0.0
    low = np.floor(points.min((0, 1))) - 2
    size = np.ceil(points.max((0, 1)) - low).astype(int) + 3
    if (size > 20000).any():
        return float("nan")
    mask = np.zeros((size[1], size[0]), np.uint8)
    for triangle in _fixed(points - low):
        cv2.fillConvexPoly(mask, triangle, 1, shift=_SHIFT)
    return cv2.countNonZero(mask) / SUPER**2


def fill_heights(corners_cells: np.ndarray, height: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
    """Greatest height over each cell of a ground grid, else ``NOTHING``. (n, 3, 2), (n,) -> shape"""
    top = np.full(shape, NOTHING, np.float32)
    low, high = corners_cells.min(1), corners_cells.max(1)
    inside = (high >= 0).all(1) & (low[:, 0] < shape[1]) & (low[:, 1] < shape[0])
    fixed = _fixed(corners_cells)
    order = np.argsort(height, kind="stable")
    for i in order[inside[order]].tolist():
        cv2.fillConvexPoly(top, fixed[i], float(height[i]), shift=_SHIFT)
    return top
