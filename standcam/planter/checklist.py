"""From signs in the numbers to what one should look at on the planter, in order.

The causes stand in ``causes.toml`` beside this file. A cause is listed only if a sign in the numbers points to it, and
never as found: spacing shows what happened to the seed, not which part did it.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

CAUTIONS = (
    "Before working on the planter: park on level ground, stop engine, fan and drives, take the key, and block or "
    "lower what is raised. Never reach into a meter or drive that can turn. Treated seed and its dust are poisonous: "
    "gloves, no eating.",
    "The operator's manual and a trained technician have the last word on settings and repairs.",
    "What was measured tells of one day and place. Measure again after each change, one change at a time.",
)
"""Said with every list."""

_STRAIGHT = 0.65
"""Weight from which a sign points straight to a cause."""


@dataclass(frozen=True)
class Sign:
    """Something in the numbers that points to causes."""

    name: str
    strength: float
    """1: beyond what the interval or test allows for chance; up to 2 for far beyond; below 1: possible, not sure."""
    evidence: str
    """The numbers, with their intervals."""


@dataclass(frozen=True)
class Cause:
    """One thing to look at."""

    name: str
    group: str
    """meter, drop, drive, soil side, operation, seed or seedbed."""
    look: str
    """What to do."""
    source: str
    """Who ties the sign to the cause."""
    signs: Mapping[str, float]


@dataclass(frozen=True)
class Item:
    """A cause with what speaks for it."""

    cause: Cause
    score: float
    evidence: tuple[str, ...]
    sure: bool
    """Whether a sign beyond chance points straight to it; else it is only possible."""


@cache
def causes() -> tuple[Cause, ...]:
    """All causes, in the order of the file."""
    data = tomllib.loads(files("standcam.planter").joinpath("causes.toml").read_text(encoding="utf-8"))
    return tuple(Cause(c["name"], c["group"], c["look"], c["source"], c["signs"]) for c in data["cause"])


def checklist(signs: Sequence[Sign], lowest: float = 0.25) -> tuple[Item, ...]:
    """Causes that the signs point to, the sure ones first, then by strength.

    Parameters
    ----------
    signs : sequence of Sign
        From the numbers.
    lowest : float
        Score below which a cause is left out.
    """
    items = []
    for cause in causes():
        hits = sorted(
            ((cause.signs[s.name] * s.strength, s) for s in signs if s.name in cause.signs and s.strength > 0),
            key=lambda hit: -hit[0],
        )
        if not hits or hits[0][0] < lowest:
            continue
        # further signs add a little, so that a cause with two beats one with the stronger of them
        score = hits[0][0] + 0.1 * sum(h[0] for h in hits[1:])
        sure = any(s.strength >= 1 and cause.signs[s.name] >= _STRAIGHT for _, s in hits)
        items.append(Item(cause, score, tuple(dict.fromkeys(s.evidence for _, s in hits)), sure))
    # causes with the same leading evidence stay together, for they are one look at the planter
    group: dict[tuple[bool, str], float] = {}
    for item in items:
        key = (item.sure, item.evidence[0])
        group[key] = max(group.get(key, 0.0), item.score)
    return tuple(sorted(items, key=lambda i: (not i.sure, -group[i.sure, i.evidence[0]], i.evidence[0], -i.score)))
