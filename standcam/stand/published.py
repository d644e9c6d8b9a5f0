"""Published findings on uneven stands of maize, read from the package's own table, each with source and wording."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

from standcam.estimate import Estimate
from standcam.units import ACRES_PER_HA, CM_PER_INCH, KG_PER_OUNCE, kg_per_ha


@dataclass(frozen=True)
class Study:
    """One finding on spacing SD and yield."""

    name: str
    source: str
    effect: str
    """slope: loss above the threshold; none: no effect found; percent: of yield, above a limit of its own; words: a
    finding without a slope, told and never computed."""
    finding: str
    """What it found, in its own units."""
    mark: str
    """seen, memory or derived."""
    kg_ha_per_cm: float = 0.0
    """Loss above the threshold. [kg/ha per cm of SD]"""
    percent_per_cm: float = 0.0
    """Loss above ``above_cm``. [% of yield per cm of SD]"""
    above_cm: float = 0.0
    tested_cm: tuple[float, float] | None = None
    """Range of SD that was tested, where known. [cm]"""

    @property
    def computed(self) -> bool:
        """Whether a loss can be worked out from it."""
        return self.effect != "words"


@dataclass(frozen=True)
class Aim:
    """An SD that others have, to aim at."""

    sd_cm: float
    words: str
    source: str
    mark: str


@dataclass(frozen=True)
class PlantYields:
    """Doubles and skips by plants at one population (Nafziger 1996)."""

    plants_per_ha: float
    kg_per_plant: float
    net_double: float
    """Plant-equivalents that a double brings over a single: the pair's yield less one, less what both neighbours
    lose."""
    net_skip: float
    """Plant-equivalents that a skip brings: minus what neighbours do not make up."""


@dataclass(frozen=True)
class LateCase:
    """Loss of yield by late plants in one published case."""

    words: str
    loss_pct: tuple[float, float]
    share_pct: tuple[float, float] | None
    """Late share of the stand; None where it is not named. [%]"""
    days: tuple[float, float] | None
    source: str
    mark: str


@cache
def _data() -> dict[str, Any]:
    return tomllib.loads((resources.files("standcam.stand") / "data" / "spacing_slopes.toml").read_text("utf-8"))


@cache
def threshold_cm() -> float:
    """SD up to which nothing is lost: 2 in. [cm]"""
    return float(_data()["threshold"]["sd_in"]) * CM_PER_INCH


@cache
def studies() -> tuple[Study, ...]:
    """All findings on spacing SD, those that found none included."""
    return tuple(
        Study(
            name=line["name"],
            source=line["source"],
            effect=line["effect"],
            finding=line["finding"],
            mark=line["mark"],
            kg_ha_per_cm=kg_per_ha(line.get("bu_ac_per_in", 0.0)) / CM_PER_INCH,
            percent_per_cm=line.get("percent_per_cm", 0.0),
            above_cm=line.get("above_cm", 0.0),
            tested_cm=tuple(line["tested_cm"]) if "tested_cm" in line else None,
        )
        for line in _data()["study"]
    )


@cache
def aims() -> tuple[Aim, ...]:
    """SDs to aim at, the loosest first."""
    return tuple(Aim(a["sd_in"] * CM_PER_INCH, a["words"], a["source"], a["mark"]) for a in _data()["aim"])


@cache
def plant_yields() -> tuple[PlantYields, ...]:
    """Nafziger 1996 at his two populations, the lower first."""
    return tuple(
        PlantYields(
            plants_per_ha=line["population_ac"] * ACRES_PER_HA,
            kg_per_plant=line["oz_per_plant"] * KG_PER_OUNCE,
            net_double=(line["pair_against_one_pct"] + 2 * line["neighbours_of_double_pct"]) / 100,
            net_skip=-(100 - line["skip_made_up_pct"]) / 100,
        )
        for line in _data()["plants"]
    )


@cache
def late_cases() -> tuple[LateCase, ...]:
    """Losses by late plants."""
    return tuple(
        LateCase(
            words=line["words"],
            loss_pct=tuple(line["loss_pct"]),
            share_pct=tuple(line["share_pct"]) if "share_pct" in line else None,
            days=tuple(line["days"]) if "days" in line else None,
            source=line["source"],
            mark=line["mark"],
        )
        for line in _data()["late"]
    )


def late_losses_in_words(cases: Sequence[LateCase], share_pct: Estimate) -> list[str]:
    """Published losses for a share of late plants, each case with its source: a range, never one number.

    Parameters
    ----------
    cases : sequence of LateCase
    share_pct : Estimate
        Late share of the stand; cases within its interval are named, else the nearest ones. [%]
    """
    low, high = share_pct.low, share_pct.high
    if not math.isfinite(low):
        low = high = share_pct.value
    known = [(c.share_pct, c) for c in cases if c.share_pct is not None]
    fitting = [c for share, c in known if share[0] <= high and share[1] >= low]
    head = "Published losses for such a share of late plants"
    if not fitting:
        below = max((share for share, _ in known if share[1] < low), default=None)
        above = min((share for share, _ in known if share[0] > high), default=None)
        fitting = [c for share, c in known if share in (below, above)]
        head = "No published case has this share; the nearest"
    listed = "; ".join(f"{c.words} {_range(c.loss_pct)} % ({c.source})" for c in fitting)
    ends = _ends(fitting)
    return [
        f"{head}: {_range(ends)} % of yield, by how far behind they were: {listed}.",
        late_losses_overall(cases),
    ]


def late_losses_overall(cases: Sequence[LateCase]) -> str:
    """The range over all cases."""
    return (
        f"Over all {len(cases)} published cases of late plants (1 in 6 to 3 in 4 of the stand, 7 to 27 days behind) "
        f"the loss is {_range(_ends(cases))} % of yield. Neighbours of a late plant do not make up for it; neighbours "
        "of a gap do in part (Liu et al. 2004)."
    )


def _ends(cases: Sequence[LateCase]) -> tuple[float, float]:
    return min(c.loss_pct[0] for c in cases), max(c.loss_pct[1] for c in cases)


def _range(ends: tuple[float, float]) -> str:
    return f"{ends[0]:g}" if ends[0] == ends[1] else f"{ends[0]:g} to {ends[1]:g}"
