"""Row units against each other: which one leaves out, doubles or scatters more than the rest, and how sure that is.

Shares are tested on seed places (see :mod:`standcam.planter.places`), one unit against all others, by Fisher's
exact test with the mid-p correction (Lancaster 1961, from memory; scipy's hypergeometric distribution). Places in a
row are no independent draws where emergence is patchy: the counts are therefore shrunk by a dispersion that is
measured between the rows of one unit, where several were measured, and between short pieces of each row. Placement is
compared by Welch's t on the square roots of absolute offsets: a scale test that heavy tails hardly move. Holm's
procedure over all units and measures keeps the chance of even one false alarm on a sound planter within 5 %.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from standcam.estimate import Estimate
from standcam.planter.places import SeedPlaces
from standcam.tables import Column, Table

MEASURES = ("missing", "doubles", "placement")
_PIECE = 12
"""Seed places in a piece of row over which patches are looked for."""
_FEW_ROWS = 6
"""Degrees of freedom between rows below which their dispersion is too unsure to be used."""
_DRAWS = 1999

UNITS = Table(
    "units",
    (
        Column("rank", "int64", "", "1 is the unit farthest off to the worse"),
        Column("row_unit", "str", "", "row unit of the planter"),
        Column("rows", "int64", "", "measured rows of it"),
        Column("row_length_cm", "float64", "cm", "length of row measured"),
        Column("plants", "int64", "", "crop plants"),
        Column("seed_places", "int64", "", "places where a seed was due, filled or not"),
        Column("mean_gap_cm", "float64", "cm", "mean distance of neighbours"),
        Column("cv_pct", "float64", "%", "100 sd / mean of the distances"),
        Column("cv_low_pct", "float64", "%", "lower end of its interval"),
        Column("cv_high_pct", "float64", "%", "upper end"),
        Column("missing_pct", "float64", "%", "seed places without a plant: skipped, or not come up"),
        Column("missing_low_pct", "float64", "%", "lower end of its interval"),
        Column("missing_high_pct", "float64", "%", "upper end"),
        Column("missing_p", "float64", "1", "p against the other units, after Holm"),
        Column("double_pct", "float64", "%", "filled places with more than one plant"),
        Column("double_low_pct", "float64", "%", "lower end of its interval"),
        Column("double_high_pct", "float64", "%", "upper end"),
        Column("double_p", "float64", "1", "p against the other units, after Holm"),
        Column("placement_sd_cm", "float64", "cm", "scatter of a plant about its seed place"),
        Column("placement_sd_low_cm", "float64", "cm", "lower end of its interval"),
        Column("placement_sd_high_cm", "float64", "cm", "upper end"),
        Column("placement_p", "float64", "1", "p against the other units, after Holm"),
        Column("off_by", "float64", "1", "standard errors by which its worst measure is worse than the other units"),
        Column("verdict", "str", "", "what is sure of it, in words"),
    ),
)


@dataclass(frozen=True)
class UnitComparison:
    """Row units ranked, the one farthest off first."""

    table: pd.DataFrame
    """UNITS."""
    overall_p: Mapping[str, float]
    """p of "all units alike" for each measure; NaN where it cannot be tested."""
    dispersion: Mapping[str, float]
    """By how much counts (or the scatter) vary more between rows than by chance; 1 is chance."""
    others: Mapping[str, float]
    """Share missing, share doubled [1] and scatter [cm] of the units that do not differ, from counted places."""
    power: tuple[str, ...]
    """What such data could have noticed, in sentences."""
    notes: tuple[str, ...]

    def worse(self, measure: str) -> list[str]:
        """Units that are surely worse in one of MEASURES, worst first."""
        words = _WORSE[measure]
        return [u for u, v in zip(self.table["row_unit"], self.table["verdict"], strict=True) if words in v]


_WORSE = {"missing": "more missing plants", "doubles": "more doubles", "placement": "wider placement"}
_BETTER = {"missing": "fewer missing plants", "doubles": "fewer doubles", "placement": "closer placement"}


def compare_units(
    places: SeedPlaces,
    unit_of: np.ndarray,
    gaps_of: np.ndarray,
    gap_cm: np.ndarray,
    row_length_cm: np.ndarray,
    plants: np.ndarray,
    fits: Mapping[str, tuple[Estimate, Estimate, Estimate]] | None = None,
    level: float = 0.95,
    seed: int = 20,
    resamples: int = 1000,
) -> UnitComparison:
    """Compare the row units.

    Parameters
    ----------
    places : SeedPlaces
        Of all stretches.
    unit_of : array (s,)
        Row unit of each stretch; stretches without one ("") take no part.
    gaps_of, gap_cm : array (g,)
        Closed gaps and the stretch of each, for the coefficient of variation. [cm]
    row_length_cm, plants : array (s,)
        Of each stretch. [cm]
    fits : mapping, optional
        Skip share, double share and placement SD of each unit from the fit of its own gaps. Units without one get
        them from counted places, with intervals by Wilson and by bootstrap.

    Returns
    -------
    UnitComparison
    """
    unit_of = np.asarray(unit_of, object)
    names = sorted({str(u) for u in unit_of if str(u)}, key=_natural)
    number = {name: i for i, name in enumerate(names)}
    unit = np.array([number.get(str(u), -1) for u in unit_of], int)
    known = unit >= 0
    if not known.any():
        return UnitComparison(_no_units(), {}, {}, {}, (), ("No row unit is known.",))
    data = _Counts.of(places, unit, len(names))
    rng = np.random.default_rng(seed)
    measured: dict[str, _Shares | _Scatter]
    measured = {"missing": _shares(data, "missing"), "doubles": _shares(data, "doubled"), "placement": _scatter(data)}
    spread = {m: measured[m].dispersion for m in MEASURES}
    adjusted, z = _step_down([measured[m] for m in MEASURES], len(names), 1 - level)
    alike = ~(adjusted < 1 - level)
    others = _others(data, alike)
    off_by = np.max(np.where(np.isnan(z), -np.inf, z), axis=0)
    order = np.lexsort((np.arange(len(names)), -off_by))
    rank = np.empty(len(names), int)
    rank[order] = np.arange(1, len(names) + 1)

    lines = []
    closed_unit = unit[np.asarray(gaps_of, int)] if len(gaps_of) else np.zeros(0, int)
    for i in order:
        name = names[i]
        own = closed_unit == i
        cv = cv_interval(np.asarray(gap_cm)[own], np.asarray(gaps_of)[own], level, resamples, rng)
        estimates = (fits or {}).get(name) or _counted(data, i, spread, level, resamples, rng)
        skip, double, scatter = estimates
        words = []
        for m, measure in enumerate(MEASURES):
            if adjusted[m, i] < 1 - level:
                words.append((_WORSE if z[m, i] > 0 else _BETTER)[measure])
        lines.append(
            {
                "rank": rank[i],
                "row_unit": name,
                "rows": int((unit == i).sum()),
                "row_length_cm": float(np.nansum(np.asarray(row_length_cm, float)[unit == i])),
                "plants": int(np.sum(np.asarray(plants)[unit == i])),
                "seed_places": int(data.places[unit == i].sum()),
                "mean_gap_cm": float(np.mean(np.asarray(gap_cm)[own])) if own.any() else np.nan,
                **_ends("cv", "pct", cv),
                **_ends("missing", "pct", skip.scaled(100)),
                "missing_p": adjusted[0, i],
                **_ends("double", "pct", double.scaled(100)),
                "double_p": adjusted[1, i],
                **_ends("placement_sd", "cm", scatter),
                "placement_p": adjusted[2, i],
                "off_by": off_by[i] if np.isfinite(off_by[i]) else np.nan,
                "verdict": ", ".join(words),
            }
        )
    from standcam import tables

    table = tables.conform(UNITS, pd.DataFrame(lines))
    return UnitComparison(
        table,
        {m: measured[m].overall(rng) for m in MEASURES},
        spread,
        others,
        _power(data, spread, alike, level),
        _unit_notes(data, names, level),
    )


def _no_units() -> pd.DataFrame:
    from standcam import tables

    return tables.empty(UNITS)


# ---- counts


@dataclass(frozen=True)
class _Counts:
    """Places by stretch and by piece of stretch, of stretches with a unit."""

    unit: np.ndarray
    n_units: int
    places: np.ndarray
    missing: np.ndarray
    filled: np.ndarray
    doubled: np.ndarray
    piece_of: np.ndarray
    piece: dict[str, np.ndarray]
    root: np.ndarray
    """Square roots of absolute offsets."""
    root_stretch: np.ndarray
    offset: np.ndarray

    @classmethod
    def of(cls, places: SeedPlaces, unit: np.ndarray, n_units: int) -> _Counts:
        s = len(places.keys)
        at = places.stretch
        n = np.bincount(at, minlength=s)
        missing = np.bincount(at[places.missing], minlength=s)
        doubled = np.bincount(at[places.doubled], minlength=s)
        first = np.cumsum(n) - n
        inside = np.arange(len(at)) - first[at]
        pieces = np.maximum(np.round(n / _PIECE), 1)
        piece = (np.floor(inside * pieces[at] / np.maximum(n[at], 1)) + (np.cumsum(pieces) - pieces)[at]).astype(int)
        total = int(pieces.sum())
        piece_of = np.repeat(np.arange(s), pieces.astype(int))
        by_piece = {
            "places": np.bincount(piece, minlength=total),
            "missing": np.bincount(piece[places.missing], minlength=total),
            "doubled": np.bincount(piece[places.doubled], minlength=total),
        }
        told = np.isfinite(places.offset_cm)
        offset = places.offset_cm[told]
        return cls(
            unit, n_units, n, missing, n - missing, doubled, piece_of, by_piece,
            np.sqrt(np.abs(offset)), at[told], offset,
        )  # fmt: skip

    def share(self, what: str) -> tuple[np.ndarray, np.ndarray]:
        """Cases and trials of each stretch."""
        return (self.missing, self.places) if what == "missing" else (self.doubled, self.filled)

    def share_of_pieces(self, what: str) -> tuple[np.ndarray, np.ndarray]:
        """Cases and trials of each piece of a stretch."""
        if what == "missing":
            return self.piece["missing"], self.piece["places"]
        return self.piece["doubled"], self.piece["places"] - self.piece["missing"]

    def by_unit(self, values: np.ndarray) -> np.ndarray:
        known = self.unit >= 0
        return np.bincount(self.unit[known], weights=values[known], minlength=self.n_units)


@dataclass(frozen=True)
class _Result:
    p: np.ndarray
    """Each unit against the units of the reference other than itself."""
    z: np.ndarray
    """Signed, worse positive."""


@dataclass(frozen=True)
class _Shares:
    """Cases and trials of each unit, shrunk by their dispersion."""

    cases: np.ndarray
    trials: np.ndarray
    dispersion: float
    degrees: int
    """Degrees of freedom of a dispersion taken between rows; 0 where it was not."""

    def against(self, reference: np.ndarray) -> _Result:
        """Test each unit against the others of a reference. (u,) bool"""
        from scipy.stats import hypergeom, norm, t

        rest_n = self.trials[reference].sum() - np.where(reference, self.trials, 0)
        rest_x = self.cases[reference].sum() - np.where(reference, self.cases, 0)
        total, events = self.trials + rest_n, self.cases + rest_x
        told = (self.trials > 0) & (rest_n > 0) & (events > 0) & (events < total)
        p, z = np.full(len(total), np.nan), np.full(len(total), np.nan)
        place = (total[told], events[told], self.trials[told])
        above = hypergeom.sf(self.cases[told], *place) + hypergeom.pmf(self.cases[told], *place) / 2
        z[told] = -norm.ppf(np.clip(above, 1e-12, 1 - 1e-12))
        if self.degrees:  # the dispersion itself is unsure
            p[told] = 2 * t.sf(np.abs(z[told]), self.degrees)
        else:
            p[told] = np.minimum(1.0, 2 * np.minimum(above, 1 - above))
        return _Result(p, z)

    def overall(self, rng: np.random.Generator) -> float:
        """Test of one share in all units, p: Pearson's statistic against tables with the same margins."""
        n, x = self.trials[self.trials > 0], self.cases[self.trials > 0]
        if len(n) < 2 or x.sum() in (0, n.sum()):
            return float("nan")
        drawn = rng.multivariate_hypergeometric(n, int(x.sum()), size=_DRAWS)
        expected = n * x.sum() / n.sum()
        statistic = ((x - expected) ** 2 / expected).sum()
        chance = ((drawn - expected) ** 2 / expected).sum(axis=1)
        return (1 + int((chance >= statistic - 1e-9).sum())) / (1 + _DRAWS)


@dataclass(frozen=True)
class _Scatter:
    """Square roots of absolute offsets, and the unit of each."""

    root: np.ndarray
    unit: np.ndarray
    n_units: int
    dispersion: float
    degrees: int
    """Degrees of freedom between rows of one unit; 0 where they were not used."""

    def against(self, reference: np.ndarray) -> _Result:
        """Test each unit against the others of a reference. (u,) bool"""
        from scipy.stats import norm, t

        n = np.bincount(self.unit, minlength=self.n_units).astype(float)
        total = np.bincount(self.unit, weights=self.root, minlength=self.n_units)
        square = np.bincount(self.unit, weights=self.root**2, minlength=self.n_units)
        rest = [np.sum(v[reference]) - np.where(reference, v, 0) for v in (n, total, square)]
        told = (n >= 5) & (rest[0] >= 5)
        p, z = np.full(self.n_units, np.nan), np.full(self.n_units, np.nan)
        (ma, va), (mb, vb) = _mean_error(n, total, square, told), _mean_error(rest[0], rest[1], rest[2], told)
        error = np.sqrt(self.dispersion * (va + vb))
        told &= np.where(np.isfinite(error), error, 0) > 0
        va, vb, na, nb = va[told], vb[told], n[told], rest[0][told]
        degrees = (va + vb) ** 2 / (va**2 / (na - 1) + vb**2 / (nb - 1))
        if self.degrees:
            degrees = np.minimum(degrees, self.degrees)
        statistic = (ma - mb)[told] / error[told]
        p[told] = 2 * t.sf(np.abs(statistic), degrees)
        z[told] = np.sign(statistic) * norm.isf(np.maximum(p[told], 1e-24) / 2)
        return _Result(p, z)

    def overall(self, rng: np.random.Generator) -> float:
        """Test of one scatter in all units, p."""
        from scipy.stats import f

        n = np.bincount(self.unit, minlength=self.n_units).astype(float)
        some = n >= 5
        if some.sum() < 2:
            return float("nan")
        keep = some[self.unit]
        root, unit = self.root[keep], self.unit[keep]
        mean = np.bincount(unit, weights=root, minlength=self.n_units) / np.maximum(n, 1)
        among = np.sum(n[some] * (mean[some] - root.mean()) ** 2) / (some.sum() - 1)
        left = len(root) - int(some.sum())
        residual = np.sum((root - mean[unit]) ** 2) / left
        if residual <= 0:
            return float("nan")
        return float(f.sf(among / residual / self.dispersion, some.sum() - 1, self.degrees or left))


def _mean_error(
    n: np.ndarray, total: np.ndarray, square: np.ndarray, told: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Mean and its squared error from sums; NaN where not ``told``."""
    m = np.where(told, n, np.nan)
    mean = total / m
    return mean, np.maximum(square / m - mean**2, 0) * m / (m - 1) / m


def dispersion(cases: np.ndarray, trials: np.ndarray, group: np.ndarray) -> tuple[float, int]:
    """Pearson dispersion of shares within groups, and its degrees of freedom; 1 is binomial.

    Parameters
    ----------
    cases, trials, group : array (n,)
        Of each cluster, and the group whose share it is held against; negative groups are left out.
    """
    keep = (group >= 0) & (trials > 0)
    cases, trials = cases[keep].astype(float), trials[keep].astype(float)
    group = np.unique(group[keep], return_inverse=True)[1]
    if not len(cases):
        return float("nan"), 0
    x, n = np.bincount(group, weights=cases), np.bincount(group, weights=trials)
    share = (x / n)[group]
    spread = trials * share * (1 - share)
    informed = spread > 0
    degrees = int(informed.sum() - len(np.unique(group[informed])))
    if degrees < 1:
        return float("nan"), 0
    return float(np.sum((cases - trials * share)[informed] ** 2 / spread[informed]) / degrees), degrees


def _shares(data: _Counts, what: str) -> _Shares:
    cases, trials = data.share(what)
    piece_cases, piece_trials = data.share_of_pieces(what)
    home = np.where(data.unit[data.piece_of] >= 0, data.piece_of, -1)
    phi, degrees = _combined(dispersion(cases, trials, data.unit), dispersion(piece_cases, piece_trials, home))
    x, n = data.by_unit(cases), data.by_unit(trials)
    return _Shares(np.round(x / phi).astype(int), np.round(n / phi).astype(int), phi, degrees)


def _combined(between: tuple[float, int], within: tuple[float, int]) -> tuple[float, int]:
    """One dispersion of that between rows and that between pieces of a row, never below chance.

    Both measure the same thing unless whole rows differ. Only where they plainly do (F test, p below 0.2, a low bar
    on purpose) does the one between rows stand alone, and its few degrees of freedom are given back with it.
    """
    from scipy.stats import f

    (row, row_n), (piece, piece_n) = between, within
    if row_n < _FEW_ROWS or not np.isfinite(row):
        return (max(1.0, piece) if piece_n >= _FEW_ROWS else 1.0), 0
    if piece_n < _FEW_ROWS or not np.isfinite(piece):
        return max(1.0, row), row_n
    if f.sf(row / max(piece, 1.0), row_n, piece_n) < 0.2:
        return max(1.0, row), row_n
    return max(1.0, (row * row_n + piece * piece_n) / (row_n + piece_n)), 0


def _scatter(data: _Counts) -> _Scatter:
    from scipy.stats import f

    keep = data.unit[data.root_stretch] >= 0
    root, stretch = data.root[keep], data.root_stretch[keep]
    unit = data.unit[stretch]
    if not len(root):
        return _Scatter(root, unit, data.n_units, 1.0, 0)
    # rows of one unit may differ in scatter by the ground they ran on
    rows = np.unique(stretch, return_inverse=True)[1]
    row_n = np.bincount(rows)
    row_mean = np.bincount(rows, weights=root) / row_n
    row_unit = np.zeros(len(row_n), int)
    row_unit[rows] = unit
    unit_n = np.bincount(unit, minlength=data.n_units)
    unit_mean = np.bincount(unit, weights=root, minlength=data.n_units) / np.maximum(unit_n, 1)
    degrees = len(row_n) - len(np.unique(row_unit))
    left = len(root) - len(row_n)
    if degrees < _FEW_ROWS or left < 1:
        return _Scatter(root, unit, data.n_units, 1.0, 0)
    between = np.sum(row_n * (row_mean - unit_mean[row_unit]) ** 2) / degrees
    within = np.sum((root - row_mean[rows]) ** 2) / left
    if not within > 0 or f.sf(between / within, degrees, left) >= 0.2:
        return _Scatter(root, unit, data.n_units, 1.0, 0)
    return _Scatter(root, unit, data.n_units, float(between / within), degrees)


def _step_down(
    measured: Sequence[_Shares | _Scatter], n_units: int, alpha: float
) -> tuple[np.ndarray, np.ndarray]:
    """Holm's adjusted p and signed z of every unit in every measure. Two arrays (m, u).

    A unit that is told apart leaves the reference of the others in that measure: beside one bad unit the sound ones
    would else seem better than they are.
    """
    reference = np.ones((len(measured), n_units), bool)
    adjusted, z = np.full((len(measured), n_units), np.nan), np.full((len(measured), n_units), np.nan)
    settled = np.zeros((len(measured), n_units), bool)
    now = [m.against(r) for m, r in zip(measured, reference, strict=True)]
    tests = int(np.isfinite([r.p for r in now]).sum())
    highest = 0.0
    while tests:
        p = np.where(settled, np.nan, [r.p for r in now])
        if not np.isfinite(p).any():
            break
        m, u = divmod(int(np.nanargmin(p)), n_units)
        value = min(1.0, p[m, u] * (tests - settled.sum()))
        if max(value, highest) >= alpha:
            break
        highest = max(value, highest)
        adjusted[m, u], z[m, u], settled[m, u] = highest, now[m].z[u], True
        if reference[m].sum() > 2:
            reference[m, u] = False
        now[m] = measured[m].against(reference[m])
    p = np.array([r.p for r in now])
    p[settled] = np.nan
    rest = holm(p.ravel()).reshape(p.shape)
    adjusted = np.where(settled, adjusted, np.maximum(rest, highest))
    return adjusted, np.where(settled, z, [r.z for r in now])


def holm(p: np.ndarray) -> np.ndarray:
    """Holm's adjusted p (Holm 1979, Scand. J. Stat. 6:65-70); NaN stays and does not count. (n,) -> (n,)"""
    p = np.asarray(p, float)
    out = np.full(p.shape, np.nan)
    known = np.flatnonzero(np.isfinite(p))
    order = known[np.argsort(p[known], kind="stable")]
    m = len(order)
    out[order] = np.minimum(1.0, np.maximum.accumulate(p[order] * (m - np.arange(m))))
    return out


# ---- intervals


def wilson(cases: float, trials: float, level: float = 0.95) -> Estimate:
    """Share with Wilson's interval (as in Newcombe 1998, Stat. Med. 17:857-872). [1]"""
    from scipy.stats import norm

    if not trials > 0:
        return Estimate(float("nan"), level=level)
    z = float(norm.isf((1 - level) / 2))
    share = cases / trials
    middle = (share + z**2 / (2 * trials)) / (1 + z**2 / trials)
    half = z * np.sqrt(share * (1 - share) / trials + z**2 / (4 * trials**2)) / (1 + z**2 / trials)
    return Estimate(float(share), float(max(middle - half, 0.0)), float(min(middle + half, 1.0)), level)


def cv_interval(
    gap_cm: np.ndarray, row: np.ndarray, level: float, resamples: int, rng: np.random.Generator
) -> Estimate:
    """Coefficient of variation of gaps, interval by bootstrap of pieces of ten gaps in a row. [%]"""
    n = len(gap_cm)
    if n < 2 or not np.mean(gap_cm) > 0:
        return Estimate(float("nan"), level=level)
    value = float(100 * np.std(gap_cm, ddof=1) / np.mean(gap_cm))
    row = np.unique(row, return_inverse=True)[1]
    per = np.bincount(row)
    order = np.argsort(row, kind="stable")
    inside = np.arange(n) - np.repeat(np.cumsum(per) - per, per)
    piece = np.unique(np.c_[row[order], inside // 10], axis=0, return_inverse=True)[1].ravel()
    count = np.bincount(piece).astype(float)
    if len(count) < 4:
        return Estimate(value, level=level)
    total = np.bincount(piece, weights=gap_cm[order])
    square = np.bincount(piece, weights=gap_cm[order] ** 2)
    pick = rng.integers(len(count), size=(resamples, len(count)))
    c, s, q = count[pick].sum(1), total[pick].sum(1), square[pick].sum(1)
    cv = 100 * np.sqrt(np.maximum(q - s**2 / c, 0) / np.maximum(c - 1, 1)) / (s / c)
    low, high = np.quantile(cv, [(1 - level) / 2, (1 + level) / 2])
    return Estimate(value, float(low), float(high), level)


def _counted(
    data: _Counts, i: int, spread: Mapping[str, float], level: float, resamples: int, rng: np.random.Generator
) -> tuple[Estimate, Estimate, Estimate]:
    own = data.unit == i
    skip = _shrunk(data.missing[own].sum(), data.places[own].sum(), spread["missing"], level)
    double = _shrunk(data.doubled[own].sum(), data.filled[own].sum(), spread["doubles"], level)
    offset = data.offset[own[data.root_stretch]]
    if len(offset) < 5:
        return skip, double, Estimate(float("nan"), level=level)
    drawn = np.sqrt(np.mean(offset[rng.integers(len(offset), size=(resamples, len(offset)))] ** 2, axis=1))
    low, high = np.quantile(drawn, [(1 - level) / 2, (1 + level) / 2])
    return skip, double, Estimate(float(np.sqrt(np.mean(offset**2))), float(low), float(high), level)


def _shrunk(cases: float, trials: float, phi: float, level: float) -> Estimate:
    return wilson(cases / phi, trials / phi, level)


def _ends(name: str, unit: str, value: Estimate) -> dict[str, float]:
    return {f"{name}_{unit}": value.value, f"{name}_low_{unit}": value.low, f"{name}_high_{unit}": value.high}


# ---- what could have been noticed


def chance_to_notice(
    places_unit: float, places_rest: float, share: float, share_unit: float, alpha: float
) -> float:
    """How often a unit with another share comes out below ``alpha`` against the rest. [1]

    Exact over the binomial counts of the unit, the others at their expected count.
    """
    from scipy.stats import binom, hypergeom

    n, rest = round(places_unit), round(places_rest)
    if n < 1 or rest < 1:
        return 0.0
    x = np.arange(n + 1)
    events = np.round(share * rest).astype(int) + x
    above = hypergeom.sf(x, n + rest, events, n) + hypergeom.pmf(x, n + rest, events, n) / 2
    return float(np.sum(binom.pmf(x, n, min(share_unit, 1.0)) * (2 * above < alpha)))


def _others(data: _Counts, alike: np.ndarray) -> dict[str, float]:
    missing, doubles, placement = (a[data.unit] & (data.unit >= 0) for a in alike)
    offset = data.offset[placement[data.root_stretch]]

    def ratio(a: np.ndarray, b: np.ndarray) -> float:
        return float(a.sum() / b.sum()) if b.sum() else float("nan")

    return {
        "missing": ratio(data.missing[missing], data.places[missing]),
        "doubles": ratio(data.doubled[doubles], data.filled[doubles]),
        "placement": float(np.sqrt(np.mean(offset**2))) if len(offset) else float("nan"),
    }


def _power(data: _Counts, spread: Mapping[str, float], alike: np.ndarray, level: float) -> tuple[str, ...]:
    if data.n_units < 2:
        return ()
    alpha = (1 - level) / (len(MEASURES) * data.n_units)
    sentences = []
    for measure, what, word in (("missing", "missing", "missing plants"), ("doubles", "doubled", "doubles")):
        cases, trials = data.share(what)
        n = data.by_unit(trials)
        same = alike[MEASURES.index(measure)]
        if data.by_unit(cases)[same].sum() == 0:
            continue
        share = float(data.by_unit(cases)[same].sum() / n[same].sum())
        phi = spread[measure]
        unit, rest = np.median(n) / phi, (n.sum() - np.median(n)) / phi
        twice = chance_to_notice(unit, rest, share, 2 * share, alpha)
        ladder = np.array([2.5, 3, 4, 5, 6, 8, 10, 15, 20]) * share
        seen = [r for r in ladder if r < 0.95 and chance_to_notice(unit, rest, share, r, alpha) >= 0.8]
        text = (
            f"With {np.median(n):.0f} seed places a unit, one with twice the {word} of the others "
            f"({200 * share:.0f} % for {100 * share:.0f} %) would {_of_ten(twice)}"
        )
        if twice < 0.8:
            text += (
                f"; 8 times of 10 takes about {100 * seen[0]:.0f} %" if seen else "; nothing short of a dead row would"
            )
        sentences.append(text + ".")
    return tuple(sentences)


def _of_ten(chance: float) -> str:
    n = round(10 * chance)
    return "hardly ever be noticed" if n == 0 else f"be noticed {n} time{'' if n == 1 else 's'} of 10"


def _unit_notes(data: _Counts, names: list[str], level: float) -> tuple[str, ...]:
    notes = []
    known = data.unit >= 0
    if len(names) < 2:
        notes.append("Only one row unit was measured: there is nothing to compare it with.")
        return tuple(notes)
    rows = np.bincount(data.unit[known], minlength=len(names))
    if (rows == 1).all():
        notes.append(
            "One row a unit: a bad place in the field looks like a bad unit. Measure each unit at three places or "
            "more before opening a meter."
        )
    elif rows.min() < 3:
        notes.append("Fewer than three rows of some units: a bad place in the field may look like a bad unit there.")
    lost = int((~known).sum())
    if lost:
        notes.append(f"{lost} of {len(known)} measured rows have no row unit and were left out of this comparison.")
    small = data.by_unit(data.places) < 30
    if small.any():
        notes.append(
            f"Fewer than 30 seed places in unit {', '.join(np.array(names)[small])}: little can be said of "
            f"{'it' if small.sum() == 1 else 'them'}."
        )
    return tuple(notes)


def _natural(name: str) -> tuple[int, float, str]:
    try:
        return (0, float(name), name)
    except ValueError:
        return (1, 0.0, name)
