"""What a replant decision needs of a count: the stand with its interval, doubtful plants, and gaps that cost yield."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from standcam import flags, units
from standcam.errors import BadSettings, TooFewData
from standcam.estimate import Estimate
from standcam.stand.population import ratio_interval

DOUBTFUL_FLAG = "weak"
"""Plants so flagged are doubtful; a column `doubtful` of a tape file (yes, x, 1) says it too."""
DOUBTFUL_COLUMN = "doubtful"
_YES = {"1", "1.0", "x", "y", "yes", "true", "doubtful"}

COUNTED, TOLD, GIVEN, UNKNOWN = "counted", "told", "given", "unknown"


@dataclass(frozen=True)
class StandFound:
    """A stand as counted."""

    stand: Estimate
    """Plants as counted, doubtful ones in full; the interval is NaN with a single sampling unit. [1/ha]"""
    unit: str
    """What the interval rests on: plots, rows, or the gaps of a single row."""
    n_units: int
    doubtful_pct: float
    """Doubtful plants. [% of the plants counted]"""
    split_pct: float = 0.0
    """Plants told apart within touching leaves, counted in full. [% of the plants counted]"""
    left_out: int = 0
    """Rows without plants per ha."""
    row_width_cm: float = math.nan


def stand_found(
    rows: pd.DataFrame,
    plots: pd.DataFrame,
    plants: pd.DataFrame,
    row_width_cm: float | None = None,
    level: float = 0.95,
) -> StandFound:
    """The stand of all rows together, from a results folder.

    The sampling unit is the plot (the place, the photo) where there are two or more, else the row; see
    :func:`standcam.stand.population.ratio_interval`. A single row has the interval that its plot's line has, from its
    gaps (plants_per_ha_low, plants_per_ha_high), and tells of that row only.

    Parameters
    ----------
    rows, plots, plants : DataFrame
        ROWS, PLOTS and PLANTS.
    row_width_cm : float, optional
        Overrides the row width of the count. [cm]
    level : float
        Confidence. [1]

    Raises
    ------
    TooFewData
        No row has plants per ha.
    """
    width = rows["row_width_cm"].to_numpy(float) if row_width_cm is None else np.full(len(rows), float(row_width_cm))
    area = rows["row_length_cm"].to_numpy(float) * width
    # an empty stretch has no plants whatever its row width
    usable = (area > 0) & ~rows["status"].isin(["no_scale", "no_row"]).to_numpy(bool)
    if not usable.any():
        raise TooFewData(
            "No row has a length and a row width, so there are no plants per ha.",
            "Give --row-width-cm, or the stand itself with --stand-ha or --stand-acre.",
        )
    use = rows[usable].assign(_area=area[usable])
    by_plot = use.groupby("plot", sort=False)[["plants", "_area"]].sum()
    unit, sampled = ("plots", by_plot) if len(by_plot) > 1 else ("rows", use)
    plants_in, cm2 = sampled["plants"].to_numpy(float), sampled["_area"].to_numpy(float)
    value, n = float(1e8 * plants_in.sum() / cm2.sum()), len(sampled)
    if n > 1:
        # areas in place of lengths: row widths may differ
        ends = ratio_interval(plants_in, cm2, np.zeros(n, int), 1, 1.0, level)
        stand = Estimate(value, float(ends[0][0]), float(ends[1][0]), level)
    else:
        own = plots[plots["plot"] == by_plot.index[0]]
        low, high = (
            float(own[name].iloc[0]) if name in own and len(own) and row_width_cm is None else math.nan
            for name in ("plants_per_ha_low", "plants_per_ha_high")
        )
        unit, stand = "gaps" if math.isfinite(low) else "rows", Estimate(value, low, high, level)
    mine = plants.merge(use[["photo", "plot", "row"]], on=["photo", "plot", "row"]) if len(plants) else plants
    mine = mine[mine["is_crop"].to_numpy(bool)] if len(mine) else mine
    return StandFound(
        stand, unit, n, doubtful_pct(mine), _flag_pct(mine, "split"), int((~usable).sum()),
        float(np.nanmedian(width[usable])),
    )  # fmt: skip


def doubtful_pct(plants: pd.DataFrame) -> float:
    """Share of crop plants flagged as weak, or marked in a column `doubtful`. [%]"""
    if not len(plants):
        return 0.0
    doubt = _flagged(plants, DOUBTFUL_FLAG)
    if DOUBTFUL_COLUMN in plants:
        doubt = doubt | plants[DOUBTFUL_COLUMN].astype(str).str.strip().str.lower().isin(_YES).to_numpy(bool)
    return float(100 * doubt.mean())


def _flag_pct(plants: pd.DataFrame, name: str) -> float:
    return float(100 * _flagged(plants, name).mean()) if len(plants) else 0.0


def _flagged(plants: pd.DataFrame, name: str) -> np.ndarray:
    codes, known = pd.factorize(plants["flags"])
    return np.array([bool(flags.parse(text) & flags.bit(name)) for text in known], bool)[codes]


@dataclass(frozen=True)
class GapSettings:
    """Which gaps cost yield beyond the thinner stand."""

    short_cm: float = 1.5 * units.CM_PER_FOOT
    """Maize: gaps from here count as short (ISU IPM 13 May 1996: 1.5 to 3 ft; 1994: from 1 ft). [cm]"""
    long_cm: float = 4 * units.CM_PER_FOOT
    """Maize: gaps from here count as long (4 to 6 ft, older Illinois work through ISU IPM 1994 and 1996). Between 3 and
    4 ft the sources say nothing; they count as short here. [cm]"""
    longest_cm: float = 6 * units.CM_PER_FOOT
    """Longer gaps are outside the sources. [cm]"""
    short_pct: float = 2.0
    """Loss beyond the thinner stand with short gaps: about 2 (ISU 1994, 1996, 2004). [% or points]"""
    many_long_pct: tuple[float, float] = (4.0, 6.0)
    """The same with many long gaps: 5 to 6 (older Illinois work), 4 to 6 (ISU 2004). [% or points]"""
    soybean_cm: float = 2 * units.CM_PER_FOOT
    """Soybean: shorter gaps close by branching (ISU 24 May 1999). Wrong for late sowing in wide rows. [cm]"""


@dataclass(frozen=True)
class GapPenalty:
    """Yield lost to gaps beyond what the thinner stand itself costs.

    Sources do not say whether the figure is a share of the kept yield or points of full yield; decisions take both.
    """

    low: float
    high: float
    """[% or points]"""
    basis: str
    """counted, told (a scout's word), given (numbers of the caller) or unknown."""
    short: int = 0
    long: int = 0
    """Gaps found of either length, open ends included where they are long enough by themselves."""
    longest_cm: float = math.nan
    row_length_cm: float = math.nan
    long_share_pct: float = math.nan
    """Share of the measured row that lies in long gaps. [%]"""
    hidden: bool = False
    """The measured stretches are too short to show long gaps."""
    notes: tuple[str, ...] = field(default=())


def told_penalty(crop: str, word: str, settings: GapSettings | None = None) -> GapPenalty:
    """The penalty a scout's word stands for: none, short, long or unknown.

    Raises
    ------
    BadSettings
        Another word.
    """
    s = settings or GapSettings()
    if crop == "soybean":
        # the loss of long gaps has no published figure
        table = {"none": (0.0, 0.0), "short": (0.0, 0.0), "long": (0.0, 0.0), "unknown": (0.0, 0.0)}
    else:
        top = s.many_long_pct[1]
        table = {"none": (0.0, 0.0), "short": (0.0, s.short_pct), "long": s.many_long_pct, "unknown": (0.0, top)}
    if word not in table:
        raise BadSettings(f"Gaps are {word!r}.", f"Say one of {', '.join(table)}.")
    return GapPenalty(*table[word], UNKNOWN if word == "unknown" else TOLD)


def counted_penalty(
    gaps: pd.DataFrame, rows: pd.DataFrame, crop: str, row_width_cm: float, settings: GapSettings | None = None
) -> GapPenalty:
    """The penalty of the gaps that were measured.

    No source says how many gaps are "many". Here they are many when there is at least one per 1/1000 acre of row, the
    length that stands are counted in (our choice). Few of them may cost nothing, or as much as many.

    Parameters
    ----------
    gaps, rows : DataFrame
        GAPS (open ends too) and ROWS.
    crop : str
        maize or soybean.
    row_width_cm : float
        NaN: 30 in rows are taken for the length of 1/1000 acre. [cm]
    """
    s = settings or GapSettings()
    gap = gaps["gap_cm"].to_numpy(float)
    # rows that were only counted have no gaps, not even open ends: they tell nothing of gaps
    placed = rows.merge(gaps[["photo", "plot", "row"]].drop_duplicates(), on=["photo", "plot", "row"])
    length = placed["row_length_cm"].to_numpy(float)
    length = length[length > 0]
    if not len(length):
        return told_penalty(crop, "unknown", s)
    total = float(length.sum())
    edge = s.soybean_cm if crop == "soybean" else s.long_cm
    is_long = gap >= edge - 1e-6
    n_long = int(is_long.sum())
    share = float(100 * gap[is_long].sum() / total)
    longest = float(gap.max()) if len(gap) else math.nan
    # a stretch shows a gap whole only where it is a good deal longer than the gap
    hidden = bool(np.median(length) < 2 * (s.soybean_cm if crop == "soybean" else s.longest_cm))
    if crop == "soybean":
        # a bare piece of row cannot lose more than it would have borne; mean stand has part of that loss already
        return GapPenalty(0.0, min(share, 100.0), COUNTED, 0, n_long, longest, total, share, hidden)
    n_short = int(((gap >= s.short_cm - 1e-6) & ~is_long).sum())
    width = row_width_cm if math.isfinite(row_width_cm) else 30 * units.CM_PER_INCH
    counts = max(total / (units.M2_PER_ACRE / 1000 * 1e4 / width), 1.0)
    low = high = 0.0
    if n_short:
        low, high = (s.short_pct if n_short >= counts else 0.0), s.short_pct
    if n_long:
        low, high = (s.many_long_pct[0] if n_long >= counts else low), s.many_long_pct[1]
    return GapPenalty(low, high, COUNTED, n_short, n_long, longest, total, share, hidden)
