"""Seed-rate arithmetic: spacing, seeds per second, ground speed and turns of the disc.

All follow from lengths and times: ``spacing = area per seed / row width``, ``seeds per second = speed / spacing``,
``disc turns per minute = 60 x seeds per second / cells``. The mile is 5,280 ft (international foot, 1959).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from standcam import units

KM_PER_MILE = units.CM_PER_FOOT * 5280 / 1e5
_CM_PER_S = 1e5 / 3600
"""1 km/h. [cm/s]"""


def kmh(mph: float) -> float:
    """Miles per hour to kilometres per hour. [km/h]"""
    return mph * KM_PER_MILE


def mph(kmh: float) -> float:
    """Kilometres per hour to miles per hour. [mph]"""
    return kmh / KM_PER_MILE


def seeds_per_second(speed_kmh: float, spacing_cm: float) -> float:
    """Seeds that one row must drop each second. [1/s]"""
    return speed_kmh * _CM_PER_S / spacing_cm


def speed_kmh(seeds_per_second: float, spacing_cm: float) -> float:
    """Ground speed at which a meter drops so many seeds a second. [km/h]"""
    return seeds_per_second * spacing_cm / _CM_PER_S


def disc_rpm(seeds_per_second: float, cells: int) -> float:
    """Turns per minute of a disc with so many cells, each dropping one seed a turn. [1/min]"""
    return 60 * seeds_per_second / cells


def turn_length_cm(spacing_cm: float, cells: int) -> float:
    """Row planted by one turn of the disc. [cm]"""
    return spacing_cm * cells


def release_shift_cm(speed_kmh: float, delay_s: float) -> float:
    """How far a seed comes to lie behind its place when it is let go late. [cm]"""
    return speed_kmh * _CM_PER_S * delay_s


def release_delay_ms(speed_kmh: float, shift_cm: float) -> float:
    """The delay that moves a seed so far. [ms]"""
    return 1000 * shift_cm / (speed_kmh * _CM_PER_S)


@dataclass(frozen=True)
class SeedRate:
    """What a planter setting asks of one meter; NaN where too little is known."""

    spacing_cm: float
    speed_kmh: float = math.nan
    cells: int | None = None

    @property
    def seeds_per_second(self) -> float:
        """Seeds each row drops a second. [1/s]"""
        return seeds_per_second(self.speed_kmh, self.spacing_cm)

    @property
    def disc_rpm(self) -> float:
        """Turns of the disc. [1/min]"""
        return math.nan if self.cells is None else disc_rpm(self.seeds_per_second, self.cells)

    @property
    def turn_length_cm(self) -> float:
        """Row planted by one turn of the disc. [cm]"""
        return math.nan if self.cells is None else turn_length_cm(self.spacing_cm, self.cells)

    @property
    def shift_of_10_ms_cm(self) -> float:
        """How far a seed moves when let go 10 ms late. [cm]"""
        return release_shift_cm(self.speed_kmh, 0.010)
