"""Dose units as DICOM tells them, turned into mGy and mGy·cm².

Units differ between neighbours: Entrance Dose (0040,0302) is in dGy and (0040,8302) in mGy, Image
and Fluoroscopy Area Dose Product (0018,115E) in dGy·cm², and a dose report mostly in Gy and Gy·m²
(PS3.3 and PS3.16 TID 10003; attributes run with pydicom, units cited from memory). So the unit
is always an input. Keys are UCUM codes.
"""

from typing import Final

from schemas.errors import InvalidInput

MGY_PER_UNIT: Final[dict[str, float]] = {
    "Gy": 1e3,
    "dGy": 1e2,
    "cGy": 1e1,
    "mGy": 1.0,
    "uGy": 1e-3,
}
"""Air kerma or dose: mGy in one of the unit."""

MGYCM2_PER_UNIT: Final[dict[str, float]] = {
    "Gy.m2": 1e7,
    "Gy.cm2": 1e3,
    "dGy.cm2": 1e2,
    "cGy.cm2": 1e1,
    "mGy.cm2": 1.0,
    "uGy.m2": 1e1,
}
"""Kerma-area product: mGy·cm² in one of the unit. 1 Gy·m² = 10^5 dGy·cm²."""


def kerma_in_mgy(value: float, unit: str) -> float:
    """Turn air kerma or dose in ``unit`` (a UCUM code) into mGy.

    Raises ``InvalidInput`` for a unit that is not one of kerma; it is never guessed.
    """
    return value * _factor(MGY_PER_UNIT, unit, "kerma_unit")


def kap_in_mgycm2(value: float, unit: str) -> float:
    """Turn kerma-area product in ``unit`` (a UCUM code) into mGy·cm².

    Raises ``InvalidInput`` for a unit that is not one of kerma-area product; it is never guessed.
    """
    return value * _factor(MGYCM2_PER_UNIT, unit, "kap_unit")


def _factor(factors: dict[str, float], unit: str, field: str) -> float:
    if unit not in factors:
        raise InvalidInput(field, unit, f"one of {', '.join(factors)} (UCUM)")
    return factors[unit]
