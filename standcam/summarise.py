"""The lower half as one function: positions along rows become gaps, row summaries and plot summaries."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from standcam import tables, trust
from standcam.aside import Lines, LinesWriter
from standcam.settings import SpacingSettings, StatisticsSettings
from standcam.spacing.nominal import Nominal, theoretical_spacing
from standcam.sums import Sums, below_each_other, see

ROWS_AT_ONCE = 500
"""Lines of ROWS in a part; bounds memory."""


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
    seen = see(positions, stretches)
    kept = ~trust.below(seen.grade, statistics.min_trust)
    # rows below the bar have no say in the theoretical spacing
    sums = Sums(theoretical_spacing(seen.gap_cm[kept[seen.at]], spacing), spacing, statistics)
    gaps = sums.add(seen)
    rows, notes = sums.rows()
    plots = below_each_other(tables.PLOTS, list(sums.plots(rows)))
    return Summary(gaps, rows, plots, sums.nominal, notes)


@dataclass(frozen=True)
class LongSummary:
    """What many positions say about a stand; the fields of :class:`Summary`, tables on disk."""

    gaps: Lines
    rows_lines: Lines
    plots: Lines
    nominal: Nominal
    notes: tuple[str, ...] = ()

    @property
    def rows(self) -> pd.DataFrame:
        """ROWS, all in memory."""
        return self.rows_lines.whole()


def summarise_parts(
    parts: Callable[[], Iterable[tuple[pd.DataFrame, pd.DataFrame]]],
    spacing: SpacingSettings | None = None,
    statistics: StatisticsSettings | None = None,
    folder: str | Path | None = None,
) -> LongSummary:
    """The same numbers as :func:`summarise`, of positions that come part by part.

    What comes out of it is not in memory.

    Parameters
    ----------
    parts : callable
        Gives positions and their stretches, photo by photo or many photos at once, each time it is called; no photo is
        in two parts.
    spacing, statistics
        As of :func:`summarise`.
    folder : path, optional
        Where there is room for the gaps.

    Raises
    ------
    BadTable
        As :func:`summarise`.
    OSError
        Disk full.
    """
    spacing, statistics = spacing or SpacingSettings(), statistics or StatisticsSettings()
    nominal = theoretical_spacing(np.zeros(0), spacing)
    if nominal.source == "unknown":  # to be learnt from all rows that are kept
        known = []
        for positions, stretches in parts():
            seen = see(positions, stretches)
            known.append(seen.gap_cm[~trust.below(seen.grade, statistics.min_trust)[seen.at]])
        nominal = theoretical_spacing(np.concatenate(known) if known else np.zeros(0), spacing)
    sums = Sums(nominal, spacing, statistics, folder)
    gaps = LinesWriter(tables.GAPS, folder)
    for positions, stretches in parts():
        gaps.add(sums.add(see(positions, stretches)))
        gaps.end_part()
    rows, notes = sums.rows()
    held = LinesWriter(tables.ROWS, folder)
    for begin in range(0, len(rows), ROWS_AT_ONCE):
        held.add(rows.iloc[begin : begin + ROWS_AT_ONCE])
        held.end_part()
    plots = LinesWriter(tables.PLOTS, folder)
    for part in sums.plots(rows):
        plots.add(part)
        plots.end_part()
    return LongSummary(gaps.done(), held.done(), plots.done(), nominal, notes)
