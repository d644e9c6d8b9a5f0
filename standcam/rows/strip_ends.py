"""Ends of rows, and what of a row counts: the border of the picture, nodata, and bare ground that all rows cross."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from standcam.rows import bearing
from standcam.rows.smooth import Lines
from standcam.rows.valid_ground import spells_of
from standcam.settings import StripRowSettings

_LOOK_CM = 25.0
"""Step in which a line is looked at for valid ground."""
_SAME_HOLE = 0.7
"""Share of a hole that the neighbours lack too, for it to be bare ground and no fault of the row."""


@dataclass(frozen=True)
class Frame:
    """u along a group, v to the right of it."""

    direction_deg: float

    @property
    def axes(self) -> np.ndarray:
        """(2, 2): points @ axes gives u, v, and its transpose leads back."""
        a = np.deg2rad(self.direction_deg)
        return np.array([[np.cos(a), np.sin(a)], [np.sin(a), -np.cos(a)]]).T

    def turn_deg(self, angle_deg: np.ndarray) -> np.ndarray:
        """Turn from the frame to directions. [degrees]"""
        return bearing.turn_deg(angle_deg, self.direction_deg)


def row_ends(
    frame: Frame,
    lines: Lines,
    first: np.ndarray,
    last: np.ndarray,
    spacing: float,
    valid: Callable[[np.ndarray], np.ndarray] | None,
    settings: StripRowSettings,
) -> tuple[np.ndarray, np.ndarray, list[np.ndarray], np.ndarray]:
    """Begin and end of each row in u, its spells, and which ends a border cuts.

    A row that ends in the field ends half a spacing past its last plant. One that ends near the border of the picture
    is cut by it; so is one whose neighbours run on to the border, if what is missing can be bridged.
    """
    rows = len(first)
    low, high = first - spacing / 2, last + spacing / 2
    opened = np.zeros((rows, 2), bool)
    if valid is None:
        return low, high, [np.array([[a, b]]) for a, b in zip(low, high, strict=True)], opened
    seen = _valid_runs(frame, lines, first - settings.bridge_cm, last + settings.bridge_cm, valid)
    border = np.full((rows, 2), np.nan)
    for r, runs in enumerate(seen):
        for end, plant in enumerate((first[r], last[r])):
            around = runs[(runs[:, 0] <= plant + 1.0) & (runs[:, 1] >= plant - 1.0)]
            if not len(around):  # a plant on ground that is not valid
                border[r, end] = plant
                continue
            at = around[0, 0] if end == 0 else around[-1, 1]
            reached = abs(at - (plant + (-1, 1)[end] * settings.bridge_cm)) > 1.0
            if reached:
                border[r, end] = at
    away = np.abs(np.c_[first, last] - border)
    near = away <= settings.edge_spacings * spacing
    beside = np.zeros((rows, 2), bool)
    beside[1:] |= near[:-1]
    beside[:-1] |= near[1:]
    opened = near | (beside & (away <= settings.bridge_cm))
    margin = settings.edge_margin_cm
    low = np.where(opened[:, 0], border[:, 0] + margin, low)
    high = np.where(opened[:, 1], border[:, 1] - margin, high)
    spells = []
    for r, runs in enumerate(seen):
        # holes have borders too
        inner = runs + np.array([margin, -margin])
        cut = np.c_[np.maximum(inner[:, 0], low[r]), np.minimum(inner[:, 1], high[r])]
        cut = cut[cut[:, 1] > cut[:, 0]]
        spells.append(cut)
        if len(cut):
            low[r], high[r] = cut[0, 0], cut[-1, 1]
        else:
            high[r] = low[r]
    return low, high, spells, opened


def _valid_runs(
    frame: Frame,
    lines: Lines,
    low: np.ndarray,
    high: np.ndarray,
    valid: Callable[[np.ndarray], np.ndarray],
) -> list[np.ndarray]:
    """Runs of valid ground along each line, to a centimetre; holes shorter than the step may be missed. (k, 2) [cm]"""
    count = np.ceil((high - low) / _LOOK_CM).astype(np.int64) + 1
    row = np.repeat(np.arange(len(low)), count)
    index = np.arange(int(count.sum())) - np.repeat(np.cumsum(count) - count, count)
    step = ((high - low) / np.maximum(count - 1, 1))[row]
    u = low[row] + index * step

    def good(row: np.ndarray, u: np.ndarray) -> np.ndarray:
        return valid(np.c_[u, lines.v(row, u)] @ frame.axes.T)

    is_good = good(row, u)
    flip = np.flatnonzero((row[1:] == row[:-1]) & (is_good[1:] != is_good[:-1]))
    inside = np.where(is_good[flip], u[flip], u[flip + 1])
    outside = np.where(is_good[flip], u[flip + 1], u[flip])
    for _ in range(6):
        middle = (inside + outside) / 2
        still = good(row[flip], middle)
        inside, outside = np.where(still, middle, inside), np.where(still, outside, middle)
    u = u.copy()
    u[np.where(is_good[flip], flip, flip + 1)] = inside
    begins = np.cumsum(count) - count
    return [spells_of(is_good[b : b + n], u[b : b + n]) for b, n in zip(begins, count, strict=True)]


def bare_ground(row: np.ndarray, u: np.ndarray, rows: int, settings: StripRowSettings) -> list[np.ndarray]:
    """Stretches without plants, longer than may be bridged, that the neighbour rows lack too: a road, a waterway.

    Parameters
    ----------
    row, u : (n,) arrays
        Plants on rows, which are numbered from left to right, and their places. [cm]

    Returns
    -------
    list of (k, 2) arrays
        From plant to plant, for each row. [cm]
    """
    order = np.lexsort((u, row))
    row, u = row[order], u[order]
    begins = np.searchsorted(row, np.arange(rows + 1))
    wide = np.flatnonzero((np.diff(row) == 0) & (np.diff(u) > settings.bridge_cm))
    holes = [np.c_[u[k], u[k + 1]] for k in (wide[row[wide] == r] for r in range(rows))]
    ends = [(u[b], u[e - 1]) if e > b else (np.inf, -np.inf) for b, e in itertools.pairwise(begins)]
    out = []
    for r in range(rows):
        bare = []
        for a, b in holes[r]:
            shares = []
            for other in (r - 1, r + 1):
                # a neighbour that does not come by here says nothing
                if 0 <= other < rows and min(ends[other][1], b) - max(ends[other][0], a) > _SAME_HOLE * (b - a):
                    common = np.minimum(holes[other][:, 1], b) - np.maximum(holes[other][:, 0], a)
                    shares.append(float(common.max(initial=0.0)) / (b - a))
            if shares and min(shares) >= _SAME_HOLE:
                bare.append((a, b))
        out.append(np.array(bare).reshape(-1, 2))
    return out


def cut_out(spells: np.ndarray, holes: np.ndarray) -> np.ndarray:
    """Spells less holes. (k, 2), (m, 2) -> (n, 2) [cm]"""
    for a, b in holes:
        left = np.c_[spells[:, 0], np.minimum(spells[:, 1], a)]
        right = np.c_[np.maximum(spells[:, 0], b), spells[:, 1]]
        spells = np.concatenate([left, right])
        spells = spells[spells[:, 1] > spells[:, 0]]
    return spells[np.argsort(spells[:, 0], kind="stable")]
