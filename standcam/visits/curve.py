"""The curve of emergence from plants seen on some days only: shares by day, days to 50 %, spread.

A plant that was not there on one visit and is on the next came up in between, nobody knows when (interval censoring).
The share emerged by each visit is Turnbull's estimate (Turnbull 1976, J. R. Stat. Soc. B 38:290-295; from memory),
which for plants looked for at every visit is plain counting. Days to 50 % lie between two visits for sure; the
straight line between them gives one number, ``t50 = ti + (N/2 - ni)(tj - ti)/(nj - ni)``, with N plants in the end
and ni, nj up by the visits around (Farooq et al. 2005, J. Integr. Plant Biol. 47:187-193, after Coolbear et al. 1984,
who have (N + 1)/2; both as printed in the manual of the R package germinationmetrics). Mean emergence time is ``sum(n
D) / sum(n)`` with n plants first seen on day D (Ellis and Roberts 1981; from memory): it takes each plant at the end
of its interval, so it is late by half the time between visits.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from standcam.estimate import Estimate

_ROUNDS, _STILL = 2000, 1e-10


@dataclass(frozen=True)
class Crossing:
    """When a share of the final number was up."""

    days: Estimate
    """By the straight line between the visits around; interval by drawing rows or plants anew. [days]"""
    after: float
    """Last visit by which fewer were up, or the planting; -inf if no such day is known. [days]"""
    by: float
    """First visit by which so many were up. [days]"""


@dataclass(frozen=True)
class Curve:
    """Emergence of one plot."""

    days: np.ndarray
    """Days of the visits. (v,)"""
    share: np.ndarray
    """Of the final number of plants, up by each visit. (v,) [1]"""
    low: np.ndarray
    high: np.ndarray
    """Interval of it, by drawing rows or plants anew. (v,) [1]"""
    plants: int
    """Plants that came up, in all."""
    t10: Crossing
    t50: Crossing
    t90: Crossing
    mean_days: float
    """Mean emergence time, plants taken at the visit that first shows them. [days]"""
    drawn: str
    """What was drawn anew for the intervals: rows or plants."""

    @property
    def spread(self) -> Estimate:
        """Days from 10 to 90 % up; the interval is what visits leave open, not chance. [days]"""
        value = self.t90.days.value - self.t10.days.value
        low = max(self.t90.after - self.t10.by, 0.0)
        high = self.t90.by - self.t10.after
        return Estimate(value, low, high if math.isfinite(high) else math.nan, math.nan)


def turnbull(first: np.ndarray, last: np.ndarray, cells: int) -> np.ndarray:
    """Shares of plants by cell, each plant lying in one of the cells ``first`` to ``last``.

    Parameters
    ----------
    first, last : (n,) int
        First and last cell that a plant may have come up in; cell k ends with visit k.
    cells : int

    Returns
    -------
    array (cells,)
        Probabilities, summing to 1; NaN without plants.
    """
    first, last = np.asarray(first, int), np.asarray(last, int)
    if not len(first):
        return np.full(cells, np.nan)
    grid = np.arange(cells)
    may = (grid >= first[:, None]) & (grid <= last[:, None])
    kinds, count = np.unique(may, axis=0, return_counts=True)
    p = kinds.T @ (count / kinds.sum(axis=1)) / len(first)
    for _ in range(_ROUNDS):
        each = kinds * p
        new = (each / each.sum(axis=1, keepdims=True)).T @ count / len(first)
        if np.abs(new - p).max() < _STILL:
            return new
        p = new
    return p


def crossing(days: np.ndarray, share: np.ndarray, level: float, start: float = math.nan) -> tuple[float, float, float]:
    """Day at which the share passes a level by straight lines, and the visits around it.

    ``start`` is the day of planting, when nothing was up. Where the first visit shows the level already, and only the
    planting came before, the day is NaN: a line from planting would be a guess.
    """
    reached = np.flatnonzero(share >= level - 1e-12)
    if not len(reached):
        return math.nan, float(days[-1]), math.inf
    k = int(reached[0])
    if k == 0:
        exact = abs(share[0] - level) < 1e-12
        return (float(days[0]) if exact else math.nan), (start if math.isfinite(start) else -math.inf), float(days[0])
    step = share[k] - share[k - 1]
    day = days[k - 1] + (level - share[k - 1]) * (days[k] - days[k - 1]) / step
    return float(day), float(days[k - 1]), float(days[k])


def emergence_curve(
    first: np.ndarray,
    last: np.ndarray,
    days: np.ndarray,
    row: np.ndarray,
    start: float = math.nan,
    level: float = 0.95,
    resamples: int = 400,
    seed: int = 20,
) -> Curve:
    """Curve of the plants of one plot.

    Parameters
    ----------
    first, last : (n,) int
        First and last visit interval that each plant may have come up in (``turnbull``).
    days : (v,)
        Days of the visits, rising. [days]
    row : (n,)
        Row of each plant: from three rows on, rows are drawn anew for the intervals, else plants, which tells nothing
        of other rows.
    start : float
        Day of planting on the same scale; NaN unknown. [days]
    """
    first, last, days = np.asarray(first, int), np.asarray(last, int), np.asarray(days, float)
    cells, n = len(days), len(first)
    share = np.cumsum(turnbull(first, last, cells))
    names, code = np.unique(row, return_inverse=True)
    by_rows = len(names) >= 3
    rng = np.random.default_rng(seed)
    shares = np.full((resamples, cells), np.nan)
    if n >= 2:
        members = [np.flatnonzero(code == k) for k in range(len(names))]
        for r in range(resamples):
            if by_rows:
                pick = np.concatenate([members[k] for k in rng.integers(len(names), size=len(names))])
            else:
                pick = rng.integers(n, size=n)
            shares[r] = np.cumsum(turnbull(first[pick], last[pick], cells))
    alpha = (1 - level) / 2
    if n >= 2:
        low, high = np.quantile(shares, [alpha, 1 - alpha], axis=0)
    else:
        low = high = np.full(cells, np.nan)

    def crossed(at: float) -> Crossing:
        if not n:
            return Crossing(Estimate(math.nan), -math.inf, math.inf)
        day, after, by = crossing(days, share, at, start)
        drawn = np.array([crossing(days, s, at, start)[0] for s in shares]) if n >= 2 else np.full(1, np.nan)
        known = np.isfinite(drawn)
        ends = (math.nan, math.nan)
        # where a part of the draws fall before the first visit, the interval has no lower end that is known
        if math.isfinite(day) and known.mean() > 1 - alpha:
            ends = tuple(float(v) for v in np.quantile(drawn[known], [alpha, 1 - alpha]))  # type: ignore[assignment]
        return Crossing(Estimate(day, *ends, level), after, by)

    mean = float(days[last].mean()) if n else math.nan
    return Curve(
        days, share, low, high, n, crossed(0.1), crossed(0.5), crossed(0.9), mean, "rows" if by_rows else "plants"
    )
