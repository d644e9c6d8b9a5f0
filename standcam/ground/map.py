"""The ground map of a photo: which centimetre of soil each pixel shows, and where the camera was.

Ground frame: right-handed, in cm on the soil plane, z up. Its origin and heading are whatever the calibration
found handy (the board's centre, the stick's end); rows give positions their own direction later.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from standcam.errors import NoScale
from standcam.ground.lens import LensProfile

Outline = tuple[tuple[float, float], ...]
"""Corners of a polygon in the photo. [px]"""


@dataclass(frozen=True)
class GroundMap:
    """Plane map between the upright photo and the ground."""

    ground_from_px: np.ndarray
    """Homography from undistorted pixels to ground. (3, 3)"""
    width_px: int
    height_px: int
    method: str
    """Name of the calibration method that made it; "none" when nothing in the photo gave a scale."""
    residual_mm: float = float("nan")
    """Root mean square misfit of the scale marks on the ground. [mm]"""
    mark_px: tuple[float, float] | None = None
    """Middle of the scale mark in the photo; the scale is surest there. [px]"""
    scale_error_pct_per_m: float = float("nan")
    """How fast the relative scale error grows with distance from the mark. [% per m]"""
    camera_cm: tuple[float, float, float] | None = None
    """Place of the camera in the ground frame, height above soil last; None when unknown. [cm]"""
    lens: LensProfile | None = None
    flags: int = 0
    notes: tuple[str, ...] = ()
    """In words: the method taken, and why the others did not serve."""
    marks_px: tuple[tuple[tuple[float, float], ...], ...] = ()
    """Outlines of the marks as found (marker corners, stick ends), for the marked photo. [px]"""
    mark_names: tuple[str, ...] = ()
    """What each of ``marks_px`` is called (marker ids); empty where they have no names."""
    mark_hull_px: tuple[tuple[float, float], ...] = ()
    """Outline of the whole board or stick, which hides soil and is no plant. [px]"""
    more_hulls_px: tuple[Outline, ...] = ()
    """Outlines of further boards. [px]"""

    @property
    def has_scale(self) -> bool:
        """False when centimetres are only assumed for inner use and must not be reported."""
        return self.method != "none"

    @property
    def hulls_px(self) -> tuple[Outline, ...]:
        """Outlines of all scale marks: what lies inside is no plant. [px]"""
        return ((self.mark_hull_px,) if self.mark_hull_px else ()) + self.more_hulls_px

    @property
    def middle_px(self) -> np.ndarray:
        """Middle of the picture. (1, 2) [px]"""
        return np.array([[(self.width_px - 1) / 2, (self.height_px - 1) / 2]])

    def to_ground(self, points_px: np.ndarray) -> np.ndarray:
        """Ground coordinates of pixels. (n, 2) [px] -> (n, 2) [cm]; NaN at and beyond the horizon."""
        points = np.asarray(points_px, float).reshape(-1, 2)
        if self.lens is not None:
            points = self.lens.undistort(points, self.width_px, self.height_px)
        return _project(self.ground_from_px, points, self._sign)

    def to_pixels(self, points_cm: np.ndarray) -> np.ndarray:
        """Pixels of ground points. (n, 2) [cm] -> (n, 2) [px]; NaN behind the camera."""
        points = np.asarray(points_cm, float).reshape(-1, 2)
        # of inverse homographies the denominators are inverse too, so their sign is the same
        pixels = _project(self._px_from_ground, points, self._sign)
        if self.lens is not None:
            pixels = self.lens.distort(pixels, self.width_px, self.height_px)
        return pixels

    def cm_per_px(self, points_px: np.ndarray) -> np.ndarray:
        """Ground length of a pixel at places of the photo: root of the area ratio. (n, 2) [px] -> (n,) [cm/px]"""
        jacobian = self.jacobian(points_px)
        with np.errstate(invalid="ignore"):
            return np.sqrt(np.abs(np.linalg.det(jacobian)))

    def jacobian(self, points_px: np.ndarray) -> np.ndarray:
        """Change of ground with pixel, by central differences of half a pixel. (n, 2) [px] -> (n, 2, 2) [cm/px]"""
        points = np.asarray(points_px, float).reshape(-1, 2)
        n = len(points)
        step = np.array([[0.5, 0], [-0.5, 0], [0, 0.5], [0, -0.5]])
        ground = self.to_ground((points[:, None] + step).reshape(-1, 2)).reshape(n, 4, 2)
        return np.stack([ground[:, 0] - ground[:, 1], ground[:, 2] - ground[:, 3]], axis=2)

    def foot_of(self, points_cm: np.ndarray, height_cm: np.ndarray | float) -> np.ndarray:
        """Ground points under things that stand ``height_cm`` up and are seen as if at ``points_cm``.

        A point at height h above the soil is seen against the soil further from the camera's foot: its place is
        ``foot + (seen - foot) (H - h) / H`` for a camera at height H. Unknown camera: points come back unchanged.
        (n, 2) [cm], [cm] -> (n, 2) [cm]
        """
        points = np.asarray(points_cm, float).reshape(-1, 2)
        if self.camera_cm is None:
            return points.copy()
        x, y, z = self.camera_cm
        shrink = 1 - np.asarray(height_cm, float).reshape(-1, 1) / z
        return np.array([x, y]) + (points - [x, y]) * shrink

    @cached_property
    def _px_from_ground(self) -> np.ndarray:
        return np.linalg.inv(self.ground_from_px)

    @cached_property
    def _sign(self) -> float:
        """Sign of the homography's denominator at the picture's middle: elsewhere the other sign is sky."""
        return float(np.sign(self.ground_from_px[2] @ [*self.middle_px[0], 1.0]))


def _project(H: np.ndarray, points: np.ndarray, sign: float) -> np.ndarray:
    homogeneous = np.ones((len(points), 3))
    homogeneous[:, :2] = points
    homogeneous = homogeneous @ H.T
    w = homogeneous[:, 2:]
    bad = np.abs(w) < 1e-12
    if sign:
        bad |= w * sign <= 0
    return np.where(bad, np.nan, homogeneous[:, :2] / np.where(bad, 1.0, w))


def camera_place(ground_from_px: np.ndarray, K: np.ndarray) -> tuple[float, float, float]:
    """Camera centre in the ground frame from a plane homography and the camera matrix. [cm]

    The inverse homography is ``K [r1 r2 t]`` up to scale (Zhang 2000, IEEE TPAMI 22:1330-1334, section 2.2).
    Heights are given positive whichever hand the frame has.

    Raises
    ------
    NoScale
        The homography fits no camera (points on one line).
    """
    B = np.linalg.inv(K) @ np.linalg.inv(ground_from_px)
    scale = 2 / (np.linalg.norm(B[:, 0]) + np.linalg.norm(B[:, 1]))
    if not np.isfinite(scale):
        raise NoScale("The scale marks fit no camera.", "Photograph the whole board, from closer.")
    r1, r2, t = (B * scale).T
    r3 = np.cross(r1, r2)
    U, _, Vt = np.linalg.svd(np.c_[r1, r2, r3])
    R = U @ Vt
    centre = -R.T @ t
    return float(centre[0]), float(centre[1]), float(abs(centre[2]))


def uniform_map(cm_per_px: float, width_px: int, height_px: int, method: str, **fields: object) -> GroundMap:
    """One scale for the whole picture: a camera looking straight down, its foot at the picture's middle.

    The ground frame has its origin under the picture's middle, x to the right and y up, so that it is
    right-handed.
    """
    cx, cy = (width_px - 1) / 2, (height_px - 1) / 2
    H = np.array([[cm_per_px, 0, -cx * cm_per_px], [0, -cm_per_px, cy * cm_per_px], [0, 0, 1.0]])
    return GroundMap(H, width_px, height_px, method, **fields)  # type: ignore[arg-type]
