"""The units in which a device may tell its quantities, and their exact size in ours.

Every factor is a power of ten, so a decimal text is converted without rounding; only the last
step, to a float, rounds once. Units are written as printed (``µA``, ``mGy·cm²``) or in UCUM
(``uA``, ``mGy.cm2``).
"""

from decimal import Decimal
from typing import Final

from schemas.errors import InvalidInput

_MICRO = "\u00b5"
"""The micro sign; the Greek letter mu looks the same."""


def _powers(*units: tuple[str, int]) -> dict[str, Decimal]:
    return {unit: Decimal(1).scaleb(power) for unit, power in units}


_TIME = _powers(("s", 3), ("ms", 0), (f"{_MICRO}s", -3))

UNITS_OF: Final[dict[str, dict[str, Decimal]]] = {
    "tube_kv": _powers(("kV", 0), ("V", -3)),
    "tube_current_ma": _powers(("mA", 0), (f"{_MICRO}A", -3)),
    "set_exposure_ms": _TIME,
    "exposure_ms": _TIME,
    "exposure_mas": _powers(
        ("mA·s", 0), ("mAs", 0), (f"{_MICRO}A·s", -3), (f"{_MICRO}As", -3), ("A·s", 3)
    ),
    "reported_kerma_mgy": _powers(("mGy", 0), (f"{_MICRO}Gy", -3), ("Gy", 3)),
    "reported_kap_mgycm2": _powers(("mGy·cm²", 0), ("cGy·cm²", 1), ("dGy·cm²", 2), ("Gy·m²", 7)),
    "source_to_skin_mm": _powers(("mm", 0), ("cm", 1), ("m", 3)),
}
"""By field of an exposure: how much of the field's own unit is in one of the device's unit."""


def unit_as_printed(text: str) -> str:
    """Write a unit as our tables do: ``uA`` and the Greek ``μA`` are ``µA``."""
    printed = text.strip().replace("\u03bc", _MICRO)
    printed = printed.replace(".", "·").replace("*", "·").replace("2", "²")
    return _MICRO + printed[1:] if printed.startswith("u") else printed


def in_our_unit(field: str, number: Decimal, unit: str) -> Decimal:
    """Turn ``number`` of ``unit`` into the unit that ``field`` is named for, exactly.

    Raises ``InvalidInput`` for a field that is no quantity or a unit that is not one of it.
    """
    known = UNITS_OF.get(field)
    if known is None:
        raise InvalidInput("field", field, f"a quantity: {', '.join(UNITS_OF)}")
    factor = known.get(unit_as_printed(unit))
    if factor is None:
        raise InvalidInput("unit", unit, f"one of {', '.join(known)} for {field}")
    # A power of ten moves the point alone; a product would round to the context's digits.
    return number.scaleb(factor.adjusted())
