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
    piece = {r: (traces.u[begins[r] : begins[r + 1]], traces.v[begins[r] : begins[r + 1]]) for r in range(rows)}
    used = np.zeros(rows, bool)
    for i in np.argsort(ends_u, kind="stable"):
        if ends_u[i] >= last_u:
            continue
        gap = starts_u - ends_u[i]
        later = np.flatnonzero((gap > 0) & (gap <= settings.far_bridge_cm) & ~used)
        best: tuple[float, int] | None = None
        for j in later[np.argsort(gap[later], kind="stable")][:_NEXT]:
            if abs(starts_v[j] - ends_v[i]) > 4 * width + 0.7 * gap[j]:
                continue
            led = _led(i, int(j), piece, ends_u, ends_v, starts_u, slopes, settings)
            away = abs(led - starts_v[j])
            near = away <= min(0.35 * width, _OUT_OF_LINE_CM + _LOST_WAY * float(gap[j]))
            if near and (best is None or away < best[0]):
                # where another row lies on the way, what follows is no part of this one
                between = (traces.u > ends_u[i]) & (traces.u < starts_u[j])
                line = np.interp(traces.u[between], [ends_u[i], starts_u[j]], [ends_v[i], starts_v[j]])
                if not (np.abs(traces.v[between] - line) < 0.5 * width).any():
                    best = (away, int(j))
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


def _led(
    i: int,
    j: int,
    piece: dict[int, tuple[np.ndarray, np.ndarray]],
    ends_u: np.ndarray,
    ends_v: np.ndarray,
    starts_u: np.ndarray,
    slopes: Slopes,
    settings: StripRowSettings,
) -> float:
    """Where trace i would lie at the begin of trace j: as a neighbour goes, else by the field's direction."""
    u0, u1 = ends_u[i], starts_u[j]
    nearest, moved = _NEIGHBOUR_CM, 0.0
    for u, v in piece.values():
        if u[0] <= u0 and u[-1] >= u1:
            at0, at1 = np.interp([u0, u1], u, v)
            if abs(at0 - ends_v[i]) < nearest:
                nearest, moved = abs(at0 - ends_v[i]), at1 - at0
    at = float(ends_v[i])
    if nearest < _NEIGHBOUR_CM:
        return at + float(moved)
    for place in np.arange(u0, u1, settings.band_cm):
        at += min(settings.band_cm, u1 - place) * float(slopes.at(float(place), np.array([at]))[0])
    return at
