"""Numbers and flags as people read them, on the screen and in marked photos alike."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from typing import Any

from standcam import flags, tables, units

NOTHING = "-"
"""Stands for a number that is not known."""

MAX_PROBLEMS = 12
"""Problems spelt out on the screen; problems.csv has them all."""

QUIET = flags.bit("censored_ends", "split", "beyond_stretch", "nominal_estimated", "no_population")
"""True of most good photos, or said in a line of its own: kept in the tables, no reason to look twice."""

SCALE_METHODS = {
    "board": "board",
    "stick": "stick",
    "points": "two given points",
    "height": "camera height and focal length",
    "flight": "height of flight and focal length",
    "control": "ground control points",
    "geotiff": "the map of the mosaic",
    "none": "no scale",
}


def number(value: float, decimals: int = 0) -> str:
    """A number; ``-`` when not known."""
    return NOTHING if value is None or not math.isfinite(value) else f"{value:.{decimals}f}"


def spacing(cm: float, system: str, unit: bool = True) -> str:
    """A distance between plants: ``15.9 cm`` or ``6.3 in``."""
    value, name = (units.inches(cm), "in") if system == "us" else (cm, "cm")
    return _with(number(value, 1), name, unit)


def row_length(cm: float, system: str, unit: bool = True) -> str:
    """A length of row: ``2.31 m`` or ``7.6 ft``."""
    value, decimals, name = (units.feet(cm), 1, "ft") if system == "us" else (cm / 100, 2, "m")
    return _with(number(value, decimals), name, unit)


def population(per_ha: float, system: str, unit: bool = True) -> str:
    """Plants per area to the nearest hundred: ``71 200/ha``, ``28,800/acre``."""
    value, name = (units.per_acre(per_ha), "acre") if system == "us" else (per_ha, "ha")
    if value is None or not math.isfinite(value):
        return NOTHING
    text = f"{round(value, -2):,.0f}" if system == "us" else f"{round(value, -2):,.0f}".replace(",", " ")
    return f"{text}/{name}" if unit else text


def plural(n: int, thing: str) -> str:
    """``1 row``, ``2 rows``."""
    return f"{n} {thing}" if n == 1 else f"{n} {thing}s"


def percent(value: float, unit: bool = True) -> str:
    """A share: ``8 %``."""
    return _with(number(value), "%", unit)


def on_small_area(per_ha: float, system: str) -> str:
    """Plants on the area that is usually counted: ``71.2 on 10 m²``, ``28.8 on 1/1000 acre``."""
    value, name = (units.per_acre(per_ha), "1/1000 acre") if system == "us" else (per_ha, "10 m²")
    return _with(number(value / 1000, 1), f"on {name}", True)


def span(low: float, high: float, words: Callable[[float], str]) -> str:
    """An interval, its unit once: ``15.0 to 16.9 cm``; ``-`` when there is none."""
    first, last = words(low), words(high)
    if NOTHING in (first, last):
        return NOTHING
    tail = re.search(r"(?:/| )[^\d\s]+$", last)
    return f"{first.removesuffix(tail.group()) if tail else first} to {last}"


def row_words(row: Any, system: str) -> list[str]:
    """The numbers of one line of ROWS, in parts that should not be broken; unknown ones are left out."""
    length = row_length(row.row_length_cm, system)
    if getattr(row, "status", "") == tables.NO_STEMS:  # marked photos are drawn from fewer columns
        return [f"{length}, no plant sought"]
    plants = f"{row.plants} {'plant' if row.plants == 1 else 'plants'}"
    parts = [plants if length == NOTHING else f"{plants} on {length}"]
    for text, value in (
        ("mean gap {}", spacing(row.mean_gap_cm, system)),
        ("CV {}", percent(row.cv_pct)),
        ("doubles {}", percent(row.multiples_pct)),
        ("singles {}", percent(row.quality_of_feed_pct)),
        ("skips {}", percent(row.misses_pct)),
        ("{}", population(row.plants_per_ha, system)),
    ):
        if value != NOTHING:
            parts.append(text.format(value))
    return [f"{part}," for part in parts[:-1]] + parts[-1:]


def trust_words(row: Any) -> str:
    """Grade of one line of ROWS, and whether it is left out: ``fair``, ``poor, left out``."""
    return f"{row.trust}, left out" if row.left_out else str(row.trust)


def missing_plants(kind: str) -> str:
    """How many plants a skip lacks, from its class: ``1``, ``2`` or ``3+``; nothing of a stretch merely bare."""
    return {"skip_1": "1", "skip_2": "2", "skip_3_or_more": "3+", "bare": ""}[kind]


def warnings(bits: int) -> list[str]:
    """Sentences for those set flags that a user should look at."""
    return flags.meanings(int(bits) & ~QUIET)


def scale(method: str) -> str:
    """Name of a scale method in plain words."""
    return SCALE_METHODS.get(method, method)


def printable(text: str) -> str:
    """Text that any terminal and font can take: no control characters, no broken Unicode."""
    sound = str(text).encode("utf-8", "backslashreplace").decode("utf-8")
    return "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in sound)


def _with(text: str, unit: str, wanted: bool) -> str:
    return f"{text} {unit}" if wanted and text != NOTHING else text
