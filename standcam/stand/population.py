"""Plants per area and emergence, with rows or plots as the units of sampling.

Plants of one row are no independent samples of a field: what varies is the place, so intervals come from how rows, or
plots, differ.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from standcam.estimate import Estimate
from standcam.settings import SpacingSettings, StatisticsSettings
from standcam.spacing import intervals, metrics
from standcam.spacing.spacings import Spacings
from standcam.units import M2_PER_HA, spacing_cm

_CM2_PER_HA = M2_PER_HA * 1e4
_NO_LENGTH_CM = 1e-6  # a stretch as short as the noise of numbers has no population

WHOLE_PLANTS = 1 / 12
"""Variance that counting whole plants alone gives (Sheppard). Rows whose counts happen to agree better than that are
not believed to be so much alike. [plants²]"""


def density_per_ha(plants: np.ndarray, length_cm: np.ndarray, width_cm: float) -> np.ndarray:
    """Population. No plants on a measured length are 0 per ha whatever the row width. (n,), (n,) [cm] -> [1/ha]"""
    plants, length_cm = np.asarray(plants, float), np.asarray(length_cm, float)
    area = length_cm * width_cm
    some = length_cm > _NO_LENGTH_CM
    out = np.full(len(length_cm), np.nan)
    np.divide(plants * _CM2_PER_HA, area, out=out, where=some & (area > 0))
    out[(plants == 0) & some] = 0.0
    return out


def ratio_interval(
    plants: np.ndarray,
    length_cm: np.ndarray,
    group: np.ndarray,
    n_groups: int,
    width_cm: float,
    level: float = 0.95,
) -> tuple[np.ndarray, np.ndarray]:
    """Interval of the population of each group of rows, from how its rows differ. [1/ha]

    The ratio estimator ``R = sum(plants) / sum(length)`` lets long rows weigh more. Its variance is
    ``sum((plants - R length)²) / (n (n - 1))`` over the squared mean length, and Student's t has n - 1 degrees of
    freedom (Cochran 1977, Sampling Techniques, chapter 6; from memory). Rows of one length give the t interval of
    their densities. It assumes that the rows were chosen without looking at the stand, apart enough to tell
    different things, and that the field holds many more of them; rows side by side in one photo, or of one pass of
    the planter, tell of that place only. The variance of a count is not believed to be below :data:`WHOLE_PLANTS`.

    Parameters
    ----------
    plants, length_cm : array (n,)
        Of each row. Rows without a length (NaN, 0) are left out. [1], [cm]
    group : array (n,)
        Group (plot) of each row.
    width_cm : float
        Row width; NaN gives NaN. [cm]

    Returns
    -------
    low, high : array (n_groups,)
        NaN with fewer than two rows; never below 0.
    """
    plants, length_cm, group = np.asarray(plants, float), np.asarray(length_cm, float), np.asarray(group)
    use = length_cm > _NO_LENGTH_CM
    plants, length_cm, group = plants[use], length_cm[use], group[use]
    n = np.bincount(group, minlength=n_groups).astype(float)
    total = np.bincount(group, length_cm, n_groups)
    ratio = np.divide(np.bincount(group, plants, n_groups), total, out=np.full(n_groups, np.nan), where=total > 0)
    squares = np.bincount(group, (plants - ratio[group] * length_cm) ** 2, n_groups)
    several = n >= 2
    m, length = np.where(several, n, np.nan), np.where(several, total, np.nan) / np.where(several, n, np.nan)
    se = np.sqrt(np.maximum(squares / (m - 1), WHOLE_PLANTS) / m) / length
    half = intervals.t_quantile(m - 1, level) * se
    per_ha = _CM2_PER_HA / width_cm
    return np.maximum(ratio - half, 0.0) * per_ha, (ratio + half) * per_ha


def gaps_interval(density: np.ndarray, cv: np.ndarray, n: np.ndarray, level: float) -> tuple[np.ndarray, np.ndarray]:
    """Interval of a density from the gaps of a single row. (n,) -> unit of the density

    A row of n gaps is a renewal process, whose count has the relative standard error ``CV / sqrt(n)`` (Cox 1962,
    Renewal Theory; from memory). It tells of that row only.

    Parameters
    ----------
    density : array (n,)
        In any unit.
    cv : array (n,)
        Of the gaps. [1]
    n : array (n,)
        Gaps; below two gives NaN.
    """
    n = np.asarray(n, float)
    with np.errstate(over="ignore"):
        spread = np.exp(intervals.t_quantile(n - 1, level) * cv / np.sqrt(np.where(n >= 2, n, np.nan)))
        return density / spread, density * spread


def seeds_per_cm(spacing: SpacingSettings) -> float:
    """Seeds that a length of row was given: by rate and row width, else by the spacing given; else NaN. [1/cm]

    A spacing that was estimated from the plants says nothing of the seeds.
    """
    if spacing.seeding_rate_per_ha is not None and spacing.row_width_cm is not None:
        return 1 / spacing_cm(spacing.seeding_rate_per_ha, spacing.row_width_cm)
    return float("nan") if spacing.nominal_spacing_cm is None else 1 / spacing.nominal_spacing_cm


def emergence(plants: np.ndarray, length_cm: np.ndarray, spacing: SpacingSettings) -> tuple[np.ndarray, np.ndarray]:
    """Emergence, of the seeds and of the viable seeds. (n,), (n,) [cm] -> two (n,) [%]

    ``100 plants / (length x seeds per length)``, and that over the germination. NaN where seeds or germination are
    not known. Above 100 % more was sown, or less germinates in the test, than was said; it is not cut off.
    """
    length_cm = np.asarray(length_cm, float)
    seeds = np.where(length_cm > _NO_LENGTH_CM, length_cm, np.nan) * seeds_per_cm(spacing)
    of_seeds = 100 * np.asarray(plants, float) / seeds
    germination = spacing.germination_pct
    return of_seeds, of_seeds * (np.nan if germination is None else 100 / germination)


@dataclass(frozen=True)
class Overall:
    """All rows of a run together."""

    unit: str
    """What the interval of the population rests on: "plots", "rows" or, for a single row, "gaps"; "" for none."""
    units: int
    """How many of them."""
    spacing_unit: str
    """What the intervals of the spacing rest on; "gaps" for one or two plots or rows."""
    spacing_units: int
    """How many of them."""
    plants_per_ha: Estimate
    """[1/ha]"""
    mean_gap_cm: Estimate
    """[cm]"""
    sd_gap_cm: Estimate
    """[cm]"""
    cv_pct: Estimate
    """[%]"""
    multiples_pct: Estimate
    """Form A. [%]"""
    misses_pct: Estimate
    """Form A. [%]"""


def overall(rows: pd.DataFrame, spacings: Spacings, statistics: StatisticsSettings | None = None) -> Overall:
    """Population and spacing of all rows together, plots as the units where there are several, else rows.

    Parameters
    ----------
    rows : DataFrame
        ROWS of one run.
    spacings : Spacings
        Of these rows.
    statistics : StatisticsSettings, optional
        Level, resamples, seed.
    """
    statistics = statistics or StatisticsSettings()
    by_plot = len(rows.loc[rows["row_length_cm"].notna(), "plot"].unique()) > 1
    names = ["plot"] if by_plot else ["photo", "plot", "row"]
    # names in order, so that the draws of the bootstrap do not hang on the order of the rows
    unit_of_row = rows.groupby(names, sort=True).ngroup().to_numpy()
    unit_of_gap = unit_of_row[spacings.row]
    n_units = int(unit_of_row.max()) + 1 if len(rows) else 0

    gap, kind = spacings.gap_cm, spacings.code
    one = np.zeros(n_units, int)
    spread = intervals.spacing_intervals(gap, kind, unit_of_gap, one, 1, statistics)
    zeros = np.zeros(len(gap), int)
    mean, sd = metrics.mean_sd(gap, zeros, 1)
    counts = np.bincount(spacings.classed, minlength=len(metrics.KINDS))
    shares = metrics.spacing_shares(counts)
    cv = 100 * sd[0] / mean[0] if mean[0] > 0 else np.nan
    value = {
        "mean_gap_cm": mean[0], "sd_gap_cm": sd[0], "cv_pct": cv,
        "multiples_pct": shares.multiples_pct, "misses_pct": shares.misses_pct,
    }  # fmt: skip

    length = rows["row_length_cm"].to_numpy(float)
    measured = np.isfinite(length) & (length > _NO_LENGTH_CM)
    plants = np.bincount(unit_of_row[measured], rows["plants"].to_numpy(float)[measured], n_units)
    total = np.bincount(unit_of_row[measured], length[measured], n_units)
    width = rows["row_width_cm"].to_numpy(float)
    width_cm = float(width[0]) if len(width) and (width == width[0]).all() else float("nan")
    area = total.sum() * width_cm
    density = plants.sum() * _CM2_PER_HA / area if area > 0 else np.nan
    many = int((total > 0).sum())
    level = statistics.level
    if many > 1:
        unit, ends = ("plots" if by_plot else "rows"), ratio_interval(plants, total, one, 1, width_cm, level)
    else:
        unit = "gaps" if many == 1 and len(np.unique(unit_of_gap)) == 1 and len(gap) > 1 else ""
        ends = gaps_interval(np.array([density if unit else np.nan]), np.array([cv / 100]), np.array([len(gap)]), level)
    spacing_unit = {"rows": "plots" if by_plot else "rows"}.get(str(spread.source[0]), str(spread.source[0]))
    return Overall(
        unit=unit,
        units=len(gap) if unit == "gaps" else many,
        spacing_unit=spacing_unit,
        spacing_units=len(gap) if spacing_unit == "gaps" else len(np.unique(unit_of_gap)),
        plants_per_ha=Estimate(density, float(ends[0][0]), float(ends[1][0]), level),
        **{
            name: Estimate(float(v), float(spread.low[name][0]), float(spread.high[name][0]), level)
            for name, v in value.items()
        },
    )
