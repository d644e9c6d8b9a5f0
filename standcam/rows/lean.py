"""Rows as a level: a board that does not lie flat makes rows that were drilled parallel run together on the map.

On a plane that leans by an angle along the rows, the scale drifts along them by ``tan(angle) / height`` of the camera,
and so does the distance of one row from the next. A lean across the rows leaves them parallel: nothing here tells it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

PARALLEL_DEG = 0.4
"""Rows of one pass are drilled parallel to within this, one standard deviation (chosen by us). [degrees]"""
LEAST_DEG, CLEAR = 3.0, 3.5
"""A lean is told from this angle on, and from so many standard errors. On 47 path-traced photos whose boards lie within
1.7 degrees of the soil, where it was 2.6 degrees or more it was less than 2 errors, and never more than 3.2 of them;
3 degrees make lengths wrong by some 2 %. [degrees], [1]"""
FEWEST, SHORTEST_CM = 4, 40.0
"""Fewer plants, or a shorter row, tell no direction. [1], [cm]"""
_LEAST_SCATTER_CM = 0.6
"""Plants of a row scatter about it by at least this: few that happen to stand in line tell no more than others. [cm]"""


@dataclass(frozen=True)
class Lean:
    """How far the plane of the map leans from the soil, along the rows."""

    angle_deg: float
    sd_deg: float

    @property
    def told(self) -> bool:
        """Whether it is more than chance and boards that lie as flat as soil allows."""
        return self.angle_deg >= LEAST_DEG and self.angle_deg >= CLEAR * self.sd_deg


def lean_along(rows: Sequence[np.ndarray], height_cm: float) -> Lean | None:
    """How far a map leans along its rows, from the way they run together.

    Parameters
    ----------
    rows : sequence of (n, 2) arrays
        Stems of each row. [cm]
    height_cm : float
        Height of the camera. [cm]

    Returns
    -------
    Lean or None
        None where fewer than two rows tell their direction.
    """
    rows = [points for points in rows if len(points) >= FEWEST]
    if len(rows) < 2 or not np.isfinite(height_cm):
        return None
    most = max(rows, key=len)
    along = np.linalg.svd(most - most.mean(axis=0), full_matrices=False)[2][0]
    across = np.array([-along[1], along[0]])
    told = [_slope(points @ along, points @ across) for points in rows if np.ptp(points @ along) >= SHORTEST_CM]
    if len(told) < 2:
        return None
    slope, sd, place = np.array(told).T
    weight = 1 / (sd**2 + np.deg2rad(PARALLEL_DEG) ** 2)
    place = place - np.average(place, weights=weight)
    spread = float((weight * place**2).sum())
    if spread <= 0:
        return None
    drift = float((weight * place * slope).sum()) / spread
    return Lean(float(np.degrees(np.arctan(abs(drift) * height_cm))), float(np.degrees(height_cm / np.sqrt(spread))))


def _slope(u: np.ndarray, v: np.ndarray) -> tuple[float, float, float]:
    """Slope of v over u, outliers bounded; its standard error; v at the middle."""
    u = u - u.mean()
    weight = np.ones(len(u))
    for _ in range(5):
        middle, at = np.average(v, weights=weight), np.average(u, weights=weight)
        slope = float((weight * (u - at) * (v - middle)).sum() / (weight * (u - at) ** 2).sum())
        off = v - middle - slope * (u - at)
        scale = max(1.4826 * float(np.median(np.abs(off))), _LEAST_SCATTER_CM)
        weight = 1 / (1 + (off / (2 * scale)) ** 2)
    scatter = np.sqrt((weight * off**2).sum() / max(weight.sum() - 2, 1.0))
    error = max(float(scatter), _LEAST_SCATTER_CM) / np.sqrt(float((weight * (u - at) ** 2).sum()))
    return slope, float(error), float(middle - slope * at)
