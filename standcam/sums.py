"""Rows one after the other, and in the end their plots: the sums behind :mod:`standcam.summarise`."""

from __future__ import annotations

import pickle
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from standcam import flags, tables, trust, units
from standcam.aside import Aside
from standcam.settings import SpacingSettings, StatisticsSettings
from standcam.spacing import intervals, metrics, noise
from standcam.spacing.nominal import Nominal
from standcam.stand import population

MOST_GAPS = 20_000
"""Gaps of plots that are looked at together, about; bounds memory, unless one plot has more."""
_SAME_SPACING = 0.02  # a planter's rate chart is not finer than that (common practice, no source)


@dataclass(frozen=True)
class Seen:
    """Positions found in their stretches, before anything is held against a spacing."""

    stretches: pd.DataFrame
    scaled: np.ndarray
    """Whether the stretch has centimetres. (n,) bool"""
    plants: np.ndarray
    status: np.ndarray
    bits: np.ndarray
    """Flags of the stretch. (n,)"""
    beyond: np.ndarray
    """Whether plants stand beyond its ends. (n,) bool"""
    grade: np.ndarray
    reasons: np.ndarray
    pairs: metrics.Neighbours
    plant: np.ndarray
    """Number of each plant that pairs name."""
    left_var: np.ndarray
    """Error variance of the stem where a closed gap begins. (g,) [cm²]"""
    right_var: np.ndarray

    @property
    def at(self) -> np.ndarray:
        """Stretch of each closed gap. (g,)"""
        return self.pairs.stretch[self.pairs.closed]

    @property
    def gap_cm(self) -> np.ndarray:
        """Closed gaps. (g,) [cm]"""
        return self.pairs.gap_cm[self.pairs.closed]


def see(positions: pd.DataFrame, stretches: pd.DataFrame) -> Seen:
    """Positions found in their stretches; see :func:`standcam.summarise.summarise`.

    Raises
    ------
    BadTable
        A table lacks columns, a position belongs to no stretch, or two stretches have one name.
    """
    positions = tables.conform(tables.POSITIONS, positions)
    stretches = tables.conform(tables.STRETCHES, stretches)
    n = len(stretches)
    status = stretches["status"].to_numpy(object)
    scaled = ~np.isin(status, ["no_scale", "no_row"])
    stretches = _ends_only(stretches, scaled)

    index = metrics.stretch_index(positions, stretches)
    place = positions["position_cm"].to_numpy(float)
    within = metrics.inside(place, index, stretches)
    keep = within & scaled[index]
    # a tape's bare count has a length and no positions
    counted = status == "counted"
    plants = np.where(scaled & ~counted, np.bincount(index[keep], minlength=n), stretches["plants"].to_numpy())
    bits = _row_bits(stretches["flags"])
    grade, reasons = trust.grades(bits, plants)

    plant = positions["plant"].to_numpy()[keep]
    # where there are no positions, the whole length is no open gap
    pairs = metrics.neighbours(place[keep], plant, index[keep], _ends_only(stretches, ~counted))
    error = positions["position_sd_cm"].to_numpy(float)[keep] ** 2
    return Seen(
        stretches=stretches,
        scaled=scaled,
        plants=plants,
        status=np.where(scaled, np.array(["empty", "ok"], object)[(plants > 0).astype(int)], status),
        bits=bits,
        beyond=np.bincount(index[~within], minlength=n) > 0,
        grade=grade,
        reasons=reasons,
        pairs=pairs,
        plant=plant,
        left_var=error[pairs.left[pairs.closed]],
        right_var=error[pairs.right[pairs.closed]],
    )


def _ends_only(stretches: pd.DataFrame, where: np.ndarray) -> pd.DataFrame:
    """Stretches whose ends stay where told to, and are missing elsewhere. (n,) bool"""
    if where.all():
        return stretches
    return stretches.assign(from_cm=stretches["from_cm"].where(where), to_cm=stretches["to_cm"].where(where))


class Sums:
    """Rows one after the other, and in the end their plots.

    What plots need of single gaps waits on disk where there is a folder, and is taken up again for so many plots at a
    time that it stays within :data:`MOST_GAPS`.
    """

    def __init__(
        self,
        nominal: Nominal,
        spacing: SpacingSettings,
        statistics: StatisticsSettings,
        folder: str | Path | None = None,
    ) -> None:
        self.nominal = nominal
        self._spacing, self._statistics = spacing, statistics
        self._rows: list[pd.DataFrame] = []
        self._scaled: list[np.ndarray] = []
        self._bits: list[np.ndarray] = []
        self._grade: list[np.ndarray] = []
        self._gaps: list[_Gaps] | Aside = [] if folder is None else Aside(folder)
        self._gaps_in: list[np.ndarray] = []
        self._begins = np.zeros(1, int)

    def add(self, seen: Seen) -> pd.DataFrame:
        """Rows of some stretches; gives their GAPS."""
        stretches, nominal, spacing = seen.stretches, self.nominal, self._spacing
        n, plants, at, gap = len(stretches), seen.plants, seen.at, seen.gap_cm
        gaps = metrics.gap_table(seen.pairs, seen.plant, stretches, nominal.spacing_cm)
        code = metrics.classify(gap / nominal.spacing_cm)
        length = np.maximum(stretches["to_cm"].to_numpy(float) - stretches["from_cm"].to_numpy(float), 0.0)
        width = _width_cm(spacing)
        per_ha = population.density_per_ha(plants, length, width)
        added = noise.error_variance(seen.left_var, seen.right_var, at, np.arange(n), n)
        columns, drowned = _columns(gap, code, at, n, nominal, spacing, added)
        counted = stretches["status"].to_numpy(object) == "counted"
        gaps_in = np.bincount(at, minlength=n)
        bits = seen.bits.copy()
        bits[(plants > 0) & np.isfinite(length) & ~counted] |= flags.bit("censored_ends")
        bits[seen.scaled & np.isnan(per_ha)] |= flags.bit("no_population")
        bits[seen.beyond & seen.scaled] |= flags.bit("beyond_stretch")
        bits[drowned] |= flags.bit("error_drowns_sd")
        if nominal.source == "estimated":
            bits[gaps_in > 0] |= flags.bit("nominal_estimated")
        kept = ~trust.below(seen.grade, self._statistics.min_trust)
        grade_names = np.array(flags.GRADES, object)[seen.grade]
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
                "status": seen.status,
                "flags": _words(bits),
                "weeds": stretches["weeds"],
                "trust": grade_names,
                "trust_reasons": seen.reasons,
                "left_out": np.where(kept, "", np.array([f"trust is {g}" for g in flags.GRADES], object)[seen.grade]),
            },
        )
        self._rows.append(rows)
        self._scaled.append(seen.scaled)
        self._bits.append(bits)
        self._grade.append(seen.grade)
        self._gaps_in.append(gaps_in)
        own = _Gaps(gap, code.astype(np.int8), at.astype(np.int32), seen.left_var, seen.right_var)
        if isinstance(self._gaps, Aside):
            self._gaps.add(pickle.dumps(own, protocol=5))
        else:
            self._gaps.append(own)
        return gaps

    def rows(self) -> tuple[pd.DataFrame, tuple[str, ...]]:
        """ROWS of all stretches, and notes on them; nothing can be added after."""
        self._begins = np.cumsum([0, *map(len, self._rows)])
        rows = below_each_other(tables.ROWS, self._rows)
        self._rows.clear()
        notes = (*_notes(self.nominal, self._spacing), *trust.left_out_notes(rows, self._statistics.min_trust))
        return rows, notes

    def plots(self, rows: pd.DataFrame) -> Iterator[pd.DataFrame]:
        """PLOTS in the order of their first rows, some at a time, from what :meth:`rows` gave."""
        plot_of, names = pd.factorize(rows["plot"])
        order = _by_name(rows)
        for some, own in _some_plots(plot_of, len(names), _joined(self._gaps_in)):
            yield self._plots(some, names, rows.take(own), own, order)

    def _plots(
        self, plots: range, names: pd.Index, rows: pd.DataFrame, at: np.ndarray, order: np.ndarray
    ) -> pd.DataFrame:
        """PLOTS of some plots, from their rows and the places of these among all."""
        spacing, statistics, width = self._spacing, self._statistics, _width_cm(self._spacing)
        m = len(plots)
        names = names[plots.start : plots.stop]
        plot_of = names.get_indexer(rows["plot"])
        grade, bits, scaled, gaps_in = (
            _joined(held)[at] for held in (self._grade, self._bits, self._scaled, self._gaps_in)
        )
        kept = ~trust.below(grade, statistics.min_trust)
        plants, length = rows["plants"].to_numpy(), rows["row_length_cm"].to_numpy(float)
        has_length = np.isfinite(length) & kept
        plot_length = np.bincount(plot_of, weights=np.where(has_length, length, 0.0), minlength=m).astype(float)
        plot_length[np.bincount(plot_of[has_length], minlength=m) == 0] = np.nan
        measured = np.bincount(plot_of[has_length], weights=plants[has_length], minlength=m)
        plot_per_ha = population.density_per_ha(measured, plot_length, width)
        gaps_in = np.bincount(plot_of[kept], weights=gaps_in[kept], minlength=m).astype(np.int64)
        gaps = self._gaps_of(at[kept])
        # the order of names fixes which rows the bootstrap draws
        place = np.full(len(order), -1)
        place[at[kept]] = np.flatnonzero(kept)
        named = place[order]
        named = named[named >= 0]
        rank = np.zeros(len(rows), int)
        rank[named] = np.arange(len(named))
        row = place[gaps.at]
        added = noise.error_variance(gaps.left_var, gaps.right_var, row, plot_of, m)
        columns, drowned = _columns(gaps.gap_cm, gaps.code, plot_of[row], m, self.nominal, spacing, added)
        spread = intervals.spacing_intervals(gaps.gap_cm, gaps.code, rank[row], plot_of[named], m, statistics)
        plot_bits = np.zeros(m, np.int64)
        np.bitwise_or.at(plot_bits, plot_of[kept], bits[kept])
        # one row of several may be drowned where the plot is not, and the other way round
        plot_bits = plot_bits & ~flags.bit("error_drowns_sd") | np.where(drowned, flags.bit("error_drowns_sd"), 0)
        lost = np.bincount(plot_of[kept], minlength=m) == 0
        lowest = np.full(m, len(flags.GRADES))
        np.minimum.at(lowest, plot_of[kept], grade[kept])
        length_kept = np.where(kept, length, np.nan)
        status = rows["status"].to_numpy(object)
        weeds = np.where(kept, rows["weeds"].to_numpy(float), np.nan)
        return _table(
            tables.PLOTS,
            {
                "plot": names,
                "rows": np.bincount(plot_of[scaled & kept], minlength=m),
                "row_length_cm": plot_length,
                "plants": np.bincount(plot_of[kept], weights=plants[kept], minlength=m).astype(np.int64),
                **columns,
                "nominal_spacing_cm": np.where(lost, np.nan, self.nominal.spacing_cm),
                **_area_columns(measured, plot_length, plot_per_ha, spacing),
                "status": np.where(lost, trust.LEFT_OUT, _plot_status(status[kept], plot_of[kept], m)),
                "flags": _words(plot_bits),
                "weeds": _sum_of_known(weeds, plot_of, m),
                **_interval_columns(
                    spread,
                    population.ratio_interval(plants, length_kept, plot_of, m, width, statistics.level),
                    population.gaps_interval(plot_per_ha, columns["cv_pct"] / 100, gaps_in, statistics.level),
                    intervals.cv_interval(columns["cv_pct"] / 100, gaps_in, statistics.level),
                ),
                "trust": np.array([*flags.GRADES, ""], object)[lowest],
                "rows_left_out": np.bincount(plot_of[~kept], minlength=m),
            },
        )

    def _gaps_of(self, rows: np.ndarray) -> _Gaps:
        """Gaps of some rows, in their order. (n,) places among all rows, ascending"""
        found = []
        for k in np.unique(np.searchsorted(self._begins, rows, side="right") - 1).tolist():
            part = pickle.loads(self._gaps[k]) if isinstance(self._gaps, Aside) else self._gaps[k]
            at = part.at + self._begins[k]
            mine = np.isin(at, rows)
            found.append([v[mine] for v in (part.gap_cm, part.code, at, part.left_var, part.right_var)])
        if not found:
            none = np.zeros(0)
            return _Gaps(none, none.astype(np.int8), none.astype(int), none, none)
        return _Gaps(*(np.concatenate(column) for column in zip(*found, strict=True)))


@dataclass(frozen=True)
class _Gaps:
    """Closed gaps as plots take them, stretch by stretch and in order."""

    gap_cm: np.ndarray
    code: np.ndarray
    at: np.ndarray
    """Row of each. (g,)"""
    left_var: np.ndarray
    right_var: np.ndarray


def _some_plots(plot_of: np.ndarray, plots: int, gaps_in: np.ndarray) -> Iterator[tuple[range, np.ndarray]]:
    """Plots in their order, some at a time, each time with their rows. (n,) plot and gaps of each row"""
    order = np.argsort(plot_of, kind="stable")
    ends = np.cumsum(np.bincount(plot_of, minlength=plots))
    # a row counts too, or plots without gaps would all come at once
    size = np.cumsum(np.bincount(plot_of, weights=gaps_in + 10.0, minlength=plots)) // MOST_GAPS
    edges = [0, *(np.flatnonzero(np.diff(size)) + 1).tolist(), plots] if plots else [0, 0]
    for first, last in pairwise(edges):
        begin, end = (ends[first - 1] if first else 0), (ends[last - 1] if last else 0)
        yield range(first, last), np.sort(order[begin:end])


def below_each_other(table: tables.Table, parts: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Tables as one; without any, the empty one."""
    filled = [part for part in parts if len(part)] or [*parts[:1], tables.empty(table)][:1]
    return filled[0] if len(filled) == 1 else pd.concat(filled, ignore_index=True)


def _joined(parts: list[np.ndarray]) -> np.ndarray:
    return np.concatenate(parts) if parts else np.zeros(0, int)


def gaps_and_rows(
    positions: pd.DataFrame,
    stretches: pd.DataFrame,
    nominal: Nominal,
    spacing: SpacingSettings,
    statistics: StatisticsSettings,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """GAPS and ROWS of some stretches by themselves, without their plots."""
    sums = Sums(nominal, spacing, statistics)
    gaps = sums.add(see(positions, stretches))
    return gaps, sums._rows[0]


def _width_cm(spacing: SpacingSettings) -> float:
    return float("nan") if spacing.row_width_cm is None else float(spacing.row_width_cm)


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
    return np.array(kinds, object)[np.where(counts[:, 0] > 0, kinds.index("ok"), counts.argmax(axis=1))]
