"""Rows followed through a group of squares, from band to band along the common direction.

In each band the plants, sheared by the local direction, heap up where rows run. A row goes on at the heap nearest to
where it leads; where none is, it is carried on, bending as its neighbours do, up to the length that may be bridged.
Nothing supposes equal distances, so guess rows and wheel tracks need no care; the rhythm only tells how near heaps may
stand to each other.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from standcam.settings import StripRowSettings

_STEP_CM = 2.0
"""Bins across, of the heaps."""
_FAINTEST = 0.8
"""Plants in a heap with which a row goes on."""
_SHARE_ON, _SHARE_NEW = 0.08, 0.25
"""Share of the usual heap with which a row goes on, or begins."""
_SHARE_INSTEAD = 0.5
"""And takes the place of one that is only carried on."""
_STAND_OUT = 1.2
"""SDs of chance by which a heap that begins a row stands out from its surroundings."""
_GAIN = 0.8
"""Share of a heap's distance from where the row led by which the row follows."""
_NO_RHYTHM_CM = 60.0
"""Stands for the row width where there is a single row."""


@dataclass(frozen=True)
class Slopes:
    """Local direction over the group, as slope of v over u."""

    centre_uv: np.ndarray
    slope: np.ndarray
    weight: np.ndarray
    side_cm: float

    def at(self, u: float, v: np.ndarray) -> np.ndarray:
        """Slope at one place along, places across. -> as v"""
        away = ((self.centre_uv[:, 0] - u) / self.side_cm) ** 2
        near = away <= max(9.0, float(away.min()) + 4.0)
        nodes = np.arange(v.min(), v.max() + self.side_cm / 2, self.side_cm / 2) if len(v) else np.zeros(0)
        distance = away[near] + ((nodes[:, None] - self.centre_uv[near, 1]) / self.side_cm) ** 2
        share = self.weight[near] * np.exp(-np.minimum(distance, 60.0)) + 1e-30 * np.exp(-distance / 50)
        mean = (share @ self.slope[near]) / share.sum(axis=1)
        return np.interp(v, nodes, mean) if len(nodes) else v


@dataclass(frozen=True)
class Traces:
    """Pieces of rows: one a row and band."""

    row: np.ndarray
    """Number of the trace, from 0. (k,)"""
    u: np.ndarray
    """Middle of the band. (k,) [cm]"""
    v: np.ndarray
    """Place across. (k,) [cm]"""
    heap: np.ndarray
    """Plants in the heap; 0 where the row was carried on. (k,)"""


def rhythm(profiles: list[np.ndarray], settings: StripRowSettings) -> float:
    """Row width from how the heaps of each band repeat; NaN where they do not. [cm]"""
    longest = int(settings.widest_cm * 1.15 / _STEP_CM) + 2
    pooled = np.zeros(longest)
    for profile in profiles:
        if len(profile) < 4 or profile.sum() <= 0:
            continue
        level = profile - profile.mean()
        size = 1 << int(len(profile) + longest).bit_length()
        spectrum = np.fft.rfft(level, size)
        repeat = np.fft.irfft(np.abs(spectrum) ** 2, size)[:longest]
        pooled[: len(repeat)] += repeat
    if pooled[0] <= 0:
        return float("nan")
    lags = np.arange(longest)
    inner = lags[1:-1]
    peaks = inner[(pooled[1:-1] >= pooled[:-2]) & (pooled[1:-1] > pooled[2:])]
    peaks = peaks[(peaks * _STEP_CM >= settings.narrowest_cm * 0.9)]
    peaks = peaks[pooled[peaks] >= 0.1 * pooled[0]]
    if not len(peaks):
        return float("nan")
    first = int(peaks[pooled[peaks] >= 0.5 * pooled[peaks].max()][0])
    before, top, after = pooled[first - 1 : first + 2]
    curved = before - 2 * top + after
    return float(_STEP_CM * (first + ((before - after) / (2 * curved) if curved < 0 else 0.0)))


class Bands:
    """Points of a group, band by band, as profiles across."""

    def __init__(self, uv: np.ndarray, weights: np.ndarray, slopes: Slopes, settings: StripRowSettings) -> None:
        order = np.argsort(uv[:, 0], kind="stable")
        self.uv, self.weights = uv[order], weights[order]
        self.slopes, self.hop = slopes, settings.band_cm
        low, high = float(self.uv[0, 0]), float(self.uv[-1, 0])
        n = max(int(np.ceil((high - low) / self.hop)), 1)
        self.middles = (low + high) / 2 + (np.arange(n) - (n - 1) / 2) * self.hop
        self.low_v = float(uv[:, 1].min()) - 60.0
        self.bins = int((float(uv[:, 1].max()) + 60.0 - self.low_v) / _STEP_CM) + 2

    def raw(self, k: int) -> np.ndarray:
        """Weight in each bin across, of a band twice as long as the step from band to band, sheared to its middle."""
        u = self.middles[k]
        first, last = np.searchsorted(self.uv[:, 0], [u - self.hop, u + self.hop])
        uv = self.uv[first:last]
        v = uv[:, 1] - self.slopes.at(u, uv[:, 1]) * (uv[:, 0] - u)
        at = np.clip(((v - self.low_v) / _STEP_CM).astype(np.int64), 0, self.bins - 1)
        return np.bincount(at, self.weights[first:last], self.bins)

    def place(self, index: np.ndarray) -> np.ndarray:
        """Middle of bins. [cm]"""
        return self.low_v + (index + 0.5) * _STEP_CM


def _smooth(raw: np.ndarray, sd_cm: float) -> np.ndarray:
    """Plants about each bin, by a bell of height one."""
    reach = int(3 * sd_cm / _STEP_CM) + 1
    bell = np.exp(-0.5 * (np.arange(-reach, reach + 1) * _STEP_CM / sd_cm) ** 2)
    return np.convolve(raw, bell, mode="same")


def _mean(values: np.ndarray, bins: int) -> np.ndarray:
    half = bins // 2
    total = np.cumsum(np.pad(values, (half + 1, half)))
    return (total[2 * half + 1 :] - total[: -2 * half - 1]) / (2 * half + 1)


def trace_rows(bands: Bands, row_width_cm: float, settings: StripRowSettings) -> Traces:
    """Follow rows from band to band.

    Parameters
    ----------
    bands : Bands
    row_width_cm : float
        From :func:`rhythm` or given; NaN for a single row. [cm]
    """
    width = row_width_cm if np.isfinite(row_width_cm) else _NO_RHYTHM_CM
    sd = float(np.clip(width / 14, 1.5, 4.0))
    gate = min(0.3 * width, 15.0)
    coast = max(int(np.ceil(settings.bridge_cm / bands.hop)) + 1, 1)
    around = int(max(1.5 * width, 100.0) / _STEP_CM)
    heaps = [_smooth(bands.raw(k), sd) for k in range(len(bands.middles))]
    tops = [h[_maxima(h)] for h in heaps]
    high = np.concatenate([t[t >= 0.3 * t.max()] for t in tops if len(t)] or [np.zeros(0)])
    usual = float(np.median(high)) if len(high) else 0.0

    ident, at, drift, idle, total = (np.zeros(0, t) for t in (np.int64, float, float, np.int64, float))
    made = 0
    out: list[tuple[np.ndarray, float, np.ndarray, np.ndarray]] = []
    for k, u in enumerate(bands.middles):
        heap = heaps[k]
        level = _mean(heap, around)
        if k and len(at):
            at = at + bands.hop * bands.slopes.at(float(bands.middles[k - 1]), at) + 0.5 * drift
            at, heap_of, drift = _follow(bands, heap, level, at, drift, gate, usual)
            held = heap_of > 0
            idle = np.where(held, 0, idle + 1)
            total = 0.8 * total + heap_of
            kept = (idle <= coast) & _apart(at, total, 0.5 * width)
            ident, at, drift, idle, total, heap_of = (a[kept] for a in (ident, at, drift, idle, total, heap_of))
            out.append((ident, float(u), at, heap_of))
        new = _maxima(heap)
        strong = heap[new]
        new = new[
            (strong >= max(2.0, _SHARE_NEW * usual)) & (strong - level[new] >= _STAND_OUT * np.sqrt(level[new] + 0.5))
        ]
        new = new[np.argsort(-heap[new], kind="stable")]
        fresh = _centred(bands, heap, new)
        # a row that is carried on gives way to a full one beside it: ranges of plots are sown out of line
        free = _clear_of(fresh, at[idle == 0], 0.55 * width)
        free &= _clear_of(fresh, at, 0.55 * width) | (heap[new] >= _SHARE_INSTEAD * usual)
        new, fresh = new[free], fresh[free]
        good = _apart(fresh, heap[new], 0.55 * width)
        new, fresh = new[good], fresh[good]
        kept = (idle == 0) | _clear_of(at, fresh, 0.55 * width)
        ident, at, drift, idle, total = (a[kept] for a in (ident, at, drift, idle, total))
        fresh_id = made + np.arange(len(new))
        made += len(new)
        out.append((fresh_id, float(u), fresh, heap[new]))
        order = np.argsort(np.r_[at, fresh], kind="stable")
        ident, at = np.r_[ident, fresh_id][order], np.r_[at, fresh][order]
        drift, idle = np.r_[drift, np.zeros(len(new))][order], np.r_[idle, np.zeros(len(new), np.int64)][order]
        total = np.r_[total, heap[new]][order]
    return _trimmed(out)


def _clear_of(places: np.ndarray, others: np.ndarray, least_cm: float) -> np.ndarray:
    """Which places lie no nearer than that to any of the others. (n,) bool"""
    if not len(others):
        return np.ones(len(places), bool)
    taken = np.sort(others)
    j = np.searchsorted(taken, places)
    before, after = taken[np.maximum(j - 1, 0)], taken[np.minimum(j, len(taken) - 1)]
    return np.minimum(np.abs(places - before), np.abs(places - after)) >= least_cm


def _maxima(heap: np.ndarray) -> np.ndarray:
    inner = np.flatnonzero((heap[1:-1] > heap[:-2]) & (heap[1:-1] >= heap[2:])) + 1
    return inner[heap[inner] > 0]


def _centred(bands: Bands, heap: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Places of maxima between the bins, by a parabola. [cm]"""
    if not len(at):
        return np.zeros(0)
    before, top, after = heap[at - 1], heap[at], heap[at + 1]
    curved = before - 2 * top + after
    shift = np.where(curved < 0, (before - after) / (2 * np.where(curved < 0, curved, -1.0)), 0.0)
    return bands.place(at + np.clip(shift, -0.5, 0.5))


def _follow(
    bands: Bands, heap: np.ndarray, level: np.ndarray, at: np.ndarray, drift: np.ndarray, gate: float, usual: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Where rows go on: new places, plants in their heaps (0 where carried on), and their drift."""
    reach = int(np.ceil(gate / _STEP_CM))
    middle = np.clip(np.round((at - bands.low_v) / _STEP_CM - 0.5).astype(np.int64), reach + 1, bands.bins - reach - 2)
    index = middle[:, None] + np.arange(-reach, reach + 1)
    about = heap[index]
    peak = (about > heap[index - 1]) & (about >= heap[index + 1])
    away = bands.place(index) - at[:, None]
    likely = np.where(peak, about * np.exp(-0.5 * (away / (0.6 * gate)) ** 2), 0.0)
    best = likely.argmax(axis=1)
    top = index[np.arange(len(at)), best]
    strong = heap[top]
    held = likely[np.arange(len(at)), best] > 0
    held &= (strong >= max(_FAINTEST, _SHARE_ON * usual)) & (strong >= 1.3 * level[top])
    moved = np.where(held, _centred(bands, heap, top) - at, 0.0)
    if held.any() and not held.all():
        # rows of a field bend together: what is carried on goes as its neighbours went
        moved = np.where(held, moved, np.interp(at, at[held], moved[held]))
    moved = moved * _GAIN
    return at + moved, np.where(held, strong, 0.0), np.where(held, 0.5 * drift + moved, 0.5 * drift)


def _apart(at: np.ndarray, strength: np.ndarray, least_cm: float) -> np.ndarray:
    """Which to keep so that none stand closer than that: the stronger of two. (n,) bool"""
    order = np.argsort(at, kind="stable")
    while True:
        close = np.diff(at[order]) < least_cm
        if not close.any():
            break
        held = strength[order]
        left, right = np.r_[False, close], np.r_[close, False]
        # the weakest of each chain go at once; of equals the later one
        weaker = (left | right) & ~(left & (held > np.r_[0.0, held[:-1]])) & ~(right & (held >= np.r_[held[1:], 0.0]))
        order = order[~weaker]
    kept = np.zeros(len(at), bool)
    kept[order] = True
    return kept


def _trimmed(out: list[tuple[np.ndarray, float, np.ndarray, np.ndarray]]) -> Traces:
    """All pieces, those carried on past the last heap left off."""
    row = np.concatenate([o[0] for o in out]) if out else np.zeros(0, np.int64)
    u = np.concatenate([np.full(len(o[0]), o[1]) for o in out]) if out else np.zeros(0)
    v = np.concatenate([o[2] for o in out]) if out else np.zeros(0)
    heap = np.concatenate([o[3] for o in out]) if out else np.zeros(0)
    last = np.full(int(row.max()) + 1 if len(row) else 0, -np.inf)
    np.maximum.at(last, row[heap > 0], u[heap > 0])
    kept = u <= last[row]
    order = np.lexsort((u[kept], row[kept]))
    return Traces(row[kept][order], u[kept][order], v[kept][order], heap[kept][order])
