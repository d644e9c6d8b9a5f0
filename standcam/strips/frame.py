"""From the ground frame of a strip to the map and back, where the two differ by shift and scale only."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np


class Frame(Protocol):
    """What ties ground and map; whoever opens a mosaic gives one."""

    def to_map(self, points_cm: np.ndarray) -> np.ndarray:
        """Ground to map. (n, 2) [cm] -> (n, 2) [m]"""

    def to_ground(self, points_m: np.ndarray) -> np.ndarray:
        """Map to ground. (n, 2) [m] -> (n, 2) [cm]"""


@dataclass(frozen=True)
class LocalFrame:
    """Ground axes along easting and northing; the origin keeps coordinates of millions of metres out of the sums."""

    origin_m: tuple[float, float] = (0.0, 0.0)
    """Easting and northing of the ground frame's zero. [m]"""
    cm_per_m: float = 100.0
    """Ground for a metre of the map: 100 unless the map's projection stretches, as Mercator's does far from the
    equator. [cm]"""

    def to_map(self, points_cm: np.ndarray) -> np.ndarray:
        """Ground to map. (n, 2) [cm] -> (n, 2) [m]"""
        return np.asarray(points_cm, float).reshape(-1, 2) / self.cm_per_m + self.origin_m

    def to_ground(self, points_m: np.ndarray) -> np.ndarray:
        """Map to ground. (n, 2) [m] -> (n, 2) [cm]"""
        return (np.asarray(points_m, float).reshape(-1, 2) - self.origin_m) * self.cm_per_m
