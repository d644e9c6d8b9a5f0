"""Frames of a flight with their places on the ground, and which of them each piece of ground belongs to."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from standcam.ground.map import GroundMap


@dataclass(frozen=True)
class PlacedFrame:
    """One frame on the common ground."""

    path: Path
    ground: GroundMap
    """In the ground frame of the flight; ``camera_cm`` tells where it was taken from."""
    laid_on: int
    """Frames that it was laid on by common points; 0: its place is the noted one."""

    @property
    def nadir_cm(self) -> tuple[float, float]:
        """The point under the camera. [cm]"""
        assert self.ground.camera_cm is not None
        return self.ground.camera_cm[:2]

    @property
    def height_cm(self) -> float:
        """Of the camera above the soil. [cm]"""
        assert self.ground.camera_cm is not None
        return self.ground.camera_cm[2]


@dataclass(frozen=True)
class Seam:
    """Two frames that show the same ground."""

    first: int
    """Index of a frame."""
    second: int
    matches: int
    residual_mm: float
    """Root mean square distance on the ground of common points that took part in the adjustment. [mm]"""
    check_mm: float
    """The same of those held back from it: the error to expect at the seam. [mm]"""


@dataclass(frozen=True)
class Problem:
    """A frame that could not be used."""

    path: Path
    reason: str
    remedy: str


@dataclass(frozen=True)
class Frames:
    """A flight: frames in one ground frame (cm, x east, y north where positions were noted)."""

    frames: tuple[PlacedFrame, ...]
    origin_m: tuple[float, float]
    """Easting and northing of the ground frame's zero. [m]"""
    crs_wkt: str
    """Map projection; "" where nothing tells the place on earth."""
    crs_name: str
    seams: tuple[Seam, ...]
    problems: tuple[Problem, ...] = ()
    notes: tuple[str, ...] = ()
    k1: float = 0.0
    """Radial distortion estimated from the overlaps. [1]"""

    @property
    def residual_mm(self) -> float:
        """Root mean square of the seams' check; NaN without seams. [mm]"""
        squares = [seam.check_mm**2 for seam in self.seams if np.isfinite(seam.check_mm)]
        return float(np.sqrt(np.mean(squares))) if squares else float("nan")

    def to_map(self, points_cm: np.ndarray) -> np.ndarray:
        """Ground to easting and northing. (n, 2) [cm] -> (n, 2) [m]"""
        return np.asarray(points_cm, float).reshape(-1, 2) / 100 + self.origin_m

    def owner_of(self, points_cm: np.ndarray, margin_px: float = 0.0) -> np.ndarray:
        """Index of the frame that each place belongs to; -1 where no frame shows it.

        That is the frame whose camera stood nearest among those that show the place: it sees it least aslant. So no
        place belongs to two.

        Parameters
        ----------
        points_cm : ndarray
            (n, 2) [cm]
        margin_px : float
            Places nearer than this to a frame's edge do not count as shown. [px]
        """
        points = np.asarray(points_cm, float).reshape(-1, 2)
        best, owner = np.full(len(points), np.inf), np.full(len(points), -1)
        for k, frame in enumerate(self.frames):
            distance = np.hypot(*(points - frame.nadir_cm).T)
            near = np.flatnonzero(distance < best)
            seen = near[_shows(frame.ground, points[near], margin_px)]
            best[seen], owner[seen] = distance[seen], k
        return owner

    def count_once(self, frame: np.ndarray, points_cm: np.ndarray, tolerance_cm: float) -> np.ndarray:
        """Which finds of all frames to keep, so that each plant counts once.

        A find is kept where its place belongs to its frame. At a seam two frames see a plant a little apart, and each
        may find it on the other's ground, or both on their own: finds of two frames that are each other's nearest
        within ``tolerance_cm`` are one plant, kept from the frame that owns the place between them.

        Parameters
        ----------
        frame : ndarray
            Index of the frame of each find. (n,)
        points_cm : ndarray
            (n, 2) [cm]
        tolerance_cm : float
            Below half the distance of neighbouring plants, above the error at seams. [cm]

        Returns
        -------
        ndarray
            bool (n,)
        """
        from scipy.spatial import cKDTree

        frame = np.asarray(frame, int)
        points = np.asarray(points_cm, float).reshape(-1, 2)
        owner = self.owner_of(points)
        keep = owner == frame
        near_seam = [np.flatnonzero((frame == k) & self._by_the_seam(points, k, tolerance_cm)) for k in self.indices]
        trees = [cKDTree(points[which]) if len(which) else None for which in near_seam]
        for a in self.indices:
            for b in self.indices[a + 1 :]:
                tree_a, tree_b = trees[a], trees[b]
                if tree_a is None or tree_b is None:
                    continue
                far, to = tree_b.query(points[near_seam[a]], distance_upper_bound=tolerance_cm)
                _, back = tree_a.query(points[near_seam[b]], distance_upper_bound=tolerance_cm)
                for i in np.flatnonzero(np.isfinite(far)):
                    if back[to[i]] != i:
                        continue
                    one, two = near_seam[a][i], near_seam[b][to[i]]
                    if {int(owner[one]), int(owner[two])} <= {a, b}:  # a third frame's ground is settled with that one
                        middle = int(self.owner_of((points[[one]] + points[[two]]) / 2)[0])
                        keep[one], keep[two] = middle != b, middle == b
        return keep

    @property
    def indices(self) -> Sequence[int]:
        """Of the frames, from 0."""
        return range(len(self.frames))

    def _by_the_seam(self, points: np.ndarray, k: int, reach_cm: float) -> np.ndarray:
        """Whether places belong to frame k, or would if they lay some centimetres aside. (n,)"""
        found = np.zeros(len(points), bool)
        for aside in reach_cm * np.array([[0, 0], [1, 0], [-1, 0], [0, 1], [0, -1]]):
            found |= self.owner_of(points + aside) == k
        return found


def _shows(ground: GroundMap, points_cm: np.ndarray, margin_px: float) -> np.ndarray:
    px = ground.to_pixels(points_cm)
    low, high = -0.5 + margin_px, np.array([ground.width_px, ground.height_px]) - 0.5 - margin_px
    with np.errstate(invalid="ignore"):
        return np.asarray(((px >= low) & (px < high)).all(axis=1))
