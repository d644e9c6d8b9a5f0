"""Where rows run in a small square of a strip, told by its green: lines for the network to look along.

The rows of a strip are found later, from stems, all over it. Here only the dear part is guided: a square a few metres
wide shows some rows side by side, and green heaps up along them. What is told hangs on the green of the square and a
margin about it, so it is the same in whichever tile. Where nothing is clear, or where another direction shows beside
the first, nothing is told, and all green is looked at.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from standcam.settings import StripStemSettings

FEWEST_CELLS = 20
"""Cells with green without which no direction is sought."""
_MOST_CELLS = 800
"""Cells that vote for a direction; of more, evenly chosen ones."""
_STEP_DEG, _FINE_DEG = 1.5, 0.3
_BIN_CM, _FINE_BIN_CM = 3.0, 1.0
_AROUND_CM = 24.0
"""Heaps stand out from what lies so far to either side. [cm]"""
_CLEAR = 6.0
"""Robust SDs by which a direction stands out from all others."""
_ELSE_CLEAR, _ELSE_DEG, _ELSE_SHARE = 9.0, 8.0, 0.12
"""Green beside the lines shows rows of another direction where one stands out so far, is turned so much, and holds
such a share of all green."""
_BESIDE_CM = 12.0
"""Green so far from every line is beside the rows: no leaf of a row reaches there. [cm]"""
_WIDE_CM = 2.5
"""Half width of a heap of green across its row. [cm]"""
_STRONG, _WEAK = 0.5, 0.3
"""Share of the usual heap that a row has, and one that is looked along all the same."""
_NEAREST_CM = 12.0
"""Two lines lie at least so far apart. [cm]"""
_IN_RHYTHM = 0.25
_NARROWEST_CM, _WIDEST_CM = 15.0, 120.0
"""Distances of rows. [cm]"""
_FULL = 0.75
"""Lines that would cover such a share of the square save nothing."""
_CATCH_CM = (10.0, 6.0)
"""Green so far off a line bends it: first round, second round. [cm]"""
_MOST_SAGITTA_CM = 15.0
_SEEN_GREEN = 0.15
"""What a cell with a mere hint of green weighs against one that is plainly green."""


@dataclass(frozen=True)
class Lines:
    """Lines of one direction, alike bent: at u along, the line v lies ``v + bend * u²`` across."""

    along: np.ndarray
    """Unit vector. (2,)"""
    across: np.ndarray
    """Unit vector, at a right angle to the former. (2,)"""
    bend: float
    """[1/cm]"""
    v: np.ndarray
    """Of each line, in order. (k,) [cm]"""

    def places(self, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Along and across, on the scale of ``v``. (n, 2) [cm] -> (n,), (n,) [cm]"""
        x, y = points.T
        u = x * self.along[0] + y * self.along[1]
        return u, x * self.across[0] + y * self.across[1] - self.bend * u**2

    def nearest(self, v: np.ndarray) -> np.ndarray:
        """Index of the line nearest to each place across. (n,) [cm] -> (n,) int"""
        index = np.zeros(len(v), np.intp)
        for middle in ((self.v[1:] + self.v[:-1]) / 2).tolist():  # few lines: one look at all places for each is fast
            index += v > middle
        return index

    def points(self, u: np.ndarray, v: np.ndarray) -> np.ndarray:
        """The way back. -> (n, 2) [cm]"""
        return u[:, None] * self.along + (v + self.bend * u**2)[:, None] * self.across


def lines_of(
    points: np.ndarray, plain: np.ndarray, hint: np.ndarray, half_cm: np.ndarray, settings: StripStemSettings
) -> Lines | None:
    """Lines along which rows run.

    Parameters
    ----------
    points : (n, 2) array
        Cells with green, about the middle of the square. [cm]
    plain, hint : (n,) arrays
        Share of each that is plainly green, and that is at least a hint of green.
    half_cm : (2,) array
        Half sides of the square with its margin. [cm]
    settings : StripStemSettings

    Returns
    -------
    Lines or None
        None where all green should be looked at.
    """
    weight = plain + _SEEN_GREEN * hint
    if len(points) < FEWEST_CELLS:
        return None
    told = _direction(points, weight)
    if told is None:
        return None
    angle, _ = told
    along = np.array([np.cos(angle), np.sin(angle)])
    none = Lines(along, np.array([-along[1], along[0]]), 0.0, np.zeros(0))
    lines = _with_heaps(none, points, weight, half_cm)
    if lines is None:
        return None
    for catch in _CATCH_CM:
        lines = _bent(lines, points, weight, catch)
    if len(lines.v) * settings.look_across_cm > _FULL * float(np.abs(lines.across) @ half_cm) * 2:
        return None
    _, v = lines.places(points)
    beside = np.abs(v - lines.v[lines.nearest(v)]) > _BESIDE_CM
    if weight[beside].sum() > _ELSE_SHARE * weight.sum() and beside.sum() >= FEWEST_CELLS:
        other = _direction(points[beside], weight[beside], _ELSE_CLEAR)
        if other is not None and abs((np.rad2deg(other[0] - angle) + 90) % 180 - 90) > _ELSE_DEG:
            return None
    return lines


def _direction(points: np.ndarray, weight: np.ndarray, clear: float = _CLEAR) -> tuple[float, float] | None:
    """Angle of the rows [radians, 0 to pi], and how clear it is; None where it is not."""
    every = -(-len(points) // _MOST_CELLS)
    points, weight = points[::every], weight[::every]
    coarse = np.deg2rad(np.arange(0, 180, _STEP_DEG))
    heights = _contrast(points, weight, coarse)
    usual = float(np.median(heights))
    spread = 1.4826 * float(np.median(np.abs(heights - usual)))
    best = int(heights.argmax())
    if heights[best] - usual < clear * max(spread, 1e-9):
        return None
    fine = coarse[best] + np.deg2rad(np.arange(-5, 6) * _FINE_DEG)
    return float(fine[_contrast(points, weight, fine).argmax()]), (heights[best] - usual) / max(spread, 1e-9)


def _contrast(points: np.ndarray, weight: np.ndarray, angles: np.ndarray) -> np.ndarray:
    """How much green heaps up in lines of each direction. (a,)"""
    x, y = np.ascontiguousarray(points.T * (1 / _BIN_CM), np.float32)
    reach = np.float32((np.abs(points).sum(axis=1).max() + _AROUND_CM) / _BIN_CM)
    bins = int(2 * reach) + 2
    v = np.cos(angles).astype(np.float32)[:, None] * y
    v -= np.sin(angles).astype(np.float32)[:, None] * x
    v += reach
    index = v.astype(np.intp)
    index += np.arange(len(angles))[:, None] * bins
    heap = np.bincount(index.ravel(), np.tile(weight, len(angles)), len(angles) * bins).reshape(len(angles), bins)
    heap[:, 1:-1] = 0.25 * heap[:, :-2] + 0.5 * heap[:, 1:-1] + 0.25 * heap[:, 2:]
    return ((heap - _mean(heap, int(_AROUND_CM / _BIN_CM))) ** 2).sum(axis=1)


def _mean(heap: np.ndarray, half: int) -> np.ndarray:
    """Running mean along the last axis."""
    total = np.cumsum(np.pad(heap, ((0, 0), (half + 1, half))), axis=1)
    return (total[:, 2 * half + 1 :] - total[:, : -2 * half - 1]) / (2 * half + 1)


def _with_heaps(lines: Lines, points: np.ndarray, weight: np.ndarray, half_cm: np.ndarray) -> Lines | None:
    """Lines at the heaps of green across, and where their rhythm asks for one between and beside them."""
    _, v = lines.places(points)
    reach = float(np.abs(lines.across) @ half_cm)
    bins = int(2 * reach / _FINE_BIN_CM) + 1
    index = np.clip(((v + reach) / _FINE_BIN_CM).astype(np.int64), 0, bins - 1)
    raw = np.bincount(index, weight, bins)
    bell = np.exp(-0.5 * (np.arange(-8, 9) * _FINE_BIN_CM / _WIDE_CM) ** 2)
    middle = -reach + (np.arange(bins) + 0.5) * _FINE_BIN_CM
    # as green a metre: a line near a corner of the square is short
    heap = np.convolve(raw, bell, mode="same") / np.maximum(_chord(lines, middle, half_cm), 50.0)
    inner = np.flatnonzero((heap[1:-1] > heap[:-2]) & (heap[1:-1] >= heap[2:])) + 1
    inner = inner[np.argsort(-heap[inner], kind="stable")]
    kept: list[int] = []
    for k in inner.tolist():
        if all(abs(k - other) * _FINE_BIN_CM >= _NEAREST_CM for other in kept):
            kept.append(k)
    if not kept:
        return None
    high = heap[kept]
    usual = float(np.median(high[high >= _STRONG * high[0]]))
    at, size = middle[kept], high
    strong = np.sort(at[size >= _STRONG * usual])
    weak = at[(size >= _WEAK * usual) & (size < _STRONG * usual)]
    width = _rhythm(heap)
    filled = _filled(strong, width, reach)
    rest = weak[[bool(np.abs(filled - w).min() >= _NEAREST_CM) for w in weak]] if len(weak) else weak
    return Lines(lines.along, lines.across, 0.0, np.sort(np.r_[filled, rest]))


def _chord(lines: Lines, v: np.ndarray, half_cm: np.ndarray) -> np.ndarray:
    """Length of the square's part of each line. (k,) [cm]"""
    low, high = np.full(len(v), -np.inf), np.full(len(v), np.inf)
    for axis in range(2):
        way, at = lines.along[axis], v * lines.across[axis]
        if abs(way) > 1e-9:
            ends = np.sort(np.stack([(-half_cm[axis] - at) / way, (half_cm[axis] - at) / way]), axis=0)
            low, high = np.maximum(low, ends[0]), np.minimum(high, ends[1])
        else:
            high = np.where(np.abs(at) <= half_cm[axis], high, low)
    return np.maximum(high - low, 0.0)


def _rhythm(heap: np.ndarray) -> float:
    """Distance at which the heaps repeat; NaN where they do not. [cm]"""
    level = heap - heap.mean()
    longest = min(int(_WIDEST_CM / _FINE_BIN_CM), len(heap) - 2)
    first = int(_NARROWEST_CM / _FINE_BIN_CM)
    if longest <= first + 1:
        return float("nan")
    # of what overlaps, so that far repeats count like near ones
    n = len(level)
    shifted = np.lib.stride_tricks.sliding_window_view(np.pad(level, (0, longest + 1)), n)
    repeat = (shifted * level).sum(axis=1) / (n - np.arange(longest + 2))
    inner = np.arange(first, longest + 1)
    peaks = inner[(repeat[inner] >= repeat[inner - 1]) & (repeat[inner] > repeat[inner + 1])]
    peaks = peaks[repeat[peaks] >= 0.2 * repeat[0]]
    if not len(peaks):
        return float("nan")
    return float(peaks[repeat[peaks] >= 0.6 * repeat[peaks].max()][0] * _FINE_BIN_CM)


def _filled(strong: np.ndarray, width: float, reach: float) -> np.ndarray:
    """Lines, and between them and outward those of the rhythm: a row that failed has some plants left."""
    if not np.isfinite(width):
        return strong
    out = [strong]
    for a, b in pairwise(strong):
        steps = round(float(b - a) / width)
        if steps >= 2 and abs(b - a - steps * width) <= _IN_RHYTHM * width * steps**0.5:
            out.append(a + (b - a) * np.arange(1, steps) / steps)
    out += [np.arange(strong[0] - width, -reach, -width), np.arange(strong[-1] + width, reach, width)]
    return np.sort(np.concatenate(out))


def _bent(lines: Lines, points: np.ndarray, weight: np.ndarray, catch_cm: float) -> Lines:
    """The lines drawn through their green once more: each at its place, all turned and bent alike."""
    u, v = lines.places(points)
    nearest = lines.nearest(v)
    off = v - lines.v[nearest]
    near = np.flatnonzero(np.abs(off) < catch_cm)
    n = len(lines.v)
    if len(near) < FEWEST_CELLS:
        return lines
    u, off, of = u[near], off[near], nearest[near]
    w = weight[near] * (1 - (off / catch_cm) ** 2) ** 2
    size = float(np.abs(u).max()) + 1.0
    basis = u / size, (u / size) ** 2
    weighed = [w * b for b in basis]
    # normal equations, line by line: few numbers, in an order that never changes
    count = np.bincount(of, w, n) + 0.02 * w.sum() / n
    first = np.stack([np.bincount(of, b, n) for b in weighed], axis=1)
    right = np.bincount(of, w * off, n)
    inner = np.array([[(a * b).sum() for b in basis] for a in weighed])
    inner -= np.array([[(first[:, a] * first[:, b] / count).sum() for b in range(2)] for a in range(2)])
    inner += np.eye(2) * 1e-3 * w.sum()
    side = np.array([(off * b).sum() - (first[:, k] * right / count).sum() for k, b in enumerate(weighed)])
    det = inner[0, 0] * inner[1, 1] - inner[0, 1] * inner[1, 0]
    slope = (side[0] * inner[1, 1] - side[1] * inner[0, 1]) / det
    bend = float(np.clip((side[1] * inner[0, 0] - side[0] * inner[1, 0]) / det, -_MOST_SAGITTA_CM, _MOST_SAGITTA_CM))
    shift = (right - first[:, 0] * slope - first[:, 1] * bend) / count
    turn = float(np.arctan(slope / size))
    c, s = np.cos(turn), np.sin(turn)
    along = c * lines.along + s * lines.across
    return Lines(along, np.array([-along[1], along[0]]), lines.bend + bend / size**2, lines.v + shift)
