"""Gaps between neighbours and the spacing indices of ISO 7256-1.

Classes and indices follow ISO 7256-1:1984 (Sowing equipment, test methods, part 1: single seed drills) as
restated by Kachman and Smith 1995, Trans. ASAE 38(2):379-387. Each gap is divided by the theoretical spacing,
and falls into one of five classes, closed at their upper ends: double (up to 0.5), single (1.5), one skip
(2.5), two skips (3.5), three or more.

Two forms of the indices are in use and differ as soon as there is a double or a long skip. Form A is the
share of spacings in a class: tables hold this one. Form B refers to the theoretical intervals that the row
should have had. Every result names its form.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from standcam import tables

KINDS = ("double", "single", "skip_1", "skip_2", "skip_3_or_more")
"""Names of the five classes, in order of their multiples."""

OPEN = "open"
"""Kind of the stretch between an end of the measured row and its outermost plant: censored, never counted."""

UPPER_EDGES = (0.5, 1.5, 2.5, 3.5)
"""Upper ends of the first four classes, each belonging to the class below it. [multiples of theoretical
spacing]"""

EDGE_TOLERANCE = 1e-9
"""A gap typed as exactly half the spacing must stay a double after its way through inches and running sums;
this is far above the noise of floating numbers and far below any tape. [multiples of theoretical spacing]"""

FORM_SPACINGS = "share of spacings (form A)"
FORM_INTERVALS = "theoretical intervals (form B)"


@dataclass(frozen=True)
class Shares:
    """The three spacing indices in one of their forms; they add up to 100."""

    multiples_pct: np.ndarray
    """Doubles. (...,) [%]"""
    quality_of_feed_pct: np.ndarray
    """Singles. (...,) [%]"""
    misses_pct: np.ndarray
    """Skips. (...,) [%]"""
    form: str
    """Which form was computed, in words."""


def classify(multiple: np.ndarray) -> np.ndarray:
    """Class of gaps by their multiples: 0 double to 4 skip_3_or_more, -1 for NaN. (n,) [1] -> (n,)"""
    multiple = np.asarray(multiple, float)
    codes = np.searchsorted(np.asarray(UPPER_EDGES) + EDGE_TOLERANCE, multiple, side="left")
    return np.where(np.isnan(multiple), -1, codes)


def class_counts(gap_cm: np.ndarray, nominal_cm: float) -> np.ndarray:
    """How many gaps fall into each of the five classes. (n,) [cm], [cm] -> (5,)"""
    codes = classify(np.asarray(gap_cm, float) / nominal_cm)
    return np.bincount(codes[codes >= 0], minlength=len(KINDS))


def spacing_shares(counts: np.ndarray) -> Shares:
    """Indices in form A, the share of spacings: ``D = n1'/N``, ``A = n2'/N``, ``M = (n3' + n4' + n5')/N``.

    Parameters
    ----------
    counts : array (..., 5)
        Gaps in each class, see :data:`KINDS`. No gaps at all give NaN.
    """
    n = np.asarray(counts, float)
    total = n.sum(axis=-1)
    return Shares(
        _percent(n[..., 0], total),
        _percent(n[..., 1], total),
        _percent(n[..., 2:].sum(axis=-1), total),
        FORM_SPACINGS,
    )


def interval_counts(counts: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Skipped, single and double intervals of form B, and their sum. (..., 5) -> four (...,)

    These are n0, n1, n2 and N' of the standard: ``n2 = n1'``, ``n1 = N - 2 n2``,
    ``n0 = n3' + 2 n4' + 3 n5'``, ``N' = n2' + 2 n3' + 3 n4' + 4 n5'``. For any counts
    ``n0 + n1 + n2 = N'``.
    """
    n = np.asarray(counts)
    double = n[..., 0]
    single = n.sum(axis=-1) - 2 * double
    skipped = n[..., 2] + 2 * n[..., 3] + 3 * n[..., 4]
    intervals = n[..., 1] + 2 * n[..., 2] + 3 * n[..., 3] + 4 * n[..., 4]
    return skipped, single, double, intervals


def interval_shares(counts: np.ndarray) -> Shares:
    """Indices in form B, referred to theoretical intervals: ``D = n2/N'``, ``A = n1/N'``, ``M = n0/N'``.

    Outside its range form B gives nonsense (a negative quality of feed when doubles are more than half of the
    spacings); NaN stands there instead.

    Parameters
    ----------
    counts : array (..., 5)
        Gaps in each class, see :data:`KINDS`.
    """
    skipped, single, double, intervals = interval_counts(counts)
    valid = np.where((np.asarray(single) >= 0) & (np.asarray(intervals) > 0), intervals, 0)
    return Shares(_percent(double, valid), _percent(single, valid), _percent(skipped, valid), FORM_INTERVALS)


def precision_pct(gap_cm: np.ndarray, nominal_cm: float) -> float:
    """Precision of placement: 100 x sample SD of the singles / theoretical spacing. (n,) [cm], [cm] -> [%]

    The theoretical upper limit is 50 %; a steady value near 29 % (singles spread evenly over their class)
    means that the theoretical spacing is wrong or the rows have no rhythm.
    """
    gap = np.asarray(gap_cm, float)
    singles = gap[classify(gap / nominal_cm) == KINDS.index("single")]
    return float(100 * mean_sd(singles, np.zeros(len(singles), int), 1)[1][0] / nominal_cm)


def mean_sd(values: np.ndarray, group: np.ndarray, n_groups: int) -> tuple[np.ndarray, np.ndarray]:
    """Mean and sample SD (n - 1) of each group; NaN where too few. (n,), (n,) -> (g,), (g,)"""
    n = np.bincount(group, minlength=n_groups).astype(float)
    mean = _divide(np.bincount(group, weights=values, minlength=n_groups), n)
    squares = np.bincount(group, weights=(values - mean[group]) ** 2, minlength=n_groups)
    return mean, np.sqrt(_divide(squares, n - 1))


def quantiles(
    values: np.ndarray, group: np.ndarray, n_groups: int, shares: tuple[float, ...] = (0.25, 0.5, 0.75)
) -> np.ndarray:
    """Quantiles of each group by linear interpolation; NaN for an empty one. (n,), (n,) -> (shares, g)

    Type 7 of Hyndman and Fan 1996, Amer. Stat. 50:361-365: what spreadsheets call inclusive.
    """
    n = np.bincount(group, minlength=n_groups)
    out = np.full((len(shares), n_groups), np.nan)
    some = np.flatnonzero(n)
    if not len(some):
        return out
    values = values[np.lexsort((values, group))]
    begin = (np.cumsum(n) - n)[some]
    for i, share in enumerate(shares):
        place = share * (n[some] - 1)
        below = np.floor(place).astype(int)
        low = values[begin + below]
        high = values[begin + np.minimum(below + 1, n[some] - 1)]
        out[i, some] = low + (high - low) * (place - below)
    return out


def near_nominal_pct(
    gap_cm: np.ndarray, group: np.ndarray, n_groups: int, nominal_cm: float, near_cm: float
) -> np.ndarray:
    """Share of gaps within ``near_cm`` of the theoretical spacing, ends included. (n,), (n,) -> (g,) [%]"""
    if not np.isfinite(nominal_cm):
        return np.full(n_groups, np.nan)
    near = np.abs(gap_cm - nominal_cm) <= near_cm + EDGE_TOLERANCE * nominal_cm
    return _percent(np.bincount(group, near, n_groups), np.bincount(group, minlength=n_groups))


def find_gaps(positions: pd.DataFrame, stretches: pd.DataFrame, nominal_cm: float = float("nan")) -> pd.DataFrame:
    """Gaps between neighbours in each measured stretch, with its two open ends.

    A row of n plants has n + 1 gaps. The first and the last are of kind "open": they reach from the end of
    the stretch to a plant, so their true length is not known and they count as nothing. A stretch without
    plants is one open gap. Ends of unknown place give no open gap.

    Parameters
    ----------
    positions : DataFrame
        POSITIONS, in any order. Those beyond the ends of their stretch belong to no gap.
    stretches : DataFrame
        STRETCHES; the order of the result.
    nominal_cm : float
        Theoretical spacing; NaN leaves `multiple` NaN and `kind` empty. [cm]

    Returns
    -------
    DataFrame
        GAPS.

    Raises
    ------
    BadTable
        A position belongs to no stretch, or two stretches have one name.
    """
    index = stretch_index(positions, stretches)
    place = positions["position_cm"].to_numpy(float)
    keep = inside(place, index, stretches)
    plant = positions["plant"].to_numpy()[keep]
    return gap_table(neighbours(place[keep], plant, index[keep], stretches), plant, stretches, nominal_cm)


_KEYS = ("photo", "plot", "row")
_FEW = 500
"""Positions up to which names are looked up one by one: numbering them takes longer for the plants of a photo."""


def _found_by_name(positions: pd.DataFrame, stretches: pd.DataFrame) -> np.ndarray | None:
    """As :func:`stretch_index`; None where something is wrong, which that tells of."""
    keys = (zip(*(frame[name].tolist() for name in _KEYS), strict=True) for frame in (stretches, positions))
    place = {key: k for k, key in enumerate(next(keys))}
    at = [place.get(key, -1) for key in next(keys)]
    return np.array(at, int) if len(place) == len(stretches) and -1 not in at else None


def stretch_index(positions: pd.DataFrame, stretches: pd.DataFrame) -> np.ndarray:
    """Which row of ``stretches`` each position belongs to, by photo, plot and row. (n,)

    Raises
    ------
    BadTable
        A position belongs to no stretch, or two stretches have one name.
    """
    n = len(stretches)
    if len(positions) <= _FEW:
        found = _found_by_name(positions, stretches)
        if found is not None:
            return found
    key = np.zeros(n + len(positions), np.int64)
    for name in _KEYS:
        codes, found = pd.factorize(pd.concat([stretches[name], positions[name]], ignore_index=True))
        # codes are made dense again at each step, so that the product cannot overflow
        key = np.unique(key * (len(found) + 1) + codes, return_inverse=True)[1]
    order = np.argsort(key[:n], kind="stable")
    sorted_keys = key[:n][order]
    twice = np.flatnonzero(sorted_keys[1:] == sorted_keys[:-1])
    if len(twice):
        raise tables.BadTable(f"Stretch {_name(stretches, order[twice[0]])} occurs twice.", "Give each row once.")
    if n == 0 and len(positions) == 0:
        return np.zeros(0, int)
    at = np.searchsorted(sorted_keys, key[n:])
    lost = np.flatnonzero((at == n) | (sorted_keys[np.minimum(at, n - 1)] != key[n:])) if n else np.zeros(1, int)
    if len(lost):
        raise tables.BadTable(
            f"A plant of {_name(positions, lost[0])} lies in no measured stretch.",
            "Every row needs its stretch.",
        )
    return order[at]


def inside(place: np.ndarray, index: np.ndarray, stretches: pd.DataFrame) -> np.ndarray:
    """Whether each position lies in its stretch; an end of unknown place excludes none. (n,) -> (n,) bool"""
    begin = stretches["from_cm"].to_numpy(float)[index]
    end = stretches["to_cm"].to_numpy(float)[index]
    return ~((place < begin - 1e-6) | (place > end + 1e-6)) & np.isfinite(place)


@dataclass(frozen=True)
class Neighbours:
    """Pairs of neighbours along their stretches, open ends included, stretch by stretch and in order."""

    stretch: np.ndarray
    """Stretch of each pair. (g,)"""
    left: np.ndarray
    """Index of the plant where the gap begins; -1 for the start of the stretch. (g,)"""
    right: np.ndarray
    """Index of the plant where it ends; -1 for the end of the stretch. (g,)"""
    from_cm: np.ndarray
    """Where the gap begins. (g,) [cm]"""
    gap_cm: np.ndarray
    """Its length. (g,) [cm]"""

    @property
    def closed(self) -> np.ndarray:
        """Whether there is a plant at both ends. (g,) bool"""
        return (self.left >= 0) & (self.right >= 0)


def neighbours(place: np.ndarray, plant: np.ndarray, index: np.ndarray, stretches: pd.DataFrame) -> Neighbours:
    """Pair up positions matched to their stretches; see :func:`find_gaps`. (n,) [cm], (n,), (n,)"""
    n = len(stretches)
    # the ends of a stretch are nodes like its plants; neighbours in the sorted list of nodes are the gaps
    node_stretch = np.concatenate([np.arange(n), index, np.arange(n)])
    node_place = np.concatenate([stretches["from_cm"].to_numpy(float), place, stretches["to_cm"].to_numpy(float)])
    node_plant = np.concatenate([np.zeros(n, np.int64), plant, np.zeros(n, np.int64)])
    rank = np.repeat([0, 1, 2], [n, len(place), n])
    order = np.lexsort((node_plant, node_place, rank, node_stretch))
    left, right = order[:-1], order[1:]
    # an end that plants overstep by the noise of numbers leaves an open gap of zero, not below
    gap = np.maximum(node_place[right] - node_place[left], 0.0)
    keep = (node_stretch[left] == node_stretch[right]) & np.isfinite(gap)
    left, right = left[keep], right[keep]
    return Neighbours(
        node_stretch[left],
        np.where(rank[left] == 1, left - n, -1),
        np.where(rank[right] == 1, right - n, -1),
        node_place[left],
        gap[keep],
    )


def gap_table(pairs: Neighbours, plant: np.ndarray, stretches: pd.DataFrame, nominal_cm: float) -> pd.DataFrame:
    """GAPS of neighbours; see :func:`find_gaps`."""
    at = pairs.stretch
    plant = np.append(np.asarray(plant, np.int64), 0)  # -1 finds the last, which is no plant
    gaps = pd.DataFrame(
        {
            "photo": stretches["photo"].array.take(at),
            "plot": stretches["plot"].array.take(at),
            "row": stretches["row"].to_numpy()[at],
            "from_plant": pd.arrays.IntegerArray(plant[pairs.left], pairs.left < 0),
            "to_plant": pd.arrays.IntegerArray(plant[pairs.right], pairs.right < 0),
            "from_cm": pairs.from_cm,
            "gap_cm": pairs.gap_cm,
            **_classes(pairs.gap_cm, ~pairs.closed, nominal_cm),
        }
    )
    return tables.conform(tables.GAPS, gaps)


def with_classes(gaps: pd.DataFrame, nominal_cm: float) -> pd.DataFrame:
    """GAPS with `multiple` and `kind` taken against a theoretical spacing; open ends stay as they are."""
    is_open = gaps["kind"].to_numpy(object) == OPEN
    return gaps.assign(**_classes(gaps["gap_cm"].to_numpy(float), is_open, nominal_cm))


def _classes(gap_cm: np.ndarray, is_open: np.ndarray, nominal_cm: float) -> dict[str, Any]:
    """Columns `multiple` and `kind`."""
    multiple = np.where(is_open, np.nan, gap_cm / nominal_cm)
    code = np.where(is_open, len(KINDS), classify(multiple))
    names = np.array([*KINDS, OPEN, ""], object)  # code -1, no class, is the last
    return {"multiple": multiple, "kind": pd.array(names[code], dtype="str")}


def _divide(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    a, b = np.asarray(a, float), np.asarray(b, float)
    return np.divide(a, b, out=np.full(np.broadcast(a, b).shape, np.nan), where=b > 0)


def _percent(part: np.ndarray, whole: np.ndarray) -> np.ndarray:
    return 100 * _divide(part, whole)


def _name(table: pd.DataFrame, i: int) -> str:
    line = table.iloc[int(i)]
    return f"(photo {line['photo']}, plot {line['plot']}, row {line['row']})"
