"""Directions in which rows run: square by square, and squares that run alike taken together.

In the direction of the rows the plants of a square fall into few narrow strips, in any other they spread. How uneven
the strips are is taken against their own moving mean, so that the outline of a field and slow changes of density say
nothing; dense clumps are thinned first.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from standcam.settings import StripRowSettings

_BIN_CM = 4.0
_MEAN_BINS = 11
_CLUMP_CM = 60.0
_AT_ONCE = 200_000
_FINE = 3
_REACH = 2
"""Squares so many sides apart are neighbours: a square with few plants does not part a field."""


@dataclass(frozen=True)
class Blocks:
    """Squares of ground with the direction of the rows in them."""

    centre_cm: np.ndarray
    """(b, 2) [cm]"""
    angle_deg: np.ndarray
    """Direction of the rows, counter-clockwise from +x, 0 to 180. (b,) [degrees]"""
    clear: np.ndarray
    """By how many robust SDs the direction stands out. (b,) [1]"""
    plants: np.ndarray
    """Weight in the square. (b,)"""
    group: np.ndarray
    """Squares that run alike and hang together; 0 for those without a direction. (b,)"""
    of: np.ndarray
    """Square of each point. (n,)"""


def evened(points_cm: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """Weights, those in dense clumps lowered: a patch of weeds must not outweigh the rows about it. (n,)"""
    cell = np.floor((points_cm - points_cm.min(axis=0)) / _CLUMP_CM).astype(np.int64)
    _, of = np.unique(cell[:, 0] * (cell[:, 1].max() + 1) + cell[:, 1], return_inverse=True)
    held = np.bincount(of, weights)
    usual = 2 * float(np.median(held[held > 0])) if (held > 0).any() else 1.0
    return weights * np.minimum(1.0, usual / np.maximum(held, 1e-9))[of]


def find_blocks(points_cm: np.ndarray, weights: np.ndarray, settings: StripRowSettings) -> Blocks:
    """Cut the ground in squares and find the direction in each.

    Parameters
    ----------
    points_cm : (n, 2) array
        One point or more. [cm]
    weights : (n,) array
        From :func:`evened`.
    """
    side = settings.block_cm
    low = points_cm.min(axis=0)
    # squares lie evenly about the points: a narrow strip is not cut lengthwise by chance
    low = low - ((low - points_cm.max(axis=0)) % side) / 2
    cell = np.floor((points_cm - low) / side).astype(np.int64)
    wide = int(cell[:, 1].max()) + 3
    keys, of = np.unique((cell[:, 0] + 1) * wide + cell[:, 1] + 1, return_inverse=True)
    column, line = keys // wide, keys % wide
    centre = low + (np.c_[column, line] - 0.5) * side
    angles = np.arange(0, 180, settings.angle_step_deg)
    local = points_cm - centre[of]
    uneven = _unevenness(local, weights, of, np.zeros(len(keys)), angles, side)
    pooled = uneven.copy()
    for across in (-1, 0, 1):
        for up in (-1, 0, 1):
            here, there = _pairs(keys, column, line, wide, across, up)
            if across or up:
                pooled[here] += uneven[there] / 2
    angle, clear = _peaks(pooled, angles)
    near = np.arange(-_FINE, _FINE + 1) * (settings.angle_step_deg / (2 * _FINE))
    finer = _unevenness(local, weights, of, angle, near, side)
    best = np.clip(finer.argmax(axis=1), 1, len(near) - 2)
    angle = (angle + near[best] + (near[1] - near[0]) * _shift(finer, best)) % 180
    plants = np.bincount(of, weights, len(keys))
    group = _grouped(keys, column, line, wide, angle, clear, settings)
    return Blocks(centre, angle, clear, plants, group, of)


def _unevenness(
    local: np.ndarray, weights: np.ndarray, of: np.ndarray, base: np.ndarray, angles: np.ndarray, side: float
) -> np.ndarray:
    """How uneven strips are in each square, beyond chance, in units of chance, for turns from its base direction.

    (blocks, angles)
    """
    n = len(base)
    order = np.argsort(of, kind="stable")
    begins = np.searchsorted(of[order], np.arange(n + 1))
    reach = side / np.sqrt(2) + _BIN_CM
    bins = int(2 * reach / _BIN_CM) + 1
    out = np.zeros((n, len(angles)))
    first = 0
    while first < n:
        last = max(int(np.searchsorted(begins, begins[first] + _AT_ONCE, side="right")) - 1, first + 1)
        last = min(last, first + 4000, n)
        part = order[begins[first] : begins[last]]
        w, block = weights[part], (of[part] - first) * bins
        sin, cos = np.sin(np.deg2rad(base))[of[part]], np.cos(np.deg2rad(base))[of[part]]
        x, y = local[part, 0] * cos + local[part, 1] * sin, local[part, 1] * cos - local[part, 0] * sin
        chance = np.bincount(of[part] - first, w**2, last - first) + 1e-9
        for k, a in enumerate(np.deg2rad(angles)):
            v = x * np.sin(a) - y * np.cos(a)
            at = block + ((v + reach) * (1 / _BIN_CM)).astype(np.int64)
            held = np.bincount(at, w, (last - first) * bins).reshape(last - first, bins)
            total = np.cumsum(np.pad(held, ((0, 0), (_MEAN_BINS // 2 + 1, _MEAN_BINS // 2))), axis=1)
            mean = (total[:, _MEAN_BINS:] - total[:, :-_MEAN_BINS]) / _MEAN_BINS
            mean = np.c_[mean, np.zeros((len(mean), held.shape[1] - mean.shape[1]))]
            out[first:last, k] = ((held - mean) ** 2).sum(axis=1) / chance - (1 - 1 / _MEAN_BINS)
        first = last
    return out


def _pairs(
    keys: np.ndarray, column: np.ndarray, line: np.ndarray, wide: int, across: int, up: int
) -> tuple[np.ndarray, np.ndarray]:
    """Squares that have a neighbour so many columns and lines off, and which that is."""
    inside = (line + up >= 0) & (line + up < wide)
    wanted = (column + across) * wide + line + up
    at = np.minimum(np.searchsorted(keys, wanted), len(keys) - 1)
    here = np.flatnonzero(inside & (keys[at] == wanted))
    return here, at[here]


def _peaks(pooled: np.ndarray, angles: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Best direction of each square, between the steps, and how far it stands out."""
    best = pooled.argmax(axis=1)
    each = np.arange(len(pooled))
    top = pooled[each, best]
    usual = np.median(pooled, axis=1)
    spread = 1.4826 * np.median(np.abs(pooled - usual[:, None]), axis=1)
    step = float(angles[1] - angles[0])
    angle = (angles[best] + step * _shift(pooled, best)) % 180
    return angle, (top - usual) / np.maximum(spread, 0.05)


def _shift(heights: np.ndarray, best: np.ndarray) -> np.ndarray:
    """Where between the steps the peak lies, by a parabola; steps go round. (b, k), (b,) -> (b,)"""
    each, n = np.arange(len(heights)), heights.shape[1]
    before, top, after = (heights[each, (best + k) % n] for k in (-1, 0, 1))
    curved = before - 2 * top + after
    return np.clip(np.where(curved < 0, (before - after) / (2 * np.where(curved < 0, curved, -1.0)), 0.0), -0.5, 0.5)


def turn_deg(a: np.ndarray | float, b: np.ndarray | float) -> np.ndarray:
    """Turn from direction b to a, rows having no sense. [degrees], -90 to 90"""
    return (np.asarray(a) - b + 90) % 180 - 90


def mean_angle(angle_deg: np.ndarray, weights: np.ndarray) -> float:
    """Mean of directions without sense. [degrees], 0 to 180"""
    doubled = np.exp(2j * np.deg2rad(angle_deg)) @ np.maximum(weights, 1e-9)
    return float(np.rad2deg(np.angle(doubled)) / 2 % 180)


def _grouped(
    keys: np.ndarray,
    column: np.ndarray,
    line: np.ndarray,
    wide: int,
    angle: np.ndarray,
    clear: np.ndarray,
    settings: StripRowSettings,
) -> np.ndarray:
    """Number the groups of squares that run alike; squares of no clear direction carry a group on but found none."""
    root = np.arange(len(keys))

    def top(k: int) -> int:
        while root[k] != k:
            root[k] = root[root[k]]
            k = int(root[k])
        return k

    sure = clear >= settings.clear_direction
    fair = clear >= settings.clear_direction / 2
    for across in range(_REACH + 1):
        for up in range(-_REACH, _REACH + 1):
            if across == 0 and up <= 0:
                continue
            here, there = _pairs(keys, column, line, wide, across, up)
            near = max(across, abs(up)) == 1
            # a fair square joins only a sure one beside it
            joined = (sure[here] & sure[there]) | (near & fair[here] & fair[there] & (sure[here] | sure[there]))
            joined &= np.abs(turn_deg(angle[here], angle[there])) <= settings.parallel_deg
            for a, b in zip(here[joined].tolist(), there[joined].tolist(), strict=True):
                ra, rb = top(a), top(b)
                root[max(ra, rb)] = min(ra, rb)
    tops = np.array([top(k) for k in range(len(keys))])
    founded = np.unique(tops[sure])
    return np.where(np.isin(tops, founded), np.searchsorted(founded, tops) + 1, 0)
