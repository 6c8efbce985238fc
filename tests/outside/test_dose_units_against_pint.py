"""Every unit that we read, against pint, an open library of units (run here)."""

from decimal import Decimal

import pint
import pytest

from schemas.dose_units import MGY_PER_UNIT, MGYCM2_PER_UNIT, kap_in_mgycm2, kerma_in_mgy
from schemas.mappings.units import UNITS_OF, in_our_unit
from services.assessment.dose_slips import (
    CHARGE,
    DISTANCE,
    KAP,
    KERMA,
    TIME,
    TUBE_CURRENT,
    TUBE_KV,
    Slip,
)

UNITS: pint.UnitRegistry[float] = pint.UnitRegistry()
OURS = {
    "tube_kv": "kilovolt",
    "tube_current_ma": "milliampere",
    "set_exposure_ms": "millisecond",
    "exposure_ms": "millisecond",
    "exposure_mas": "milliampere * second",
    "reported_kerma_mgy": "milligray",
    "reported_kap_mgycm2": "milligray * centimeter ** 2",
    "source_to_skin_mm": "millimeter",
}
"""What the name of each field says that its unit is."""


def as_pint(unit: str) -> str:
    """Write a printed or UCUM unit as pint reads it."""
    for one, other in (("·", "*"), (".", "*"), ("cm²", "cm**2"), ("m²", "m**2")):
        unit = unit.replace(one, other)
    for length in ("cm2", "m2"):
        unit = unit.removesuffix(length) + (length[:-1] + "**2") * unit.endswith(length)
    return unit.replace("µ", "u").replace("As", "A*s")


@pytest.mark.parametrize("unit", MGY_PER_UNIT)
def test_kerma_units_are_those_of_pint(unit: str) -> None:
    expected = UNITS.Quantity(3.7, as_pint(unit)).to("milligray").magnitude
    assert kerma_in_mgy(3.7, unit) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("unit", MGYCM2_PER_UNIT)
def test_kerma_area_units_are_those_of_pint(unit: str) -> None:
    expected = UNITS.Quantity(3.7, as_pint(unit)).to("milligray * centimeter ** 2").magnitude
    assert kap_in_mgycm2(3.7, unit) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(
    ("field", "unit"), [(field, unit) for field, units in UNITS_OF.items() for unit in units]
)
def test_units_of_a_devices_text_are_those_of_pint(field: str, unit: str) -> None:
    expected = UNITS.Quantity(3.7, as_pint(unit)).to(OURS[field]).magnitude
    assert float(in_our_unit(field, Decimal("3.7"), unit)) == pytest.approx(expected, rel=1e-12)


UNIT_OF_SLIP = {
    "v": "volt",
    "kv": "kilovolt",
    "ua": "microampere",
    "ma": "milliampere",
    "a": "ampere",
    "us": "microsecond",
    "ms": "millisecond",
    "s": "second",
    "uas": "microampere * second",
    "mas": "milliampere * second",
    "as": "ampere * second",
    "m": "meter",
    "cm": "centimeter",
    "mm": "millimeter",
    "ugy": "microgray",
    "mgy": "milligray",
    "dgy": "decigray",
    "gy": "gray",
    "mgycm2": "milligray * centimeter ** 2",
    "dgycm2": "decigray * centimeter ** 2",
    "gycm2": "gray * centimeter ** 2",
    "gym2": "gray * meter ** 2",
}


@pytest.mark.parametrize(
    "slip",
    [*TUBE_KV, *TUBE_CURRENT, *TIME, *CHARGE, *DISTANCE, *KERMA, *KAP],
    ids=lambda slip: slip.name,
)
def test_a_slip_puts_on_a_number_what_its_two_units_are_apart(slip: Slip) -> None:
    told, read = slip.name.split("-as-")
    one_read = UNITS.Quantity(1.0, UNIT_OF_SLIP[read]).to(UNIT_OF_SLIP[told]).magnitude
    assert slip.factor == pytest.approx(one_read, rel=1e-12)


# Source: pint, and the note in the project's standards page: 1 Gy·m² is 1e5 dGy·cm².
def test_the_two_area_units_of_dicom_differ_by_a_hundred_thousand() -> None:
    ratio = UNITS.Quantity(1.0, "gray * meter ** 2").to("decigray * centimeter ** 2").magnitude
    assert ratio == pytest.approx(1e5)
    assert kap_in_mgycm2(1.0, "Gy.m2") / kap_in_mgycm2(1.0, "dGy.cm2") == pytest.approx(1e5)
