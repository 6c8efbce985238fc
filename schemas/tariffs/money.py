"""Amounts of money: written as text, and rounded to the currency's minor unit by a stated rule."""

import re
from decimal import ROUND_HALF_EVEN, ROUND_HALF_UP, Decimal
from enum import StrEnum
from typing import Annotated, Final

from pydantic import BeforeValidator, Field

_AMOUNT = re.compile(r"-?[0-9]{1,9}(\.[0-9]+)?")


def _from_text(value: object) -> object:
    """Read an amount; a YAML number is binary floating point and no amount of money."""
    if isinstance(value, str) and _AMOUNT.fullmatch(value):
        return Decimal(value)
    if isinstance(value, Decimal):
        return value
    raise ValueError('expected an amount as text in quotes, such as "38.00"')


UnitAmount = Annotated[
    Decimal, BeforeValidator(_from_text), Field(gt=0, max_digits=9, decimal_places=2)
]
"""The price of one unit in the tariff's currency, above 0, to the cent, written as text."""

Percent = Annotated[
    Decimal, BeforeValidator(_from_text), Field(ge=0, le=100, max_digits=5, decimal_places=2)
]
"""A share in per cent, 0 to 100, with at most two decimals, written as text."""


class Rounding(StrEnum):
    """What becomes of exactly half a minor unit.

    ``HALF_UP``: away from zero, as Council Regulation (EC) 1103/97, article 5, has it for the
    euro and HMRC's manual VATREC12030 for value added tax. ``HALF_EVEN``: to the even neighbour
    (IEEE 754-2008, roundTiesToEven).
    """

    HALF_UP = "half_up"
    HALF_EVEN = "half_even"


_MODE: Final = {Rounding.HALF_UP: ROUND_HALF_UP, Rounding.HALF_EVEN: ROUND_HALF_EVEN}

_WHOLE: Final = frozenset(
    (
        "BIF",
        "CLP",
        "DJF",
        "GNF",
        "ISK",
        "JPY",
        "KMF",
        "KRW",
        "PYG",
        "RWF",
        "UGX",
        "UYI",
        "VND",
        "VUV",
        "XAF",
        "XOF",
        "XPF",
    )
)
"""Currencies without a minor unit (ISO 4217, list one; from memory)."""

FINER_THAN_CENT: Final = frozenset(("BHD", "CLF", "IQD", "JOD", "KWD", "LYD", "OMR", "TND", "UYW"))
"""Currencies with three or four decimals (ISO 4217, list one; from memory): not supported."""


def minor_unit(currency: str) -> Decimal:
    """Give the smallest amount of a currency: 1, or 0.01."""
    return Decimal(1) if currency in _WHOLE else Decimal("0.01")


def rounded(amount: Decimal, currency: str, rounding: Rounding) -> Decimal:
    """Round to the currency's minor unit."""
    return amount.quantize(minor_unit(currency), _MODE[rounding])
