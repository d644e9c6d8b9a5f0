"""The only unit conversions. Inside the package all lengths on the ground are cm, areas m², densities per ha.

Sources: the inch is 2.54 cm exactly and the foot 12 in (international yard and pound agreement, 1959); the
acre is 43,560 square feet.
"""

from __future__ import annotations

CM_PER_INCH = 2.54
INCHES_PER_FOOT = 12
CM_PER_FOOT = CM_PER_INCH * INCHES_PER_FOOT
M2_PER_ACRE = 43_560 * (CM_PER_FOOT / 100) ** 2
M2_PER_HA = 10_000.0
ACRES_PER_HA = M2_PER_HA / M2_PER_ACRE

CM_PER_UNIT = {"mm": 0.1, "cm": 1.0, "m": 100.0, "in": CM_PER_INCH, "inch": CM_PER_INCH, "ft": CM_PER_FOOT}


def per_acre(per_ha: float) -> float:
    """Plants per hectare to plants per acre. [1/acre]"""
    return per_ha / ACRES_PER_HA


def per_ha(per_acre: float) -> float:
    """Plants per acre to plants per hectare. [1/ha]"""
    return per_acre * ACRES_PER_HA


def inches(cm: float) -> float:
    """Centimetres to inches. [in]"""
    return cm / CM_PER_INCH


def feet(cm: float) -> float:
    """Centimetres to feet. [ft]"""
    return cm / CM_PER_FOOT


def spacing_cm(plants_per_ha: float, row_width_cm: float) -> float:
    """Even spacing along the row that gives a population. [cm]

    ``1e8 / (plants_per_ha * row_width_cm)``: a hectare is 1e8 cm².
    """
    return 1e8 / (plants_per_ha * row_width_cm)
