"""Row lengths that cover a part of an acre or hectare, plants per length, and what others are used to counting."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from standcam.units import CM_PER_FOOT, M2_PER_ACRE, M2_PER_HA


def row_length_cm(area_m2: float, row_width_cm: float) -> float:
    """Length of row that covers an area. [cm]"""
    return area_m2 * 1e4 / row_width_cm


def thousandth_acre_cm(row_width_cm: float) -> float:
    """Length of row that is 1/1000 acre: 522.72 / row width in inches, in feet. [cm]"""
    return row_length_cm(M2_PER_ACRE / 1000, row_width_cm)


def thousandth_ha_cm(row_width_cm: float) -> float:
    """Length of row that is 1/1000 ha: 10 / row width in metres, in metres. [cm]"""
    return row_length_cm(M2_PER_HA / 1000, row_width_cm)


def plants_per_m(plants_per_ha: float, row_width_cm: float) -> float:
    """Plants, or seeds, on a metre of row. [1/m]"""
    return plants_per_ha * row_width_cm / 1e6


def plants_per_foot(plants_per_ha: float, row_width_cm: float) -> float:
    """Plants, or seeds, on a foot of row. [1/ft]"""
    return plants_per_m(plants_per_ha, row_width_cm) * CM_PER_FOOT / 100


def wheel_population(plants: float, length_cm: float, row_width_cm: float) -> float:
    """Population from the length of row walked until so many plants were passed: a measuring wheel's. [1/ha]"""
    return plants * 1e8 / (length_cm * row_width_cm)


def hoop_factor_per_ha(diameter_cm: float) -> float:
    """Plants per hectare for each plant in a hoop, for rows too narrow to tell. [1/ha]"""
    return M2_PER_HA / (np.pi * (diameter_cm / 200) ** 2)


@dataclass(frozen=True)
class Habit:
    """A published habit of how many counts to make."""

    who: str
    what: str


HABITS = (
    Habit("North Carolina State", "3 samples for 1 to 15 acres, 5 for 16 to 30, 7 for 31 to 50"),
    Habit("Ohio State", "6 to 8 per 20 acres (2017); one per 2 to 3 acres (agronomy guide)"),
    Habit("Illinois, wheel", "one count of 150 plants per 5 to 10 acres"),
    Habit("North Dakota State", "about 20 places"),
    Habit("Tennessee", "5 or more"),
    Habit("Iowa State", "3 or more"),
)
"""For comparison only: none of them is tied to an interval."""
