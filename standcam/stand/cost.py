"""What uneven spacing may cost, all in one: SD, range over the studies, row units, payback, late plants."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from standcam.errors import BadSettings
from standcam.settings import Settings
from standcam.stand.payback import Payback, goals, payback
from standcam.stand.uniformity import Uniformity, emergence_uniformity
from standcam.stand.yield_risk import (
    PlantRoute,
    SpacingSd,
    YieldAtRisk,
    attainable_sd_cm,
    plant_route_of,
    require_maize,
    spacing_sd,
    yield_at_risk,
)


@dataclass(frozen=True)
class Asked:
    """What the user tells of farm and repair; NaN or None where not told. Money is the user's own."""

    price_per_t: float = math.nan
    """Grain price. [money/t]"""
    expected_yield_kg_ha: float = math.nan
    """[kg/ha]"""
    area_ha: float = math.nan
    """Planted in a season. [ha]"""
    sd_after_cm: float = math.nan
    """Spacing SD expected after the repair. [cm]"""
    repair_cost_row: float | None = None
    """Of one row unit. [money]"""
    row_units: int | None = None
    """Row units that are repaired."""

    def __post_init__(self) -> None:
        if self.repair_cost_row is None:
            if math.isfinite(self.sd_after_cm):
                raise BadSettings("An SD after the repair is given and no cost.", "Give --repair-cost-row too.")
            return
        lacking = [
            name
            for name, lacks in (
                ("a grain price (--price-t or --price-bu)", math.isnan(self.price_per_t)),
                ("the number of row units (--rows)", self.row_units is None),
            )
            if lacks
        ]
        if lacking:
            raise BadSettings("A repair cost is given.", f"Payback also takes {' and '.join(lacking)}.")


@dataclass(frozen=True)
class RowUnit:
    """One row unit of the planter."""

    name: str
    sd: SpacingSd
    risk: YieldAtRisk


@dataclass(frozen=True)
class Cost:
    """All that is known of the cost of uneven spacing."""

    sd: SpacingSd
    risk: YieldAtRisk
    row_units: tuple[RowUnit, ...]
    """Two or more, or none where row units are not known."""
    route: PlantRoute | None
    """By plants instead of SD; None where population is not known."""
    uniformity: Uniformity
    payback: Payback | None
    no_payback: str
    """Why there is none though a cost was given; empty otherwise."""
    floor_cm: float
    """SD that failed germination alone leaves; NaN where germination is not known. [cm]"""
    asked: Asked
    notes: tuple[str, ...]
    settings: Settings


def assess_cost(
    rows: pd.DataFrame,
    plants: pd.DataFrame,
    gaps: pd.DataFrame,
    settings: Settings,
    asked: Asked | None = None,
    notes: Sequence[str] = (),
) -> Cost:
    """Cost of uneven spacing from the tables of one run.

    Parameters
    ----------
    rows : DataFrame
        ROWS, with a column ``row_unit`` where units are known.
    plants, gaps : DataFrame
        PLANTS and GAPS.
    settings : Settings
        Crop, germination, confidence, units.
    asked : Asked, optional
    notes : sequence of str
        What is already known to be doubtful.

    Raises
    ------
    BadSettings
        Another crop than maize, or figures that do not make sense.
    TooFewData
        No row has a spacing SD.
    """
    asked = asked or Asked()
    crop, statistics = settings.spacing.crop, settings.statistics
    require_maize(crop)
    sd = spacing_sd(rows, gaps, statistics)
    risk = yield_at_risk(sd.sd_gap_cm, asked.expected_yield_kg_ha, crop=crop)
    units = []
    if "row_unit" in rows:
        named = rows[(rows["row_unit"].fillna("").astype("str") != "") & rows["sd_gap_cm"].notna()]
        for name, part in named.groupby(named["row_unit"].astype("str"), sort=True):
            unit = spacing_sd(part, gaps, statistics)
            units.append(RowUnit(str(name), unit, yield_at_risk(unit.sd_gap_cm, asked.expected_yield_kg_ha, crop=crop)))
    germination, nominal = settings.spacing.germination_pct, float(rows["nominal_spacing_cm"].median())
    floor = attainable_sd_cm(nominal, germination / 100) if germination is not None and nominal > 0 else math.nan
    paid, no_payback = None, ""
    if asked.repair_cost_row is not None and asked.row_units is not None:
        wanted = asked.sd_after_cm if math.isfinite(asked.sd_after_cm) else None
        to = goals(sd.sd_gap_cm.value, wanted, floor if math.isfinite(floor) else 0.0)
        if to:
            paid = payback(
                sd.sd_gap_cm.value, to, cost_per_row=asked.repair_cost_row, rows=asked.row_units,
                price_per_t=asked.price_per_t, area_ha=asked.area_ha,
                expected_yield_kg_ha=asked.expected_yield_kg_ha, crop=crop,
            )  # fmt: skip
        else:
            no_payback = "Never through spacing: the SD is already as small as a field can expect."
    return Cost(
        sd, risk, tuple(units) if len(units) > 1 else (), plant_route_of(rows, gaps, crop),
        emergence_uniformity(plants, gaps, statistics=statistics, crop=crop),
        paid, no_payback, floor, asked, tuple(notes), settings,
    )  # fmt: skip
