"""A camera that looks straight down from infinitely far, as a mosaic of many frames does.

World: X along the rows, Y to their left, Z up, mm; the picture's middle shows ``middle_mm``. ``heading`` turns X from
the picture's right counterclockwise, so that a map with north up shows rows that run so from east to north.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from standcam.synthetic.ground_grid import Grid


@dataclass(frozen=True)
class OrthoCamera:
    """How the world maps to the pixels of a strip; the height of a point changes nothing."""

    middle_mm: np.ndarray
    """World point in the middle of the picture. (2,)"""
    heading: float
    """[rad]"""
    mm_per_px: float
    width_px: int
    height_px: int

    @property
    def centre_px(self) -> np.ndarray:
        """The picture's middle, pixel centres at integers. (2,)"""
        return np.array([(self.width_px - 1) / 2, (self.height_px - 1) / 2])

    def part(self, x0: int, y0: int, width_px: int, height_px: int, finer: int = 1) -> OrthoCamera:
        """The camera of a window of the picture, ``finer`` pixels for one each way."""
        corner = np.array([x0 - 0.5, y0 - 0.5])
        middle = self.to_plane((corner + np.array([width_px, height_px]) / 2)[None])[0]
        return OrthoCamera(middle, self.heading, self.mm_per_px / finer, width_px * finer, height_px * finer)

    def project(self, points_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Pixels of world points, and how far below the plane of the soil they lie (higher ones are nearer).

        (..., 3) [mm] -> (..., 2) [px], (...) [mm]
        """
        points = np.asarray(points_mm, float)
        east, north = self._turned(points[..., 0] - self.middle_mm[0], points[..., 1] - self.middle_mm[1])
        px = np.stack([east, -north], axis=-1) / self.mm_per_px + self.centre_px
        return px, -points[..., 2]

    def to_plane(self, points_px: np.ndarray, z_mm: float = 0.0) -> np.ndarray:
        """World points that pixels show. (n, 2) [px] -> (n, 2) [mm]"""
        away = (np.asarray(points_px, float).reshape(-1, 2) - self.centre_px) * self.mm_per_px
        c, s = np.cos(self.heading), np.sin(self.heading)
        east, north = away[:, 0], -away[:, 1]
        return self.middle_mm + np.c_[c * east + s * north, c * north - s * east]

    def towards(self, points_mm: np.ndarray) -> np.ndarray:
        """Unit vectors from points to the camera: straight up. (n, 3) -> (n, 3)"""
        return np.broadcast_to(np.array([0.0, 0.0, 1.0]), points_mm.shape)

    def footprint(self) -> np.ndarray:
        """Corners of the ground seen. (4, 2) [mm]"""
        w, h = self.width_px - 0.5, self.height_px - 0.5
        return self.to_plane(np.array([[-0.5, -0.5], [w, -0.5], [w, h], [-0.5, h]]))

    def look_at(self, picture: np.ndarray, grid: Grid) -> np.ndarray:
        """A picture of the ground as this camera sees it. (rows, columns, ...) -> (H, W, ...)"""
        corners = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]])
        origin, right, down = grid.cells(self.to_plane(corners))
        to_cells = np.stack([right - origin, down - origin, origin], axis=1)
        return cv2.warpAffine(
            picture,
            to_cells,
            (self.width_px, self.height_px),
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REPLICATE,
        )

    def _turned(self, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        c, s = np.cos(self.heading), np.sin(self.heading)
        return c * x - s * y, s * x + c * y
