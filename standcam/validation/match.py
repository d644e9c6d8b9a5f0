"""Pairing found places with true ones, one to one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Pairs:
    """Indices of found and true places that belong together; what is in neither list stays alone."""

    found: np.ndarray
    """(k,) int"""
    true: np.ndarray
    """(k,) int, in the order of ``found``"""
    distance: np.ndarray
    """(k,), in the unit of the places"""

    def __len__(self) -> int:
        return len(self.found)

    def found_alone(self, count: int) -> np.ndarray:
        """Which of ``count`` found places have no partner. (m,) int"""
        return np.setdiff1d(np.arange(count), self.found)

    def true_alone(self, count: int) -> np.ndarray:
        """Which of ``count`` true places have no partner. (m,) int"""
        return np.setdiff1d(np.arange(count), self.true)


def match(found: np.ndarray, true: np.ndarray, tolerance: float) -> Pairs:
    """Pair places within ``tolerance`` of each other: as many pairs as can be, and of those the least in sum.

    Nearest-first pairing would do badly at doubles: it may give a find to the wrong stem of two and so leave
    another find alone that had only that stem in reach. The pairing is solved as a whole instead (linear
    assignment; Crouse 2016, IEEE TAES 52:1679-1696, as scipy has it).

    Parameters
    ----------
    found, true : (n,) or (n, d) array
        Places along a row, or in a plane. NaN places pair with nothing.
    tolerance : float
        Largest distance of a pair, in the unit of the places.

    Raises
    ------
    ValueError
        The tolerance is not positive, or the places differ in dimension.
    """
    if not tolerance > 0:
        raise ValueError(f"tolerance is {tolerance}; it must be greater than zero")
    found, true = _places(found), _places(true)
    if not len(found) or not len(true):
        nobody = np.empty(0, int)
        return Pairs(nobody, nobody, np.empty(0))
    if found.shape[1] != true.shape[1]:
        raise ValueError(f"found places have {found.shape[1]} coordinates and true ones {true.shape[1]}")
    if found.shape[1] == 1:
        return _match_line(found[:, 0], true[:, 0], tolerance)
    return _match_all(found, true, tolerance)


def _match_line(found: np.ndarray, true: np.ndarray, tolerance: float) -> Pairs:
    """Places on a line fall apart into knots that no pair can span; each is a small matter of its own."""
    places = np.concatenate([found, true])
    order = np.argsort(places, kind="stable")
    order = order[np.isfinite(places[order])]
    knot = np.cumsum(np.r_[False, np.diff(places[order]) > tolerance])
    is_found = order < len(found)
    size = np.bincount(knot)
    ours = np.bincount(knot, weights=is_found, minlength=len(size)).astype(int)
    starts = np.cumsum(size) - size
    simple = starts[(size == 2) & (ours == 1)]
    first, second = order[simple], order[simple + 1]
    i = [np.minimum(first, second)]
    j = [np.maximum(first, second) - len(found)]
    for n in np.flatnonzero((size > 2) & (ours > 0) & (ours < size)):
        members = order[starts[n] : starts[n] + size[n]]
        f, t = members[members < len(found)], members[members >= len(found)] - len(found)
        pairs = _match_all(found[f, None], true[t, None], tolerance)
        i.append(f[pairs.found])
        j.append(t[pairs.true])
    at, to = np.concatenate(i), np.concatenate(j)
    # of pairings equal in sum (two finds, both left of two stems) the one in order: no distance grows by it
    at, to = at[np.argsort(found[at], kind="stable")], to[np.argsort(true[to], kind="stable")]
    sorting = np.argsort(at)
    at, to = at[sorting], to[sorting]
    return Pairs(at, to, np.abs(found[at] - true[to]))


def _match_all(found: np.ndarray, true: np.ndarray, tolerance: float) -> Pairs:
    """All places at once. (n, d), (m, d)"""
    from scipy.optimize import linear_sum_assignment

    distance = np.linalg.norm(found[:, None] - true[None], axis=2)
    near = distance <= tolerance
    # a pair out of reach costs more than all pairs in reach together: none of those is given up for it
    never = tolerance * (min(len(found), len(true)) + 1)
    i, j = linear_sum_assignment(np.where(near, distance, never))
    kept = near[i, j]
    return Pairs(i[kept], j[kept], distance[i[kept], j[kept]])


def _places(values: np.ndarray) -> np.ndarray:
    places = np.asarray(values, float)
    return places[:, None] if places.ndim == 1 else places
