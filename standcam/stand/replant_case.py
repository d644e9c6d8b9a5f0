"""What a replant decision starts from: the case, its money, and the assumptions of the method."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass, field

from standcam.errors import BadSettings
from standcam.estimate import Estimate
from standcam.stand.replant_stand import GapPenalty

NO_LEVEL = math.nan
"""Level of the ranges here: they span assumptions and carry no confidence."""


UNKNOWN = Estimate(math.nan, level=NO_LEVEL)
"""A range that is not known."""


def span(low: float, best: float | None = None, high: float | None = None) -> Estimate:
    """A range of assumptions: its ends and what is held likeliest, the middle unless given.

    Raises
    ------
    ValueError
        The three are not in order.
    """
    high = low if high is None else high
    best = (low + high) / 2 if best is None else best
    if not low <= best <= high:
        raise ValueError(f"{low}, {best}, {high} are not in order")
    return Estimate(best, low, high, NO_LEVEL)


@dataclass(frozen=True)
class ReplantSettings:
    """Assumptions of the method that a user may change."""

    doubtful_weight: float = 0.5
    """What a doubtful plant counts (Lauer 2003: one half). Wrong once their fate shows: wait a few days. [1]"""
    risk_points: Estimate = field(default_factory=lambda: span(0.0, 10.0, 10.0))
    """Taken off the replanted yield for the risk that it fails too: about 10 (UNL 2009); nothing if all goes well.
    [points of full yield]"""
    hold_edge: bool = False
    """Take a table's nearest cell for stands and dates beyond it. It flatters thin stands and late dates."""
    unseen_gaps_pct: float = 6.0
    """Maize: what long gaps may cost that short stretches cannot show (older Illinois work). [%]"""
    delay_days: int = 7
    """For the question what a delay of the replanting costs. [d]"""

    def __post_init__(self) -> None:
        if not 0 <= self.doubtful_weight <= 1:
            raise BadSettings(f"The weight of doubtful plants is {self.doubtful_weight:g}.", "Give 0 to 1.")
        if not 0 <= self.risk_points.low <= self.risk_points.high <= 100:
            raise BadSettings("The risk of replanting is out of range.", "Give 0 to 100 points.")


@dataclass(frozen=True)
class Economics:
    """Money, in whatever currency the caller uses."""

    full_yield: Estimate
    """Yield of a full stand planted on time. [kg/ha]"""
    price: Estimate
    """Of the grain. [currency/t]"""
    cost: Estimate
    """Of replanting, all told: killing the old stand, tillage, seed, passes, chemicals. [currency/ha]"""
    drying: Estimate = field(default_factory=lambda: span(0.0))
    """What grain of the later crop costs more or fetches less: drying, test weight. [currency/t]"""

    def __post_init__(self) -> None:
        if not (self.full_yield.low > 0 and self.price.low > 0 and self.cost.low >= 0 and self.drying.low >= 0):
            raise BadSettings("Yield and price must be above zero, cost and drying not below.", "Check the numbers.")


@dataclass(frozen=True)
class ReplantCase:
    """One field, or a part of it, that has to be decided on."""

    crop: str
    stand: Estimate
    """As counted, doubtful plants in full; without interval the value alone is used. [1/ha]"""
    planted: dt.date
    replant_on: dt.date
    target: Estimate
    """Stand the new planting is to reach: plants, not seeds. [1/ha]"""
    gaps: GapPenalty
    doubtful_pct: float = 0.0
    """[% of the plants counted]"""
    economics: Economics | None = None
    planted_maturity: str = ""
    """full or short: the hybrid in the ground; empty where not known. Maize."""
    replant_maturity: str = ""
    """The hybrid of the new planting."""

    def __post_init__(self) -> None:
        if self.replant_on <= self.planted:
            raise BadSettings(
                f"Replanting on {self.replant_on} does not come after planting on {self.planted}.",
                "Give both dates as YYYY-MM-DD.",
            )
        if (self.replant_on - self.planted).days > 180:
            raise BadSettings(
                f"Replanting on {self.replant_on} is more than half a year after {self.planted}.", "Check the years."
            )
        if not (math.isfinite(self.stand.value) and self.stand.value >= 0):
            raise BadSettings(f"The stand is {self.stand.value}.", "Give plants per area.")
        if not self.target.low > 0:
            raise BadSettings(f"The target stand is {self.target.low:g}.", "Give plants per area, above zero.")
        if not 0 <= self.doubtful_pct <= 100:
            raise BadSettings(f"Doubtful plants are {self.doubtful_pct:g} %.", "Give 0 to 100.")

    def effective(self, weight: float) -> Estimate:
        """The stand with doubtful plants at their weight; equal ends where there is no interval. [1/ha]"""
        factor = 1 - self.doubtful_pct / 100 * (1 - weight)
        s = self.stand
        low, high = (s.low, s.high) if math.isfinite(s.low) and math.isfinite(s.high) else (s.value, s.value)
        return Estimate(s.value * factor, low * factor, high * factor, s.level)
