"""Yield at risk from uneven spacing: what each published study would say, as a range and never as one number.

Studies disagree, from no loss at all to 4 bu/ac for each inch of SD above 2 in, and none of them was made in the
user's field. Each is worked out by itself; the range runs from the least to the most. Nothing is lost up to the
threshold, and even spacing is never credited with a gain. All of it is of maize.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from standcam.errors import BadSettings, TooFewData
from standcam.estimate import Estimate
from standcam.settings import StatisticsSettings
from standcam.spacing.metrics import OPEN
from standcam.stand.published import PlantYields, Study, plant_yields, studies, threshold_cm
from standcam.units import bu_per_acre

MAIZE = ("maize", "corn")


@dataclass(frozen=True)
class Loss:
    """What one study says is lost at an SD."""

    study: Study
    kg_per_ha: Estimate
    """Loss, with its ends at the ends of the interval of the SD. NaN where the study names no slope, or gives per cent
    and the expected yield is not known. [kg/ha]"""
    percent: Estimate
    """Loss in per cent of yield: of studies in per cent, and of all where the expected yield is known. [%]"""
    outside: bool
    """The SD lies outside what the study tested, as far as that is known."""

    @property
    def bu_per_acre(self) -> Estimate:
        """The loss of maize. [bu/ac]"""
        return self.kg_per_ha.scaled(bu_per_acre(1.0))


@dataclass(frozen=True)
class YieldAtRisk:
    """Yield at risk by all published findings."""

    sd_gap_cm: Estimate
    threshold_cm: float
    expected_yield_kg_ha: float
    """NaN where not given. [kg/ha]"""
    losses: tuple[Loss, ...]
    """One a finding; those without a slope have NaN."""

    @property
    def computed(self) -> tuple[Loss, ...]:
        """Findings with a loss per ha."""
        return tuple(loss for loss in self.losses if loss.kg_per_ha.known)

    @property
    def range_kg_per_ha(self) -> tuple[float, float]:
        """Least and most over the studies, at the SD itself. [kg/ha]"""
        values = [loss.kg_per_ha.value for loss in self.computed]
        return min(values), max(values)

    @property
    def widest_kg_per_ha(self) -> tuple[float, float]:
        """The same with the interval of the SD taken in. [kg/ha]"""
        ends = [
            end
            for loss in self.computed
            for end in (loss.kg_per_ha.value, loss.kg_per_ha.low, loss.kg_per_ha.high)
            if math.isfinite(end)
        ]
        return min(ends), max(ends)

    @property
    def range_bu_per_acre(self) -> tuple[float, float]:
        """Least and most over the studies, at the SD itself. [bu/ac]"""
        low, high = self.range_kg_per_ha
        return bu_per_acre(low), bu_per_acre(high)


def require_maize(crop: str) -> None:
    """Refuse crops that the published slopes are not of.

    Raises
    ------
    BadSettings
    """
    if crop.strip().lower() not in MAIZE:
        raise BadSettings(
            f"The crop is {crop}; the published losses by uneven spacing are of maize only.",
            "No yield at risk can be given for it: soybean and others fill gaps in other ways. Ask local extension.",
        )


def yield_at_risk(
    sd_gap_cm: Estimate | float,
    expected_yield_kg_ha: float = math.nan,
    threshold: float | None = None,
    crop: str = "maize",
) -> YieldAtRisk:
    """Loss by each published finding at an SD of plant spacing.

    Parameters
    ----------
    sd_gap_cm : Estimate or float
        SD (n - 1) of the distances of neighbours within rows. [cm]
    expected_yield_kg_ha : float
        Needed for studies that give per cent. [kg/ha]
    threshold : float, optional
        SD up to which nothing is lost; 2 in unless given. [cm]
    crop : str

    Raises
    ------
    BadSettings
        Another crop than maize, or a yield or threshold that does not make sense.
    TooFewData
        The SD is not known.
    """
    require_maize(crop)
    sd = sd_gap_cm if isinstance(sd_gap_cm, Estimate) else Estimate(float(sd_gap_cm))
    if not sd.known or sd.value < 0:
        raise TooFewData("The SD of plant spacing is not known.", "It takes a row with at least three plants.")
    if expected_yield_kg_ha <= 0:
        raise BadSettings(f"The expected yield is {expected_yield_kg_ha:g} kg/ha.", "Give one above zero.")
    limit = threshold_cm() if threshold is None else float(threshold)
    if not limit >= 0:
        raise BadSettings(f"The threshold is {limit:g} cm.", "Give one of zero or more.")
    losses = tuple(_loss(study, sd, expected_yield_kg_ha, limit) for study in studies())
    return YieldAtRisk(sd, limit, expected_yield_kg_ha, losses)


def _loss(study: Study, sd: Estimate, expected: float, limit: float) -> Loss:
    outside = study.tested_cm is not None and not study.tested_cm[0] <= sd.value <= study.tested_cm[1]
    unknown = Estimate(math.nan, level=sd.level)
    if study.effect == "words":
        return Loss(study, unknown, unknown, outside)
    if study.effect == "percent":
        percent = _above(sd, study.above_cm, study.percent_per_cm)
        if math.isfinite(expected):
            kg = percent.scaled(expected / 100)
        else:  # nothing is nothing, whatever the yield
            value, low, high = (0.0 if end == 0 else math.nan for end in (percent.value, percent.low, percent.high))
            kg = Estimate(value, low, high, sd.level)
        return Loss(study, kg, percent, outside)
    kg = _above(sd, limit, study.kg_ha_per_cm)
    nothing = study.effect == "none"
    percent = kg.scaled(100 / expected) if math.isfinite(expected) else (kg if nothing else unknown)
    return Loss(study, kg, percent, outside)


def _above(sd: Estimate, limit: float, slope: float) -> Estimate:
    """``slope`` for each cm above ``limit``; nothing below it, never a gain."""
    value, low, high = (
        slope * max(0.0, end - limit) if math.isfinite(end) else math.nan for end in (sd.value, sd.low, sd.high)
    )
    return Estimate(value, low, high, sd.level)


# ---- the SD that it is asked for


@dataclass(frozen=True)
class SpacingSd:
    """SD of plant spacing within rows, of one or many rows together."""

    sd_gap_cm: Estimate
    """Square root of the mean variance within rows, weighed by gaps less one; interval between rows. [cm]"""
    rows: int
    """Rows with an SD."""
    corrected_rows: int
    """Of these, rows whose measurement error was taken out."""
    gaps: int

    @property
    def words(self) -> str:
        """Which SD it is."""
        if self.corrected_rows == 0:
            return "as seen, errors of measurement included"
        if self.corrected_rows == self.rows:
            return "with the errors of measurement taken out"
        return (
            f"with the errors of measurement taken out in {self.corrected_rows} of {self.rows} rows, the others as seen"
        )


def spacing_sd(rows: pd.DataFrame, gaps: pd.DataFrame, statistics: StatisticsSettings | None = None) -> SpacingSd:
    """SD of plant spacing over rows: published slopes are of the SD within rows, never across them.

    ``sd_gap_corrected_cm`` where ROWS have it, else ``sd_gap_cm``. The interval takes rows as the sampling unit: the
    jackknife over rows on the log scale, with Student's t at rows - 1; a single row gives none.

    Parameters
    ----------
    rows, gaps : DataFrame
        ROWS and GAPS.

    Raises
    ------
    TooFewData
        No row has an SD.
    """
    statistics = statistics or StatisticsSettings()
    keys = ["photo", "plot", "row"]
    closed = gaps[gaps["kind"] != OPEN].groupby(keys, sort=False).size().rename("_gaps").reset_index()
    known = rows[[*keys, "sd_gap_cm", *(c for c in ("sd_gap_corrected_cm",) if c in rows)]].merge(
        closed, on=keys, how="left"
    )
    known = known[known["sd_gap_cm"].notna() & (known["_gaps"] >= 2)]
    if not len(known):
        raise TooFewData(
            "No row has a spacing SD: yield at risk cannot be told.", "It takes a row with at least three plants."
        )
    seen = known["sd_gap_cm"].to_numpy(float)
    corrected = known["sd_gap_corrected_cm"].to_numpy(float) if "sd_gap_corrected_cm" in known else seen * np.nan
    is_corrected = np.isfinite(corrected)
    df = known["_gaps"].to_numpy(float) - 1
    squares = df * np.where(is_corrected, corrected, seen) ** 2
    return SpacingSd(
        _pooled(squares, df, statistics.level), len(known), int(is_corrected.sum()), int(known["_gaps"].sum())
    )


def _pooled(squares: np.ndarray, df: np.ndarray, level: float) -> Estimate:
    sd = math.sqrt(squares.sum() / df.sum())
    r = len(df)
    if r < 2 or sd == 0:
        return Estimate(sd, level=level)
    from scipy.special import stdtrit

    without = np.sqrt((squares.sum() - squares) / (df.sum() - df))
    if not (without > 0).all():
        return Estimate(sd, level=level)
    log = np.log(without)
    se = math.sqrt((r - 1) / r * float(((log - log.mean()) ** 2).sum()))
    half = float(stdtrit(r - 1, (1 + level) / 2)) * se
    return Estimate(sd, sd * math.exp(-half), sd * math.exp(half), level)


# ---- by plants instead of SD


@dataclass(frozen=True)
class PlantRoute:
    """Doubles and skips in plant-equivalents (Nafziger 1996), another road than the SD of spacing."""

    doubles_per_ha: float
    skips_per_ha: float
    """Missing plants. [1/ha]"""
    net_double: float
    """Plant-equivalents that a double brings at this population. [1]"""
    net_skip: float
    """Plant-equivalents that a missing plant brings: below zero. [1]"""
    kg_per_plant: float
    clamped: bool
    """The population lies outside of the two that were studied; the nearer one serves."""

    @property
    def skips_kg_per_ha(self) -> float:
        """Lost by skips. [kg/ha]"""
        return -self.skips_per_ha * self.net_skip * self.kg_per_plant

    @property
    def doubles_kg_per_ha(self) -> float:
        """Brought by the second plants of doubles. [kg/ha]"""
        return self.doubles_per_ha * self.net_double * self.kg_per_plant

    @property
    def net_kg_per_ha(self) -> float:
        """Loss over all; below zero where doubles bring more than skips cost. [kg/ha]"""
        return self.skips_kg_per_ha - self.doubles_kg_per_ha


def plant_route(doubles_per_ha: float, missing_per_ha: float, plants_per_ha: float, crop: str = "maize") -> PlantRoute:
    """Plant-equivalents lost by skips and won by doubles, between the two populations of Nafziger 1996.

    Nafziger found that skips and doubles act almost wholly through the number of plants. Between 18,000 and 30,000
    plants/ac his numbers are joined by straight lines; outside, the nearer population serves.

    Parameters
    ----------
    doubles_per_ha : float
        Gaps of class double. [1/ha]
    missing_per_ha : float
        Missing plants, one for a skip of one and so on. [1/ha]
    plants_per_ha : float
        Population. [1/ha]

    Raises
    ------
    BadSettings
        Another crop than maize.
    """
    require_maize(crop)
    known: Sequence[PlantYields] = plant_yields()
    at = [y.plants_per_ha for y in known]

    def between(values: list[float]) -> float:
        return float(np.interp(plants_per_ha, at, values))

    return PlantRoute(
        doubles_per_ha,
        missing_per_ha,
        between([y.net_double for y in known]),
        between([y.net_skip for y in known]),
        between([y.kg_per_plant for y in known]),
        not at[0] * (1 - 1e-9) <= plants_per_ha <= at[-1] * (1 + 1e-9),
    )


def plant_route_of(rows: pd.DataFrame, gaps: pd.DataFrame, crop: str = "maize") -> PlantRoute | None:
    """The same from tables; None where row width, row length or theoretical spacing is not known."""
    keys = ["photo", "plot", "row"]
    area = rows["row_length_cm"] * rows["row_width_cm"] / 1e8  # ha
    known = rows[(area > 0) & rows["nominal_spacing_cm"].notna()]
    if not len(known):
        return None
    kinds = gaps.merge(known[keys], on=keys)["kind"]
    missing = kinds.map({"skip_1": 1, "skip_2": 2, "skip_3_or_more": 3}).fillna(0).sum()
    ha = float(area[known.index].sum())
    return plant_route(
        float((kinds == "double").sum()) / ha, float(missing) / ha, float(known["plants"].sum()) / ha, crop
    )


def attainable_sd_cm(nominal_cm: float, emergence: float, placement_sd_cm: float = 0.0) -> float:
    """SD that a planter without skips and doubles would leave at a given emergence. [cm]

    Spacing is nominal x Geometric(emergence), of variance ``s² (1 - p) / p²``; an error of placement adds ``2 sd²``.

    Parameters
    ----------
    nominal_cm : float
        Theoretical spacing. [cm]
    emergence : float
        Share of seeds that give a plant. [1]
    placement_sd_cm : float
        SD of a seed's place. [cm]

    Raises
    ------
    BadSettings
        A value that does not make sense.
    """
    if not (nominal_cm > 0 and 0 < emergence <= 1 and placement_sd_cm >= 0):
        raise BadSettings(
            f"Spacing {nominal_cm:g} cm, emergence {emergence:g}, placement {placement_sd_cm:g} cm.",
            "Give a spacing above zero and an emergence above 0 up to 1.",
        )
    return math.sqrt(nominal_cm**2 * (1 - emergence) / emergence**2 + 2 * placement_sd_cm**2)
