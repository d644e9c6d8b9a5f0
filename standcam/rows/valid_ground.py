"""Ground that a strip shows: inside its outline, off its nodata."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

Extent = Callable[[np.ndarray], np.ndarray] | np.ndarray | Sequence[np.ndarray] | None
"""A function of points (n, 2) [cm] that tells which are valid, a ring (k, 2) [cm], several rings (a point is valid
where it lies within an odd number of them, so inner rings are holes), or None: nothing is known of borders."""

_AT_ONCE = 4_000_000
"""Pairs of point and edge looked at together, which bounds memory."""


def valid_ground(extent: Extent) -> Callable[[np.ndarray], np.ndarray] | None:
    """The extent as a function of points; None where no borders are known.

    Raises
    ------
    ValueError
        A ring that is none.
    """
    if extent is None:
        return None
    if callable(extent):
        asked = extent
        return lambda points: np.asarray(asked(points), bool)
    rings: list[np.ndarray] = []
    for ring in [extent] if isinstance(extent, np.ndarray) and extent.ndim == 2 else list(extent):
        corners = np.asarray(ring, float)
        if corners.ndim != 2 or corners.shape[1] != 2 or len(corners) < 3 or not np.isfinite(corners).all():
            raise ValueError(f"A ring needs three corners or more, (k, 2); got shape {corners.shape}.")
        rings.append(corners)
    starts = np.concatenate(rings)
    ends = np.concatenate([np.roll(ring, -1, axis=0) for ring in rings])
    return lambda points: _inside(np.asarray(points, float), starts, ends)


def _inside(points: np.ndarray, starts: np.ndarray, ends: np.ndarray) -> np.ndarray:
    """Even-odd rule: a ray to the right of the point crosses the edges an odd number of times."""
    out = np.zeros(len(points), bool)
    step = max(_AT_ONCE // len(starts), 1)
    rise = ends[:, 1] - starts[:, 1]
    slope = (ends[:, 0] - starts[:, 0]) / np.where(rise == 0, 1.0, rise)
    for k in range(0, len(points), step):
        x, y = points[k : k + step, :1], points[k : k + step, 1:]
        spans = (starts[:, 1] > y) != (ends[:, 1] > y)
        out[k : k + step] = (spans & (x < starts[:, 0] + (y - starts[:, 1]) * slope)).sum(axis=1) % 2 == 1
    return out


def spells_of(valid: np.ndarray, at_cm: np.ndarray) -> np.ndarray:
    """Runs of valid places among equally spaced ones, as (from, to). (n,) bool, (n,) [cm] -> (k, 2) [cm]"""
    edges = np.flatnonzero(np.diff(np.r_[0, valid.astype(int), 0]))
    return np.c_[at_cm[edges[::2]], at_cm[edges[1::2] - 1]] if len(edges) else np.zeros((0, 2))
