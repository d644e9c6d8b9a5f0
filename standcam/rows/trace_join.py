"""Traces of rows that go on past a gap: a long missing stretch, a road."""

from __future__ import annotations

import numpy as np

from standcam.rows.trace import Slopes, Traces
from standcam.settings import StripRowSettings

_OUT_OF_LINE_CM, _LOST_WAY = 8.0, 0.01
"""Rows that go on past a gap lie so near to where they were led, and that share of the gap: others are new rows."""
_NEIGHBOUR_CM = 1500.0
"""A trace farther off does not lead."""
_NEXT = 400
"""Traces that begin soonest after an end, of which one may go on from it."""


def joined(traces: Traces, slopes: Slopes, width: float, settings: StripRowSettings) -> Traces:
    """Traces of which one goes on where the other would have gone, made one: past a long missing stretch, a road."""
    rows = int(traces.row.max()) + 1
    begins = np.searchsorted(traces.row, np.arange(rows + 1))
    row = traces.row.copy()
    ends_u, ends_v = traces.u[begins[1:] - 1], traces.v[begins[1:] - 1]
    starts_u, starts_v = traces.u[begins[:-1]], traces.v[begins[:-1]]
    last_u = float(traces.u.max())
    band, table = _by_band(traces, begins)
    used = np.zeros(rows, bool)
    for i in np.argsort(ends_u, kind="stable"):
        if ends_u[i] >= last_u:
            continue
        gap = starts_u - ends_u[i]
        later = np.flatnonzero((gap > 0) & (gap <= settings.far_bridge_cm) & ~used)
        best: tuple[float, int] | None = None
        later = later[np.argsort(gap[later], kind="stable")][:_NEXT]
        ahead = _Ahead(float(ends_u[i]), float(ends_v[i]), slopes, settings.band_cm)
        for j in later[np.abs(starts_v[later] - ends_v[i]) <= 4 * width + 0.7 * gap[later]].tolist():
            ways = table[:, band[begins[i + 1] - 1]], table[:, band[begins[j]]]
            led = _led(ahead, float(starts_u[j]), ways)
            away = abs(led - starts_v[j])
            near = away <= min(0.35 * width, _OUT_OF_LINE_CM + _LOST_WAY * float(gap[j]))
            if near and (best is None or away < best[0]):
                # where another row lies on the way, what follows is no part of this one
                between = (traces.u > ends_u[i]) & (traces.u < starts_u[j])
                line = np.interp(traces.u[between], [ends_u[i], starts_u[j]], [ends_v[i], starts_v[j]])
                if not (np.abs(traces.v[between] - line) < 0.5 * width).any():
                    best = (float(away), j)
        if best is not None:
            used[best[1]] = True
            row[begins[best[1]] : begins[best[1] + 1]] = -1 - i
    # chains: i takes up j, which takes up another
    parent = np.arange(rows)
    for j in range(rows):
        if row[begins[j]] < 0:
            parent[j] = -1 - row[begins[j]]
    for j in range(rows):
        while parent[parent[j]] != parent[j]:
            parent[j] = parent[parent[j]]
    one = parent[traces.row]
    order = np.lexsort((traces.u, one))
    return Traces(one[order], traces.u[order], traces.v[order], traces.heap[order])


def _by_band(traces: Traces, begins: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Number of each piece's band, and where each trace lies in each band, NaN beyond its ends. (k,), (rows, bands)"""
    middles, band = np.unique(traces.u, return_inverse=True)
    table = np.full((len(begins) - 1, len(middles)), np.nan)
    table[traces.row, band] = traces.v
    for r in np.flatnonzero(np.diff(begins) <= band[begins[1:] - 1] - band[begins[:-1]]).tolist():  # with holes
        part = slice(begins[r], begins[r + 1])
        inside = slice(band[begins[r]], band[begins[r + 1] - 1] + 1)
        table[r, inside] = np.interp(middles[inside], traces.u[part], traces.v[part])
    return band, table


class _Ahead:
    """The way on from the end of a trace by the field's direction, worked out once as far as anybody asks."""

    def __init__(self, u: float, v: float, slopes: Slopes, hop: float) -> None:
        self.u, self.v, self._hop, self._slopes = u, v, hop, slopes
        self._at: list[float] = [v]
        self._slope: list[float] = []

    def _told(self, u: float, v: float) -> float:
        return float(self._slopes.at(u, np.array([v]))[0])

    def v_at(self, u: float) -> float:
        """Where it lies, hop by hop. [cm]"""
        hops = len(np.arange(self.u, u, self._hop)) - 1
        while len(self._slope) <= hops:
            k = len(self._slope)
            self._slope.append(self._told(self.u + self._hop * k, self._at[k]))
            self._at.append(self._at[k] + self._hop * self._slope[k])
        return self._at[hops] + min(self._hop, u - self.u - self._hop * hops) * self._slope[hops]


def _led(ahead: _Ahead, u: float, ways: tuple[np.ndarray, np.ndarray]) -> float:
    """Where a trace would lie at u, beyond its end: as a neighbour goes, else by the field's direction.

    ``ways`` are the places of all traces at the end and at u, NaN where they are not.
    """
    away = np.abs(ways[0] - ahead.v)
    away[np.isnan(away) | np.isnan(ways[1])] = np.inf
    nearest = int(away.argmin())
    if away[nearest] < _NEIGHBOUR_CM:
        return ahead.v + float(ways[1][nearest] - ways[0][nearest])
    return ahead.v_at(u)
