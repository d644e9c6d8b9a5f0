"""How much to look at: places, rows and metres of row for a wanted interval, and where to look.

The variance of what is looked for is taken apart into that of places, of rows within a place and of pieces
within a row, each by the analysis of variance (Searle, Casella and McCulloch 1992, Variance Components, ch. 3;
from memory). A place that shows R rows of m pieces then has the variance ``places + rows / R + pieces / (R m)``,
and n places give an interval of half-width ``t(n - 1) sqrt(variance / n)``. Places are the sampling unit, not
plants: more plants in one place say little of the field.

A piece is about a metre of row for the population, and one gap for CV and skips.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from standcam.errors import BadSettings, TooFewData
from standcam.spacing import metrics
from standcam.spacing.intervals import t_quantile

PIECE_CM = 100.0
"""Pieces that rows are cut into for the variance within rows. Shorter ones see more of the rhythm of the plants
than of the row: their variance does not fall as one over the length, and few rows would seem to suffice. [cm]"""
MOST_PLACES = 5000
"""Where a wanted interval would need more, it is said to be out of reach."""
SURE = 0.95
"""How often the interval comes out as narrow as wanted, or narrower, on the number of places called sure. [1]"""
PILOT_LIMIT = 0.8
"""One-sided confidence of the variance of a first sample that a careful plan takes (Browne 1995, Stat. Med.
14:1933-1940; from memory). [1]"""


# ---- variance


@dataclass(frozen=True)
class Components:
    """Variance of a quantity taken apart, all in its unit squared."""

    places: float
    """Between places; 0 where a sample has one row a place, and then within rows."""
    rows: float
    """Between rows of one place."""
    within: float
    """Between pieces of one row."""
    pieces: float = 1.0
    """Pieces of a row in the sample."""
    df: float = float("inf")
    """Degrees of freedom of the units that the sample had."""

    def of_place(self, rows: int, pieces: float) -> float:
        """Variance of the mean of one place: ``rows`` rows of ``pieces`` pieces each."""
        return self.places + self.rows / rows + self.within / (rows * max(pieces, 1e-9))

    @property
    def icc(self) -> float:
        """Intraclass correlation of pieces in one row. [1]"""
        between = self.places + self.rows
        total = between + self.within
        return between / total if total > 0 else 0.0

    def design_effect(self, pieces: float) -> float:
        """How much larger the variance is than that of as many pieces from all over: ``1 + (m - 1) icc``. [1]"""
        return 1 + (pieces - 1) * self.icc

    def scaled(self, factor: float) -> Components:
        """All variances times a factor."""
        return replace(self, places=self.places * factor, rows=self.rows * factor, within=self.within * factor)


def components(value: np.ndarray, row: np.ndarray, place_of_row: np.ndarray) -> Components:
    """Variance components of pieces in rows in places, by the analysis of variance.

    ``within`` is the pooled mean square within rows. From unweighted row means, those of one place compared, comes
    ``rows`` less its share of ``within``; from unweighted place means ``places``. With one row a place the two
    cannot be told apart, and all of it is called ``rows``, with the weights of unequal rows (``n0``). Negative
    estimates are set to zero.

    Parameters
    ----------
    value : array (n,)
        One a piece.
    row : array (n,) of int
        Row of each piece, 0 to k - 1, each occurring.
    place_of_row : array (k,) of int
        Place of each row.

    Raises
    ------
    TooFewData
        Fewer than two rows.
    """
    value, row = np.asarray(value, float), np.asarray(row, int)
    place = np.unique(np.asarray(place_of_row), return_inverse=True)[1]
    k, n = len(place), len(value)
    if k < 2:
        raise TooFewData("One row cannot tell how rows differ.", "Count some rows more, far apart.")
    m = np.bincount(row, minlength=k).astype(float)
    mean = np.bincount(row, value, k) / m
    within = float(((value - mean[row]) ** 2).sum() / (n - k)) if n > k else 0.0
    share = within * float((1 / m).mean())
    in_place = np.bincount(place).astype(float)
    p = len(in_place)
    if p == k:
        grand = value.mean()
        n0 = float((n - (m**2).sum() / n) / (k - 1))
        between = float((m * (mean - grand) ** 2).sum() / (k - 1))
        return Components(0.0, max(0.0, (between - within) / n0), within, float(m.mean()), k - 1)
    place_mean = np.bincount(place, mean) / in_place
    row_square = float(((mean - place_mean[place]) ** 2).sum() / (k - p))
    rows = max(0.0, row_square - share)
    places = max(0.0, float(place_mean.var(ddof=1)) - row_square * float((1 / in_place).mean())) if p > 1 else 0.0
    return Components(places, rows, within, float(m.mean()), max(p - 1, 1) if p > 1 else k - 1)


def cv_influence(gap: np.ndarray) -> np.ndarray:
    """How much each gap moves the CV, its influence function; their sum is zero. (n,) -> (n,) [%]

    ``CV ((z² - 1) / 2 - CV z)`` with ``z = (gap - mean) / SD``: the CV is then as a mean of these, whose
    variance is that of the linearised CV (delta method; Cramér 1946 gives it for independent draws, from memory).
    """
    gap = np.asarray(gap, float)
    mean, sd = gap.mean(), gap.std()
    if not sd > 0:
        return np.zeros(len(gap))
    z, cv = (gap - mean) / sd, sd / mean
    return 100 * cv * ((z**2 - 1) / 2 - cv * z)


def cv_variance(cv: float, skew: float, kurtosis: float) -> float:
    """Variance of the influence of one gap on the CV, from moments: ``CV² ((k - 1)/4 - CV skew + CV²)``. [%²]"""
    return 1e4 * cv**2 * ((kurtosis - 1) / 4 - cv * skew + cv**2)


@dataclass(frozen=True)
class Variation:
    """What a plan rests on: how a stand varies."""

    mean_gap_cm: float
    cv_pct: float
    """Of the gaps."""
    misses_pct: float
    """Share of the spacings."""
    population: Components
    """Of the density relative to its mean, pieces of a metre. [%²]"""
    cv: Components
    """Of the influence on the CV, pieces are gaps. [points²]"""
    misses: Components
    """Of being a skip, pieces are gaps. [points²]"""
    source: str
    rows: int = 0
    """Rows of the first sample; 0 without one."""
    places: int = 0
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class CommonStand:
    """A stand as it is commonly met, where there is no first sample: common practice, no source.

    Wrong for fields of uneven soil or seedbed, and for a planter with a fault: a first sample tells.
    """

    place_pct: float = 6.0
    """SD of the density from place to place. [%]"""
    row_pct: float = 4.0
    """SD of the density from row to row in one place. [%]"""
    cv_pct: float = 40.0
    """Of the gaps; about what 8 % skips, 3 % doubles and a scatter of 15 to 20 % of the spacing make. [%]"""
    cv_row_points: float = 5.0
    """SD of the CV from row to row. [points]"""
    misses_pct: float = 8.0
    """Skips, of the spacings. [%]"""
    misses_row_points: float = 3.0
    """SD of that share from row to row. [points]"""
    skew: float = 1.3
    kurtosis: float = 7.5
    """Of the gaps of such a planter, worked out by simulation."""


def common_variation(mean_gap_cm: float, stand: CommonStand | None = None) -> Variation:
    """Variation of a stand as commonly met. Places and rows stand for one another where one row a place is seen."""
    s = stand or CommonStand()
    cv, share = s.cv_pct / 100, s.misses_pct / 100
    # a row is a renewal process: var(count) = CV² x count (Cox 1962, Renewal Theory; from memory)
    within = 1e4 * cv**2 * mean_gap_cm / PIECE_CM
    return Variation(
        mean_gap_cm,
        s.cv_pct,
        s.misses_pct,
        Components(s.place_pct**2, s.row_pct**2, within),
        Components(0.0, s.cv_row_points**2, cv_variance(cv, s.skew, s.kurtosis)),
        Components(0.0, s.misses_row_points**2, 1e4 * share * (1 - share)),
        "common practice, no source",
    )


def variation_of(rows: pd.DataFrame, gaps: pd.DataFrame, plants: pd.DataFrame) -> Variation:
    """Variation of a first sample.

    Rows are pieces of row of one (photo, plot, row); those of one plot stand in one place. Rows with a count and no
    positions, as a tape may give them, have their variance within from the common stand.

    Parameters
    ----------
    rows, gaps, plants : DataFrame
        ROWS, GAPS and PLANTS of one run.

    Raises
    ------
    TooFewData
        Fewer than two rows with a length, or no plants.
    """
    keys = ["photo", "plot", "row"]
    known = rows[rows["row_length_cm"].to_numpy(float) > 0].reset_index(drop=True)
    if len(known) < 2 or not known["plants"].sum():
        raise TooFewData(
            f"A first sample of {len(known)} rows with {int(known['plants'].sum())} plants tells no variation.",
            "Measure at least two rows with plants, better ten, far apart.",
        )
    index = {key: i for i, key in enumerate(known[keys].itertuples(index=False, name=None))}
    place = pd.factorize(known["plot"])[0]
    length, count = known["row_length_cm"].to_numpy(float), known["plants"].to_numpy(float)
    density = count.sum() / length.sum()
    notes = []
    if len(np.unique(place)) == 1:
        notes.append("All rows are of one plot: how places differ is not in these numbers. Call each place a plot.")

    gaps = gaps.assign(_row=[index.get(k, -1) for k in gaps[keys].itertuples(index=False, name=None)])
    gaps = gaps[gaps["_row"] >= 0]
    crop = plants[plants["is_crop"].to_numpy(bool)]
    crop = crop.assign(_row=[index.get(k, -1) for k in crop[keys].itertuples(index=False, name=None)])
    population, bare = _density_components(length, count, density, gaps, crop, place)

    closed = gaps[gaps["kind"] != metrics.OPEN]
    gap = closed["gap_cm"].to_numpy(float)
    mean_gap = float(gap.mean()) if len(gap) else 1 / density
    common = common_variation(mean_gap)
    if bare:
        notes.append(
            f"{bare} of {len(known)} rows are bare counts: how a row varies along itself is taken from common practice."
        )
    cv_pct, cv, misses_pct, misses = common.cv_pct, common.cv, common.misses_pct, common.misses
    row, sizes = np.unique(closed["_row"].to_numpy(int), return_inverse=True)
    if len(row) >= 2 and len(gap) > 2 * len(row):
        cv_pct = float(100 * gap.std(ddof=1) / mean_gap)
        cv = components(cv_influence(gap), sizes, place[row])
    else:
        notes.append("Too few gaps: the CV's variation is taken from common practice.")
    classed = closed["kind"].to_numpy(object) != ""
    if len(row) >= 2 and classed.all():
        skip = np.char.startswith(closed["kind"].to_numpy(str), "skip")
        if skip.any():
            misses_pct = float(100 * skip.mean())
            misses = components(100.0 * skip, sizes, place[row])
        else:
            # nothing seen is not nothing there: three of n is the upper 95 % limit of none of n
            misses_pct = float(min(misses_pct, 300 / len(skip)))
            share = misses_pct / 100
            misses = Components(0.0, 0.0, 1e4 * share * (1 - share), df=len(row) - 1)
            notes.append(f"No skip among {len(skip)} gaps: planned for {misses_pct:.1f} %, which they do not rule out.")
    else:
        notes.append("Gaps without a theoretical spacing: the skips' variation is taken from common practice.")
    return Variation(
        mean_gap, cv_pct, misses_pct, population, cv, misses, "the first sample", len(known),
        len(np.unique(place)), tuple(notes),
    )  # fmt: skip


def _density_components(
    length: np.ndarray, count: np.ndarray, density: float, gaps: pd.DataFrame, crop: pd.DataFrame, place: np.ndarray
) -> tuple[Components, int]:
    """Components of relative density, and how many rows have a count only."""
    begin = np.full(len(length), np.nan)
    first = gaps.groupby("_row")["from_cm"].min()
    begin[first.index.to_numpy(int)] = first.to_numpy(float)
    values, owner = [], []
    bare = 0
    at = crop["_row"].to_numpy(int)
    position = crop["position_cm"].to_numpy(float)
    for i in range(len(length)):
        pieces = max(1, round(length[i] / PIECE_CM)) if np.isfinite(begin[i]) else 1
        if pieces == 1:
            bare += int(not np.isfinite(begin[i]))
            found = np.array([count[i]])
        else:
            edges = begin[i] + np.linspace(0, length[i], pieces + 1)
            found = np.histogram(position[at == i], edges)[0]
        values.append(100 * found * pieces / length[i] / density)
        owner.append(np.full(pieces, i))
    got = components(np.concatenate(values), np.concatenate(owner), place)
    if got.within == 0.0:  # no row was cut
        pieces = float((length / PIECE_CM).mean())
        within = common_variation(1 / density).population.within
        spent = within / pieces
        return replace(got, rows=max(0.0, got.rows - spent), within=within, pieces=pieces), bare
    return replace(got, pieces=float((length / PIECE_CM).mean())), bare


# ---- how many


def places_needed(variance: float, half_width: float, level: float = 0.95, share: float | None = None) -> int | None:
    """Least number of places whose interval is expected to reach so far and no farther; None beyond MOST_PLACES.

    The least n with ``t(n - 1) sqrt(variance / n) <= half_width``: the usual ``n = (t CV / E)²`` with t iterated.

    Parameters
    ----------
    variance : float
        Of the mean of one place, unit of ``half_width`` squared.
    half_width : float
        Wanted. Above zero.
    level : float
        Confidence of the interval.
    share : float, optional
        The quantity is a share of this size [%]: half the length of Wilson's interval is taken, at the effective
        number that ``variance`` tells, for small shares are not normal.
    """
    return _least(lambda n: half_width_of(variance, n, level, share), half_width)


def places_for_sure(
    variance: float, half_width: float, level: float = 0.95, share: float | None = None, sure: float = SURE
) -> int | None:
    """Least number of places whose interval comes out narrow enough with the chance ``sure``; None beyond reach.

    The SD of the places is itself a draw: on the usual number the interval comes out too wide in nearly half of
    all cases. Here ``half_width`` holds with the SD at the quantile ``sqrt(chi²(sure, n - 1) / (n - 1))`` (Kupper and
    Hafner 1989, Amer. Stat. 43:101-105; from memory).
    """
    from scipy.special import chdtri

    def width(n: np.ndarray) -> np.ndarray:
        return half_width_of(variance * chdtri(n - 1, 1 - sure) / (n - 1), n, level, share)

    return _least(width, half_width)


def half_width_of(
    variance: float | np.ndarray, places: float | np.ndarray, level: float = 0.95, share: float | None = None
) -> np.ndarray:
    """Half-width of the interval that so many places are expected to give, in the unit of the SD."""
    n = np.asarray(places, float)
    t = t_quantile(n - 1, level)
    square = np.asarray(variance, float) / n
    if share is None:
        return t * np.sqrt(square)
    p = share / 100
    effective = 1e4 * p * (1 - p) / square
    return 100 * t * np.sqrt(square / 1e4 + t**2 / (4 * effective**2)) / (1 + t**2 / effective)


def _least(width: Callable[[np.ndarray], np.ndarray], half_width: float) -> int | None:
    if not half_width > 0:
        raise BadSettings(f"A half-width of {half_width:g} was asked for.", "It must be greater than zero.")
    n = np.arange(2, MOST_PLACES + 1)
    wide = np.flatnonzero(~(width(n) <= half_width))
    # Wilson's interval is short for very few, where it is no normal one: the last that is too wide decides
    least = int(wide[-1]) + 1 if len(wide) else 0
    return int(n[least]) if least < len(n) else None


def pilot_factor(df: float) -> float:
    """By how much the variance of a first sample may be too small: ``df / chi²(0.2, df)``, 1 without a sample. [1]"""
    from scipy.special import chdtri

    return float(df / chdtri(df, PILOT_LIMIT)) if np.isfinite(df) else 1.0


@dataclass(frozen=True)
class Wanted:
    """Half-widths that are asked for; None leaves one out."""

    population_pct: float | None = 5.0
    cv_points: float | None = 5.0
    misses_points: float | None = 3.0


@dataclass(frozen=True)
class Need:
    """What one quantity needs when looked at in one way."""

    quantity: str
    """population, cv or misses."""
    half_width: float
    """Wanted. [% for the population, points else]"""
    row_length_cm: float
    rows_per_place: int
    variance: float
    """Of the mean of a place. [% or points, squared]"""
    share: float | None
    places: int | None
    """Expected to do; None where out of reach."""
    sure: int | None
    """To do so in 95 of 100 cases."""
    careful: int | None
    """Were the first sample's variance too small; as ``places`` without one."""
    level: float

    def half_width_with(self, places: int) -> float:
        """What so many places are expected to give."""
        return float(half_width_of(self.variance, places, self.level, self.share))


def needs(
    variation: Variation, wanted: Wanted, row_length_cm: float, rows_per_place: int = 1, level: float = 0.95
) -> list[Need]:
    """Places needed for each quantity when a place is ``rows_per_place`` rows of that length."""
    if rows_per_place < 1 or not row_length_cm > 0:
        raise BadSettings(
            f"{rows_per_place} rows of {row_length_cm:g} cm a place were asked for.", "Both must be above zero."
        )
    gaps = max(1.0, row_length_cm / variation.mean_gap_cm - 1)
    asked = (
        ("population", wanted.population_pct, variation.population, row_length_cm / PIECE_CM, None),
        ("cv", wanted.cv_points, variation.cv, gaps, None),
        ("misses", wanted.misses_points, variation.misses, gaps, variation.misses_pct),
    )
    out = []
    for name, half_width, part, pieces, share in asked:
        if half_width is None:
            continue
        variance = part.of_place(rows_per_place, pieces)
        out.append(
            Need(
                name, half_width, row_length_cm, rows_per_place, variance, share,
                places_needed(variance, half_width, level, share),
                places_for_sure(variance, half_width, level, share),
                places_needed(variance * pilot_factor(part.df), half_width, level, share),
                level,
            )
        )  # fmt: skip
    return out


# ---- where


def places_to_look(places: int, rows_per_place: int, row_units: int | None, seed: int) -> pd.DataFrame:
    """Where to look, drawn before anything is seen.

    The way over the field is cut into as many equal parts as there are places, with one place at random in each.
    Each place takes those row units that were looked at least so far, by lot among equals, so that each is looked at
    as often as any other, or once more, and none twice in one place.

    Returns
    -------
    DataFrame
        plot (P1, P2, ...), row, way_pct (how far along the way), and row_unit where the planter's are given. It serves
        as a plot map.

    Raises
    ------
    BadSettings
        More rows a place than the planter has units.
    """
    if row_units is not None and rows_per_place > row_units:
        raise BadSettings(
            f"{rows_per_place} rows a place are more than {row_units} row units.", "Look at fewer rows a place."
        )
    rng = np.random.default_rng(seed)
    way = 100 * (np.arange(places) + rng.random(places)) / max(places, 1)
    n = places * rows_per_place
    table = pd.DataFrame(
        {
            "plot": [f"P{1 + i // rows_per_place}" for i in range(n)],
            "row": 1 + np.arange(n) % rows_per_place,
            "way_pct": np.repeat(way, rows_per_place).round(1),
        }
    )
    if row_units is not None:
        seen = np.zeros(row_units, int)
        dealt = []
        for _ in range(places):
            # those seen least, in an order of chance
            took = np.lexsort((rng.random(row_units), seen))[:rows_per_place]
            seen[took] += 1
            dealt += sorted(took + 1)
        table.insert(2, "row_unit", np.array(dealt, np.int64))
    return table
