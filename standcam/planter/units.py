"""Row units against each other: which one leaves out, doubles or scatters more than the rest, and how sure that is.

The tests are those of :mod:`standcam.planter.contrasts`; here they become a ranked table, sentences on what such data
could have noticed, and notes.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from standcam.estimate import Estimate
from standcam.planter.contrasts import Counts, Scatter, Shares, scatter_test, share_test, step_down
from standcam.planter.places import SeedPlaces
from standcam.spacing.intervals import share_estimate
from standcam.tables import Column, Table

MEASURES = ("missing", "doubles", "placement")

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
    data = Counts.of(places, unit, len(names))
    rng = np.random.default_rng(seed)
    measured: dict[str, Shares | Scatter] = {
        "missing": share_test(data, "missing"),
        "doubles": share_test(data, "doubled"),
        "placement": scatter_test(data),
    }
    spread = {m: measured[m].dispersion for m in MEASURES}
    adjusted, z = step_down([measured[m] for m in MEASURES], len(names), 1 - level)
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


# ---- intervals


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
    data: Counts, i: int, spread: Mapping[str, float], level: float, resamples: int, rng: np.random.Generator
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
    return share_estimate(cases / phi, trials / phi, level)


def _ends(name: str, unit: str, value: Estimate) -> dict[str, float]:
    return {f"{name}_{unit}": value.value, f"{name}_low_{unit}": value.low, f"{name}_high_{unit}": value.high}


# ---- what could have been noticed


def chance_to_notice(places_unit: float, places_rest: float, share: float, share_unit: float, alpha: float) -> float:
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


def _others(data: Counts, alike: np.ndarray) -> dict[str, float]:
    missing, doubles, placement = (a[data.unit] & (data.unit >= 0) for a in alike)
    offset = data.offset[placement[data.root_stretch]]

    def ratio(a: np.ndarray, b: np.ndarray) -> float:
        return float(a.sum() / b.sum()) if b.sum() else float("nan")

    return {
        "missing": ratio(data.missing[missing], data.places[missing]),
        "doubles": ratio(data.doubled[doubles], data.filled[doubles]),
        "placement": float(np.sqrt(np.mean(offset**2))) if len(offset) else float("nan"),
    }


def _power(data: Counts, spread: Mapping[str, float], alike: np.ndarray, level: float) -> tuple[str, ...]:
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


def _unit_notes(data: Counts, names: list[str], level: float) -> tuple[str, ...]:
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
