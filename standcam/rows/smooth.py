"""Centre lines of many rows in one go: cubic splines, robust, stiff where plants are missing.

In the frame of a group, u along and v across, each row is a spline v(u) with equal knots. All rows share one banded
system, so that a field of a hundred rows costs a few passes over its plants.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from standcam.settings import StripRowSettings

_AT_ONCE = 500_000
SLAB_CM = 50.0
_LEAST_SD_CM = 0.4
_BIN_CM, _BINS = 0.1, 400
"""For medians of distances from lines. [cm]"""


@dataclass(frozen=True)
class Lines:
    """Splines of rows."""

    begin: np.ndarray
    """First knot. (r,) [cm]"""
    spans: np.ndarray
    """Knot spans. (r,)"""
    first: np.ndarray
    """Where the coefficients of a row begin; it has spans + 3. (r,)"""
    knot_cm: float
    coefficients: np.ndarray

    @property
    def end(self) -> np.ndarray:
        """Last knot. (r,) [cm]"""
        return self.begin + self.spans * self.knot_cm

    def _weights(self, row: np.ndarray, u: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """First coefficient and the four weights at places."""
        t = np.clip((u - self.begin[row]) / self.knot_cm, 0, self.spans[row])
        j = np.minimum(t.astype(np.int64), self.spans[row] - 1)
        t = t - j
        four = np.stack([(1 - t) ** 3, 3 * t**3 - 6 * t**2 + 4, -3 * t**3 + 3 * t**2 + 3 * t + 1, t**3], axis=1) / 6
        return self.first[row] + j, four

    def v(self, row: np.ndarray, u: np.ndarray) -> np.ndarray:
        """Place across at places along; straight on beyond the knots. (n,), (n,) [cm] -> (n,) [cm]"""
        at, four = self._weights(row, u)
        inside = np.clip(u, self.begin[row], self.end[row])
        out = np.einsum("ij,ij->i", four, self.coefficients[at[:, None] + np.arange(4)])
        beyond = u != inside
        if beyond.any():
            out[beyond] += self.slope(row[beyond], inside[beyond]) * (u[beyond] - inside[beyond])
        return out

    def slope(self, row: np.ndarray, u: np.ndarray) -> np.ndarray:
        """Slope of v over u. (n,), (n,) -> (n,)"""
        t = np.clip((u - self.begin[row]) / self.knot_cm, 0, self.spans[row])
        j = np.minimum(t.astype(np.int64), self.spans[row] - 1)
        t = t - j
        four = np.stack([-((1 - t) ** 2), 3 * t**2 - 4 * t, -3 * t**2 + 2 * t + 1, t**2], axis=1) / 2
        return (
            np.einsum("ij,ij->i", four, self.coefficients[(self.first[row] + j)[:, None] + np.arange(4)]) / self.knot_cm
        )


def straight_lines(low: np.ndarray, high: np.ndarray, settings: StripRowSettings) -> Lines:
    """Lines at v = 0 with their knots laid out. (r,), (r,) [cm]"""
    spans = np.maximum(np.ceil((high - low) / settings.knots_cm), 1).astype(np.int64)
    begin = (low + high) / 2 - spans * settings.knots_cm / 2
    first = np.cumsum(spans + 3) - (spans + 3)
    return Lines(begin, spans, first, settings.knots_cm, np.zeros(int((spans + 3).sum())))


def _solved(
    lines: Lines, row: np.ndarray, u: np.ndarray, v: np.ndarray, weight: np.ndarray, stiff: np.ndarray
) -> Lines:
    """Weighted least squares with a price on second differences, ``stiff`` for each row."""
    from scipy.linalg import solveh_banded

    n = len(lines.coefficients)
    band = np.zeros((4, n))
    right = np.zeros(n)
    for k in range(0, len(u), _AT_ONCE):
        part = slice(k, k + _AT_ONCE)
        at, four = lines._weights(row[part], u[part])
        w = weight[part]
        for i in range(4):
            right += np.bincount(at + i, w * four[:, i] * v[part], n)
            for j in range(i, 4):
                band[j - i] += np.bincount(at + i, w * four[:, i] * four[:, j], n)
    size = lines.spans + 3
    of = np.repeat(np.arange(len(size)), size)
    inner = np.flatnonzero(np.arange(n) - lines.first[of] < size[of] - 2)
    price = stiff[of[inner]]
    for i, a in enumerate((1.0, -2.0, 1.0)):
        for j, b in enumerate((1.0, -2.0, 1.0)):
            if j >= i:
                band[j - i] += np.bincount(inner + i, price * a * b, n)
    # a row without plants lies where its prior puts it, and is dropped later
    band[0] += 1e-9 * max(float(band[0].max()), 1.0)
    solution = solveh_banded(band, right, lower=True)
    return Lines(lines.begin, lines.spans, lines.first, lines.knot_cm, solution)


def fit_lines(
    lines: Lines,
    row: np.ndarray,
    u: np.ndarray,
    v: np.ndarray,
    weight: np.ndarray,
    settings: StripRowSettings,
    rounds: int = 4,
    robust: bool = True,
) -> tuple[Lines, np.ndarray]:
    """Lines through points, outliers bounded, and the scatter of each.

    Parameters
    ----------
    lines : Lines
        Knots; its course counts for nothing.
    row : (n,) int array
        Line of each point.
    u, v : (n,) arrays
        [cm]
    weight : (n,) array
        How much each counts.

    Returns
    -------
    lines : Lines
    sd_cm : (r,) array
        Robust scatter across. [cm]
    """
    rows = len(lines.begin)
    sd = np.full(rows, 2.0)
    w = weight
    for _ in range(rounds if robust else 1):
        lines = _solved(lines, row, u, v, w, (sd / settings.bend_cm) ** 2)
        if not robust:
            break
        off = (v - lines.v(row, u)) / np.hypot(1.0, lines.slope(row, u))
        sd = np.maximum(1.4826 * _medians(row, np.abs(off), weight, rows), _LEAST_SD_CM)
        w = weight / (1 + (off / (2 * sd[row])) ** 2) ** 2
    return lines, sd


def _medians(row: np.ndarray, values: np.ndarray, weight: np.ndarray, rows: int) -> np.ndarray:
    """Weighted median of the values of each row, to within a bin; 0 for rows without. [cm]"""
    at = np.minimum((values / _BIN_CM).astype(np.int64), _BINS - 1)
    held = np.bincount(row * _BINS + at, weight, rows * _BINS).reshape(rows, _BINS)
    total = np.cumsum(held, axis=1)
    half = total[:, -1:] / 2
    first = (total >= half).argmax(axis=1)
    each = np.arange(rows)
    within = (half[:, 0] - (total[each, first] - held[each, first])) / np.maximum(held[each, first], 1e-12)
    return np.where(total[:, -1] > 0, (first + within) * _BIN_CM, 0.0)


@dataclass(frozen=True)
class Slabs:
    """Lines cut in slabs across the group, sorted across in each: which lines lie to either side of a point."""

    slab: np.ndarray
    row: np.ndarray
    v: np.ndarray
    slope: np.ndarray
    key: np.ndarray
    wide: float
    low: int

    @classmethod
    def of(cls, lines: Lines, low: np.ndarray, high: np.ndarray) -> Slabs:
        """Slabs of lines from low to high. (r,), (r,) [cm]"""
        first, last = (np.floor(x / SLAB_CM).astype(np.int64) for x in (low, high))
        count = np.maximum(last - first + 1, 0)
        row = np.repeat(np.arange(len(low)), count)
        slab = np.arange(int(count.sum())) - np.repeat(np.cumsum(count) - count, count) + np.repeat(first, count)
        u = (slab + 0.5) * SLAB_CM
        v, slope = lines.v(row, u), lines.slope(row, np.clip(u, lines.begin[row], lines.end[row]))
        wide = 4 * float(np.abs(v).max(initial=0.0)) + 1e5
        least = int(slab.min(initial=0))
        key = (slab - least) * wide + v
        order = np.argsort(key, kind="stable")
        return cls(slab[order], row[order], v[order], slope[order], key[order], wide, least)

    def nearest(self, uv: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Nearest line of each point, -1 where none, and how far right of it. (n, 2) [cm] -> (n,), (n,) [cm]"""
        row = np.full(len(uv), -1)
        off = np.full(len(uv), np.inf)
        if not len(self.key):
            return row, off
        for k in range(0, len(uv), _AT_ONCE):
            u, v = uv[k : k + _AT_ONCE, 0], np.clip(uv[k : k + _AT_ONCE, 1], -self.wide / 2.1, self.wide / 2.1)
            slab = np.floor(u / SLAB_CM).astype(np.int64)
            at = np.searchsorted(self.key, (slab - self.low) * self.wide + v)
            # where rows slant, what lies beside at the middle of the slab is told after a move along them
            slope = self.slope[np.minimum(at, len(self.key) - 1)]
            at = np.searchsorted(self.key, (slab - self.low) * self.wide + v - slope * (u - (slab + 0.5) * SLAB_CM))
            best_row, best = row[k : k + _AT_ONCE], off[k : k + _AT_ONCE]
            for side in (-1, 0):
                j = np.clip(at + side, 0, len(self.key) - 1)
                away = (v - self.v[j] - self.slope[j] * (u - (slab + 0.5) * SLAB_CM)) / np.hypot(1.0, self.slope[j])
                better = (self.slab[j] == slab) & (np.abs(away) < np.abs(best))
                best_row[better], best[better] = self.row[j][better], away[better]
        return row, off

    def beside(self) -> np.ndarray:
        """Places in the slabs that are followed by another line of the same slab. (k,)"""
        return np.flatnonzero(self.slab[1:] == self.slab[:-1])

    def room(self, rows: int, inner_cm: np.ndarray, outer_cm: float) -> np.ndarray:
        """Ground from inner to outer off each line, both sides together, that is nearer to no other. (r,) [cm]"""
        left, right, apart = self.neighbours()
        whole = np.maximum(outer_cm - inner_cm, 0.0)
        slabs = np.bincount(self.row, minlength=rows)
        lost = np.zeros(rows)
        for side in (left, right):
            free = np.clip(apart / 2 - inner_cm[side], 0.0, whole[side])
            lost += np.bincount(side, whole[side] - free, rows)
        return 2 * whole - lost / np.maximum(slabs, 1)

    def neighbours(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Lines beside each other in a slab: left one, right one, distance. (k,), (k,), (k,) [cm]"""
        beside = self.beside()
        slope = (self.slope[beside] + self.slope[beside + 1]) / 2
        return self.row[beside], self.row[beside + 1], (self.v[beside + 1] - self.v[beside]) / np.hypot(1.0, slope)
