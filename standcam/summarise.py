"""The lower half as one function: positions along rows become gaps, row summaries and plot summaries."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from standcam import flags, tables, trust, units
from standcam.settings import SpacingSettings, StatisticsSettings
from standcam.spacing import intervals, metrics, noise
from standcam.spacing.nominal import Nominal, theoretical_spacing
from standcam.stand import population

_SAME_SPACING = 0.02  # a planter's rate chart is not finer than that (common practice, no source)


@dataclass(frozen=True)
class Summary:
    """What positions say about a stand."""

    gaps: pd.DataFrame
    """GAPS, open ends included."""
    rows: pd.DataFrame
    """ROWS: one line a measured stretch, in the order of the stretches, those left out marked so."""
    plots: pd.DataFrame
    """PLOTS, in the order of their first stretch; rows left out are in none of the numbers."""
    nominal: Nominal
    """Theoretical spacing that the classes were taken against."""
    notes: tuple[str, ...] = ()
    """What a reader of the numbers should know beside the flags, in sentences."""


def summarise(
    positions: pd.DataFrame,
    stretches: pd.DataFrame,
    spacing: SpacingSettings | None = None,
    statistics: StatisticsSettings | None = None,
) -> Summary:
    """Spacing and population of every row and plot, from photos and hand tapes alike.

    Every stretch appears in the rows: without plants its status is "empty" (0 plants per ha is a result),
    without scale or row it has a count and no centimetres. Positions decide the number of plants wherever
    there is a scale; the count of the stretch serves elsewhere. Plants beyond the ends of their stretch are
    not counted, for the length they stand on was not measured, and the row says so in a flag.

    Population is ``plants / (row length x row width)``, the row length being what was measured and not the
    span of the plants. A plot takes the plants and lengths of those of its rows that have a length; mean, SD
    and shares are over all gaps of the plot, so that each gap counts once. Shares are the share of spacings
    (form A, see :mod:`standcam.spacing.metrics`) unless the column's name says intervals (form B).

    SD and CV are given as seen and, where positions carry standard errors, with what these add taken out
    (:mod:`standcam.spacing.noise`). Plots have intervals from how their rows differ, and from the gaps where there
    are one or two rows (:func:`standcam.spacing.intervals.spacing_intervals`,
    :func:`standcam.stand.population.ratio_interval`).

    Every row gets a grade of trust from the flags of its stretch (:mod:`standcam.trust`). Rows below
    ``statistics.min_trust`` keep their own numbers, and are in no other: neither in the theoretical spacing that is
    estimated nor in plots and intervals. Notes list them.

    Parameters
    ----------
    positions : DataFrame
        POSITIONS, in any order.
    stretches : DataFrame
        STRETCHES.
    spacing : SpacingSettings, optional
        What the planter was set to, as far as known, and the row width.
    statistics : StatisticsSettings, optional
        Level of the intervals, resamples, seed.

    Raises
    ------
    BadTable
        A table lacks columns, a position belongs to no stretch, or two stretches have one name.
    """
    spacing, statistics = spacing or SpacingSettings(), statistics or StatisticsSettings()
    positions = tables.conform(tables.POSITIONS, positions)
    stretches = tables.conform(tables.STRETCHES, stretches)
    n = len(stretches)

    status = stretches["status"].to_numpy(object)
    scaled = ~np.isin(status, ["no_scale", "no_row"])
    stretches = stretches.assign(from_cm=stretches["from_cm"].where(scaled), to_cm=stretches["to_cm"].where(scaled))

    index = metrics.stretch_index(positions, stretches)
    place = positions["position_cm"].to_numpy(float)
    within = metrics.inside(place, index, stretches)
    keep = within & scaled[index]
    beyond = np.bincount(index[~within], minlength=n) > 0
    # a tape's bare count has a length and no positions
    counted = status == "counted"
    plants = np.where(scaled & ~counted, np.bincount(index[keep], minlength=n), stretches["plants"].to_numpy())
    status = np.where(scaled, np.where(plants > 0, "ok", "empty"), status)

    place, plant, index = place[keep], positions["plant"].to_numpy()[keep], index[keep]
    bits = _row_bits(stretches["flags"])
    # before the theoretical spacing, which rests on rows that are kept
    grade, reasons = trust.grades(bits, plants)
    kept = ~trust.below(grade, statistics.min_trust)
    grade_names = np.array(flags.GRADES, object)[grade]

    # where there are no positions, the whole length is no open gap
    ends = stretches.assign(from_cm=stretches["from_cm"].where(~counted), to_cm=stretches["to_cm"].where(~counted))
    pairs = metrics.neighbours(place, plant, index, ends)
    closed = pairs.closed
    at, gap = pairs.stretch[closed], pairs.gap_cm[closed]
    nominal = theoretical_spacing(gap[kept[at]], spacing)
    gaps = metrics.gap_table(pairs, plant, stretches, nominal.spacing_cm)
    code = metrics.classify(gap / nominal.spacing_cm)
    error = positions["position_sd_cm"].to_numpy(float)[keep] ** 2
    left, right = error[pairs.left[closed]], error[pairs.right[closed]]

    length = np.maximum(stretches["to_cm"].to_numpy(float) - stretches["from_cm"].to_numpy(float), 0.0)
    width = float("nan") if spacing.row_width_cm is None else float(spacing.row_width_cm)
    per_ha = population.density_per_ha(plants, length, width)
    own = np.arange(n)
    columns, drowned = _columns(gap, code, at, n, nominal, spacing, noise.error_variance(left, right, at, own, n))
    bits[(plants > 0) & np.isfinite(length) & ~counted] |= flags.bit("censored_ends")
    bits[scaled & np.isnan(per_ha)] |= flags.bit("no_population")
    bits[beyond & scaled] |= flags.bit("beyond_stretch")
    bits[drowned] |= flags.bit("error_drowns_sd")
    if nominal.source == "estimated":
        bits[np.bincount(at, minlength=n) > 0] |= flags.bit("nominal_estimated")
    rows = _table(
        tables.ROWS,
        {
            "photo": stretches["photo"],
            "plot": stretches["plot"],
            "row": stretches["row"],
            "row_length_cm": length,
            "plants": plants,
            **columns,
            "nominal_spacing_cm": nominal.spacing_cm,
            "nominal_source": nominal.source,
            "row_width_cm": width,
            **_area_columns(plants, length, per_ha, spacing),
            **{name: stretches[name] for name in ("from_x_px", "from_y_px", "to_x_px", "to_y_px")},
            "status": status,
            "flags": _words(bits),
            "weeds": stretches["weeds"],
            "trust": grade_names,
            "trust_reasons": reasons,
            "left_out": np.where(kept, "", np.char.add("trust is ", grade_names.astype(str))).astype(object),
        },
    )

    plot_of, plot_names = pd.factorize(stretches["plot"])
    m = len(plot_names)
    has_length = np.isfinite(length) & kept
    plot_length = np.bincount(plot_of, weights=np.where(has_length, length, 0.0), minlength=m).astype(float)
    plot_length[np.bincount(plot_of[has_length], minlength=m) == 0] = np.nan
    measured = np.bincount(plot_of[has_length], weights=plants[has_length], minlength=m)
    plot_per_ha = population.density_per_ha(measured, plot_length, width)
    gap_kept = kept[at]
    gap, code, at, left, right = (values[gap_kept] for values in (gap, code, at, left, right))
    if m < n or not kept.all():  # else plots are rows, in the same order
        added = noise.error_variance(left, right, at, plot_of, m)
        columns, drowned = _columns(gap, code, plot_of[at], m, nominal, spacing, added)
    gaps_in = np.bincount(plot_of[at], minlength=m)
    order = _by_name(stretches)
    order = order[kept[order]]
    rank = np.zeros(n, int)
    rank[order] = np.arange(len(order))
    plot_bits = np.zeros(m, np.int64)
    np.bitwise_or.at(plot_bits, plot_of[kept], bits[kept])
    # one row of several may be drowned where the plot is not, and the other way round
    plot_bits = plot_bits & ~flags.bit("error_drowns_sd") | np.where(drowned, flags.bit("error_drowns_sd"), 0)
    lost = np.bincount(plot_of[kept], minlength=m) == 0
    lowest = np.full(m, len(flags.GRADES))
    np.minimum.at(lowest, plot_of[kept], grade[kept])
    length_kept = np.where(kept, length, np.nan)
    plots = _table(
        tables.PLOTS,
        {
            "plot": plot_names,
            "rows": np.bincount(plot_of[scaled & kept], minlength=m),
            "row_length_cm": plot_length,
            "plants": np.bincount(plot_of[kept], weights=plants[kept], minlength=m).astype(np.int64),
            **columns,
            "nominal_spacing_cm": np.where(lost, np.nan, nominal.spacing_cm),
            **_area_columns(measured, plot_length, plot_per_ha, spacing),
            "status": np.where(lost, trust.LEFT_OUT, _plot_status(status[kept], plot_of[kept], m)),
            "flags": _words(plot_bits),
            "weeds": _sum_of_known(np.where(kept, stretches["weeds"].to_numpy(float), np.nan), plot_of, m),
            **_interval_columns(
                intervals.spacing_intervals(gap, code, rank[at], plot_of[order], m, statistics),
                population.ratio_interval(plants, length_kept, plot_of, m, width, statistics.level),
                population.gaps_interval(plot_per_ha, columns["cv_pct"] / 100, gaps_in, statistics.level),
                intervals.cv_interval(columns["cv_pct"] / 100, gaps_in, statistics.level),
            ),
            "trust": np.array([*flags.GRADES, ""], object)[lowest],
            "rows_left_out": np.bincount(plot_of[~kept], minlength=m),
        },
    )
    notes = (*_notes(nominal, spacing), *trust.left_out_notes(rows, statistics.min_trust))
    return Summary(gaps, rows, plots, nominal, notes)


def _table(table: tables.Table, columns: dict[str, Any]) -> pd.DataFrame:
    """The table of these columns, put in order before and not after it is built: for few rows that is what costs."""
    n = len(next(iter(columns.values())))
    return tables.conform(table, pd.DataFrame({c.name: columns[c.name] for c in table.columns}, index=range(n)))


def _columns(
    gap: np.ndarray,
    code: np.ndarray,
    group: np.ndarray,
    n: int,
    nominal: Nominal,
    spacing: SpacingSettings,
    error_var: np.ndarray,
) -> tuple[dict[str, np.ndarray], np.ndarray]:
    """Spacing columns of each group of closed gaps, and where errors of position drown the scatter."""
    mean, sd = metrics.mean_sd(gap, group, n)
    classed = code >= 0
    width = len(metrics.KINDS)
    counts = np.bincount(group[classed] * width + code[classed], minlength=n * width).reshape(n, width)
    shares, by_intervals = metrics.spacing_shares(counts), metrics.interval_shares(counts)
    single = code == metrics.KINDS.index("single")
    q1, median, q3 = metrics.quantiles(gap, group, n)
    corrected, drowned = noise.corrected_sd(sd, error_var)
    per_mean = np.divide(100, mean, out=np.full(n, np.nan), where=mean > 0)
    return {
        "mean_gap_cm": mean,
        "sd_gap_cm": sd,
        "cv_pct": sd * per_mean,
        "multiples_pct": shares.multiples_pct,
        "quality_of_feed_pct": shares.quality_of_feed_pct,
        "misses_pct": shares.misses_pct,
        "precision_pct": 100 * metrics.mean_sd(gap[single], group[single], n)[1] / nominal.spacing_cm,
        "median_gap_cm": median,
        "q1_gap_cm": q1,
        "q3_gap_cm": q3,
        "near_nominal_pct": metrics.near_nominal_pct(gap, group, n, nominal.spacing_cm, spacing.near_nominal_cm),
        "multiples_intervals_pct": by_intervals.multiples_pct,
        "quality_of_feed_intervals_pct": by_intervals.quality_of_feed_pct,
        "misses_intervals_pct": by_intervals.misses_pct,
        "missing_seeds": np.where(counts.sum(axis=1) > 0, metrics.interval_counts(counts)[0], np.nan),
        "sd_gap_corrected_cm": corrected,
        "cv_corrected_pct": corrected * per_mean,
    }, drowned


def _area_columns(
    plants: np.ndarray, length: np.ndarray, per_ha: np.ndarray, spacing: SpacingSettings
) -> dict[str, np.ndarray]:
    """Columns of population and emergence."""
    of_seeds, of_viable = population.emergence(plants, length, spacing)
    per_acre = per_ha / units.ACRES_PER_HA
    return {
        "plants_per_ha": per_ha,
        "plants_per_10m2": per_ha * 10 / units.M2_PER_HA,
        "plants_per_thousandth_acre": per_acre / 1000,
        "plants_per_acre": per_acre,
        "emergence_pct": of_seeds,
        "emergence_of_viable_pct": of_viable,
    }


def _interval_columns(
    spread: intervals.SpacingIntervals,
    by_rows: tuple[np.ndarray, np.ndarray],
    by_gaps: tuple[np.ndarray, np.ndarray],
    vangel: tuple[np.ndarray, np.ndarray],
) -> dict[str, np.ndarray]:
    """Interval columns of the plots; population from the only row's gaps where there is a single row."""
    columns: dict[str, np.ndarray] = {}
    for name in intervals.STATISTICS:
        columns[f"{name}_low"], columns[f"{name}_high"] = spread.low[name], spread.high[name]
    rows_tell = np.isfinite(by_rows[0])
    for end, rows, gaps in zip(("low", "high"), by_rows, by_gaps, strict=True):
        columns[f"plants_per_ha_{end}"] = np.where(rows_tell, rows, np.where(spread.source == "gaps", gaps, np.nan))
    columns["cv_pct_vangel_low"], columns["cv_pct_vangel_high"] = (100 * end for end in vangel)
    name_of = {"rows": "rows", "gaps": "gaps, population by rows", "": "population by rows"}
    columns["interval_source"] = np.array(
        [name_of[s] if r else s for s, r in zip(spread.source.tolist(), rows_tell.tolist(), strict=True)], object
    )
    return columns


def _sum_of_known(values: np.ndarray, group: np.ndarray, n: int) -> np.ndarray:
    """Sum over each group of the values that are known; NaN where none is."""
    known = np.isfinite(values)
    total = np.bincount(group, weights=np.where(known, values, 0.0), minlength=n)
    return np.where(np.bincount(group[known], minlength=n) > 0, total, np.nan)


def _by_name(stretches: pd.DataFrame) -> np.ndarray:
    """Order of the stretches by photo and row, so that the draws of a bootstrap do not hang on the order of input."""
    photo = pd.factorize(stretches["photo"], sort=True)[0]
    return np.lexsort((stretches["row"].to_numpy(), photo))


def _notes(nominal: Nominal, spacing: SpacingSettings) -> tuple[str, ...]:
    """Settings that contradict one another."""
    if nominal.source != "given" or spacing.seeding_rate_per_ha is None or spacing.row_width_cm is None:
        return ()
    from_rate = units.spacing_cm(spacing.seeding_rate_per_ha, spacing.row_width_cm)
    if abs(from_rate / nominal.spacing_cm - 1) <= _SAME_SPACING:
        return ()
    return (
        f"The theoretical spacing given is {nominal.spacing_cm:.1f} cm, but {spacing.seeding_rate_per_ha:.0f} seeds "
        f"per ha at {spacing.row_width_cm:g} cm row width are {from_rate:.1f} cm. Doubles and skips go by the former, "
        "emergence by the latter; check which is right.",
    )


def _row_bits(words: pd.Series) -> np.ndarray:
    codes, known = pd.factorize(words)
    return np.array([flags.parse(text) for text in known], np.int64)[codes] if len(known) else np.zeros(0, np.int64)


def _words(bits: np.ndarray) -> np.ndarray:
    known, codes = np.unique(bits, return_inverse=True)
    return np.array([flags.words(b) for b in known], object)[codes]


def _plot_status(status: np.ndarray, plot_of: np.ndarray, n: int) -> np.ndarray:
    """Status "ok" where any row is; else the commonest status, the first of equals in the order below."""
    kinds = [
        "ok",
        "empty",
        "no_scale",
        "no_row",
        *sorted(set(status) - {"ok", "empty", "no_scale", "no_row"}),
    ]
    counts = np.stack([np.bincount(plot_of[status == kind], minlength=n) for kind in kinds], axis=1)
    return np.where(counts[:, 0] > 0, "ok", np.array(kinds, object)[counts.argmax(axis=1)])
