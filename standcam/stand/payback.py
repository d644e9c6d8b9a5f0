"""Whether a repair of the planter pays: its cost against what evener spacing might bring, study by study.

The answer is a range that includes "never", as some studies found that uneven spacing cost nothing. Money is in
whatever the user counts in: price and cost must be in the same.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from standcam.errors import BadSettings
from standcam.estimate import Estimate
from standcam.stand.published import Aim, aims
from standcam.stand.yield_risk import yield_at_risk

_NEAR = 0.9
"""A published average above this share of the present SD is no goal: nobody mends for a tenth less (our choice). [1]"""


@dataclass(frozen=True)
class Goal:
    """An SD that a repair might bring the planter down to."""

    sd_cm: float
    words: str


@dataclass(frozen=True)
class StudyPayback:
    """Payback by one study."""

    study: str
    gain_kg_per_ha: tuple[float, float]
    """At the nearest and at the farthest goal. [kg/ha]"""
    gain_a_season: tuple[float, float]
    """[money]"""
    seasons: tuple[float, float]
    """Shortest and longest; infinite is never. [1]"""
    break_even_ha: tuple[float, float]
    """Area a year at which one season pays the repair, smallest and largest; infinite is never. [ha]"""


@dataclass(frozen=True)
class Payback:
    """Payback of a repair over the published studies."""

    cost: float
    """Of all row units. [money]"""
    price_per_t: float
    area_ha: float
    """Planted with these rows in a season; NaN where not given. [ha]"""
    sd_now_cm: float
    goals: tuple[Goal, ...]
    """Nearest first."""
    studies: tuple[StudyPayback, ...]

    @property
    def gain_a_season(self) -> tuple[float, float]:
        """Least and most over studies and goals. [money]"""
        return _ends([s.gain_a_season for s in self.studies])

    @property
    def seasons(self) -> tuple[float, float]:
        """Shortest and longest over studies and goals; infinite is never. [1]"""
        return _ends([s.seasons for s in self.studies])

    @property
    def break_even_ha(self) -> tuple[float, float]:
        """Smallest and largest over studies and goals; infinite is never. [ha]"""
        return _ends([s.break_even_ha for s in self.studies])


def goals(sd_now_cm: float, sd_after_cm: float | None = None, floor_cm: float = 0.0) -> tuple[Goal, ...]:
    """What a repair might bring the SD down to, nearest first.

    The SD that the user expects where they name one; else those of the published averages that lie clearly below the
    present SD, the last being the best that a field can expect.

    Parameters
    ----------
    sd_now_cm : float
        [cm]
    sd_after_cm : float, optional
        Expected after the repair. [cm]
    floor_cm : float
        What emergence alone leaves; no goal lies below it. [cm]

    Returns
    -------
    tuple of Goal
        Empty where there is nothing to gain.

    Raises
    ------
    BadSettings
        The expected SD is not below the present one.
    """
    if sd_after_cm is not None:
        if not 0 <= sd_after_cm < sd_now_cm:
            raise BadSettings(
                f"The SD expected after the repair is {sd_after_cm:g} cm, the present one {sd_now_cm:.1f} cm.",
                "Give a smaller one.",
            )
        return (Goal(sd_after_cm, "as expected by you"),)
    found: list[Goal] = []
    candidates: Sequence[Aim] = aims()
    for aim in candidates:
        sd, words = aim.sd_cm, aim.words
        if sd < floor_cm:
            sd, words = floor_cm, "what missing seedlings leave whatever the planter does"
        near = sd > _NEAR * sd_now_cm and aim is not candidates[-1]
        if sd < sd_now_cm and not near and sd not in [g.sd_cm for g in found]:
            found.append(Goal(sd, words))
    return tuple(found)


def payback(
    sd_now_cm: float,
    to: Sequence[Goal],
    *,
    cost_per_row: float,
    rows: int,
    price_per_t: float,
    area_ha: float = math.nan,
    expected_yield_kg_ha: float = math.nan,
    crop: str = "maize",
) -> Payback:
    """Seasons until a repair has paid for itself, by each study that gives a loss.

    Parameters
    ----------
    sd_now_cm : float
        SD of plant spacing now. [cm]
    to : sequence of Goal
        From :func:`goals`, nearest first.
    cost_per_row : float
        Of one row unit. [money]
    rows : int
        Row units that are repaired.
    price_per_t : float
        Grain price. [money/t]
    area_ha : float
        Planted with them in a season. NaN: only the break-even area is given. [ha]
    expected_yield_kg_ha : float
        For studies in per cent, which are left out without it. [kg/ha]

    Raises
    ------
    BadSettings
        A cost, price, area or number of rows that does not make sense, or another crop than maize.
    """
    for what, value in (("The cost per row", cost_per_row), ("The number of rows", rows), ("The price", price_per_t)):
        if not (math.isfinite(value) and value > 0):
            raise BadSettings(f"{what} is {value:g}.", "Give a number above zero.")
    if area_ha <= 0 or math.isinf(area_ha):
        raise BadSettings(f"The area is {area_ha:g} ha.", "Give a number above zero.")
    cost = cost_per_row * rows
    now = yield_at_risk(sd_now_cm, expected_yield_kg_ha, crop=crop)
    after = [yield_at_risk(Estimate(goal.sd_cm), expected_yield_kg_ha, crop=crop) for goal in to]
    lines = []
    for i, loss in enumerate(now.losses):
        if not loss.kg_per_ha.known:
            continue
        gains = [loss.kg_per_ha.value - then.losses[i].kg_per_ha.value for then in after] or [0.0]
        kg = (min(gains), max(gains))
        money = [g / 1000 * price_per_t for g in kg]
        season = (money[0] * area_ha, money[1] * area_ha)
        lines.append(
            StudyPayback(
                loss.study.name,
                kg,
                season,
                (_over(cost, season[1]), _over(cost, season[0])),
                (_over(cost, money[1]), _over(cost, money[0])),
            )
        )
    return Payback(cost, price_per_t, area_ha, sd_now_cm, tuple(to), tuple(lines))


def _over(cost: float, gain: float) -> float:
    return math.nan if math.isnan(gain) else cost / gain if gain > 0 else math.inf


def _ends(pairs: Sequence[tuple[float, float]]) -> tuple[float, float]:
    return min(low for low, _ in pairs), max(high for _, high in pairs)
