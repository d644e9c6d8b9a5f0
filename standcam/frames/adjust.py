"""All frames of a flight adjusted at once: poses of cameras over a plane, from points in common and what is noted.

Least squares of the misfit in the picture. The misfit on the ground would not do: it falls when all heights do. Noted
places, heights and tilts hold the whole where the points cannot: its place, its scale, and its slow bending.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from standcam.ground.overhead import to_ground, to_rays

_STEPS = np.array([0.1, 0.1, 0.1, 1e-5, 1e-5, 1e-5])
"""Of finite differences: cm and radians."""
_HUBER = 3.0
"""Misfits beyond so many standard deviations count as their length, no more by their square."""
_MOST_ROUNDS = 40


@dataclass
class Sights:
    """Common points of frames: what frame ``i`` sees at ``a`` is what frame ``j`` sees at ``b``.

    Places are normalised by the focal length, distortion by the lens profile taken out.
    """

    i: np.ndarray
    j: np.ndarray
    a: np.ndarray
    """(m, 2) [1]"""
    b: np.ndarray
    sd: np.ndarray
    """Of a place. (m,) [1]"""


@dataclass
class Marks:
    """Points of known place seen in frames."""

    i: np.ndarray
    a: np.ndarray
    cm: np.ndarray
    """(m, 2) [cm]"""
    sd: np.ndarray


def straight(a: np.ndarray, k1: float) -> np.ndarray:
    """Places without distortion, ``a = u (1 + k1 u²)`` solved for u by repetition. (m, 2)"""
    u = a
    if k1:
        for _ in range(8):
            u = a / (1 + k1 * (u**2).sum(1, keepdims=True))
    return u


def bent(u: np.ndarray, k1: float) -> np.ndarray:
    """Places with distortion. (m, 2)"""
    return u * (1 + k1 * (u**2).sum(1, keepdims=True))


def on_ground(poses: np.ndarray, a: np.ndarray, k1: float) -> np.ndarray:
    """Ground under places of frames. Poses (m, 6), (m, 2) [1] -> (m, 2) [cm]"""
    return to_ground(poses, np.c_[straight(a, k1), np.ones(len(a))])


def misfits(poses: np.ndarray, sights: Sights, k1: float) -> np.ndarray:
    """Where frame j should see what i sees, less where it does. (m, 2) [1]"""
    return bent(to_rays(poses[sights.j], on_ground(poses[sights.i], sights.a, k1)), k1) - sights.b


def adjust(
    poses: np.ndarray,
    noted: np.ndarray,
    noted_sd: np.ndarray,
    sights: Sights,
    marks: Marks,
    k1_sd: float,
) -> tuple[np.ndarray, float]:
    """Poses that fit best.

    Parameters
    ----------
    poses : ndarray
        To start from: x, y, height [cm], yaw and two tilts [rad]. (n, 6)
    noted, noted_sd : ndarray
        What was noted, and its standard deviations, infinite where nothing was. (n, 6)
    sights : Sights
    marks : Marks
    k1_sd : float
        Standard deviation of the radial distortion about zero; 0 leaves it out.

    Returns
    -------
    poses : ndarray
        (n, 6)
    k1 : float
        Radial distortion. [1]
    """
    from scipy.sparse import coo_matrix, diags
    from scipy.sparse.linalg import spsolve

    n, m, c = len(poses), len(sights.i), len(marks.i)
    size = 6 * n + 1
    poses, k1 = poses.copy(), 0.0
    held = np.isfinite(noted_sd).ravel()
    weight = np.zeros(size)
    weight[: 6 * n][held] = noted_sd.ravel()[held] ** -2.0
    weight[-1] = k1_sd**-2.0 if k1_sd > 0 else 1e18
    damping, best = 1e-4, np.inf
    state: tuple | None = None
    last = 0
    for _ in range(_MOST_ROUNDS):
        if state is None:
            state = _linear(poses, k1, sights, marks)
            best = _cost(*state[:1], poses, k1, noted, weight)
        values, rows, columns, slopes = state
        trust = _trust(values)
        jacobian = coo_matrix((slopes, (rows, columns)), shape=(2 * (m + c), size)).tocsr()
        weighted = diags(np.repeat(trust, 2)) @ jacobian
        off = np.zeros(size)
        off[: 6 * n][held] = (poses - noted).ravel()[held]
        off[-1] = k1
        normal = (jacobian.T @ weighted + diags(weight)).tocsc()
        gradient = weighted.T @ values.ravel() + weight * off
        diagonal = normal.diagonal()
        step = spsolve((normal + diags(damping * diagonal + 1e-12)).tocsc(), -gradient)
        tried, tried_k1 = poses + step[:-1].reshape(n, 6), k1 + float(step[-1])
        cost = np.inf
        if np.isfinite(step).all() and (tried[:, 2] > 10).all() and np.abs(tried[:, 4:]).max() < 0.8:
            fresh = _residuals(tried, tried_k1, sights, marks)
            cost = _cost(fresh, tried, tried_k1, noted, weight)
        if cost < best:
            gain = (best - cost) / max(best, 1e-12)
            poses, k1, state, damping = tried, tried_k1, None, damping / 10
            if gain < 1e-7 or last:
                # damping holds back what only the noted values tell, such as the place of the whole: a few free steps
                damping, last = 0.0, last + 1
                if last > 3:
                    break
        elif last:
            break
        else:
            damping *= 10
            if damping > 1e8:
                break
    return poses, k1


def _residuals(poses: np.ndarray, k1: float, sights: Sights, marks: Marks) -> np.ndarray:
    """In standard deviations. (m + c, 2)"""
    seen = misfits(poses, sights, k1) / sights.sd[:, None]
    known = (bent(to_rays(poses[marks.i], marks.cm), k1) - marks.a) / marks.sd[:, None]
    return np.nan_to_num(np.concatenate([seen, known]), nan=1e6, posinf=1e6, neginf=-1e6)


def _trust(values: np.ndarray) -> np.ndarray:
    length = np.hypot(values[:, 0], values[:, 1])
    return np.minimum(1.0, _HUBER / np.maximum(length, 1e-12))


def _cost(values: np.ndarray, poses: np.ndarray, k1: float, noted: np.ndarray, weight: np.ndarray) -> float:
    length = np.hypot(values[:, 0], values[:, 1])
    robust = np.where(length <= _HUBER, 0.5 * length**2, _HUBER * (length - 0.5 * _HUBER)).sum()
    off = np.where(weight[:-1] > 0, (poses - noted).ravel(), 0.0)
    return float(robust + 0.5 * (weight[:-1] * np.nan_to_num(off) ** 2).sum() + 0.5 * weight[-1] * k1**2)


def _linear(
    poses: np.ndarray, k1: float, sights: Sights, marks: Marks
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Residuals and their slopes by finite differences: each depends on two poses at most, so 13 looks do for all."""
    m, c = len(sights.i), len(marks.i)
    values = _residuals(poses, k1, sights, marks)
    line = np.arange(2 * (m + c)).reshape(m + c, 2)
    rows, columns, slopes = [], [], []

    def slope(changed: np.ndarray, column: np.ndarray, of: slice, step: float) -> None:
        rows.append(line[of].ravel())
        columns.append(np.repeat(column, 2))
        slopes.append((changed - values[of]).ravel() / step)

    a, b = poses[sights.i], poses[sights.j]
    for k, step in enumerate(_STEPS):
        moved = a.copy()
        moved[:, k] += step
        ground = on_ground(moved, sights.a, k1)
        slope(_seen(b, ground, sights, k1), 6 * sights.i + k, slice(0, m), step)
        moved = b.copy()
        moved[:, k] += step
        ground = on_ground(a, sights.a, k1)
        slope(_seen(moved, ground, sights, k1), 6 * sights.j + k, slice(0, m), step)
        moved = poses[marks.i]
        moved[:, k] += step
        known = (bent(to_rays(moved, marks.cm), k1) - marks.a) / marks.sd[:, None]
        slope(known, 6 * marks.i + k, slice(m, m + c), step)
    changed = _residuals(poses, k1 + 1e-5, sights, marks)
    slope(changed, np.full(m + c, 6 * len(poses)), slice(0, m + c), 1e-5)
    return values, np.concatenate(rows), np.concatenate(columns), np.concatenate(slopes)


def _seen(poses: np.ndarray, ground: np.ndarray, sights: Sights, k1: float) -> np.ndarray:
    return (bent(to_rays(poses, ground), k1) - sights.b) / sights.sd[:, None]
