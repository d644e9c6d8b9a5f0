"""The only unit conversions. Inside the package all lengths on the ground are cm, areas m², densities per ha.

Sources: the inch is 2.54 cm exactly, the foot 12 in and the pound 0.45359237 kg (international yard and pound
agreement, 1959); the acre is 43,560 square feet.
"""

from __future__ import annotations

CM_PER_INCH = 2.54
INCHES_PER_FOOT = 12
CM_PER_FOOT = CM_PER_INCH * INCHES_PER_FOOT
M2_PER_ACRE = 43_560 * (CM_PER_FOOT / 100) ** 2
M2_PER_HA = 10_000.0
ACRES_PER_HA = M2_PER_HA / M2_PER_ACRE

KG_PER_POUND = 0.45359237
KG_PER_OUNCE = KG_PER_POUND / 16
_POUNDS_PER_BUSHEL = {"maize": 56, "sorghum": 56, "soybean": 60, "wheat": 60}
KG_PER_BUSHEL = {crop: pounds * KG_PER_POUND for crop, pounds in _POUNDS_PER_BUSHEL.items()}
"""Weight of a bushel of grain by crop: legal weights in the United States (from memory; for maize the trade's 62.77
kg/ha for 1 bu/acre bears it out). [kg]"""

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


def kg_per_ha(bu_per_acre: float, crop: str = "maize") -> float:
    """Yield in bushels per acre to kg per ha; 1 bu/acre of maize is 62.77 kg/ha. [kg/ha]

    Raises
    ------
    KeyError
        The weight of this crop's bushel is not in ``KG_PER_BUSHEL``.
    """
    return bu_per_acre * KG_PER_BUSHEL[crop] * ACRES_PER_HA


def bu_per_acre(kg_ha: float, crop: str = "maize") -> float:
    """Yield in kg per ha to bushels per acre. [bu/acre]"""
    return kg_ha / kg_per_ha(1.0, crop)


def spacing_cm(plants_per_ha: float, row_width_cm: float) -> float:
    """Even spacing along the row that gives a population. [cm]

    ``1e8 / (plants_per_ha * row_width_cm)``: a hectare is 1e8 cm².
    """
    return 1e8 / (plants_per_ha * row_width_cm)
