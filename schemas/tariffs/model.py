"""The shape of a tariff. The prices are a group's own; the packaged ones are invented."""

import re
from datetime import date
from decimal import Decimal
from typing import Annotated, Any, ClassVar, Literal

from pydantic import BeforeValidator, Field

from schemas.base import Contract, Currency, Name, Text
from schemas.conclusions.charges import ChargeCode
from schemas.teeth import Species

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


class Price(Contract):
    """One article: the code and words that the record knows it by, and what one costs."""

    code: ChargeCode
    description: Text
    unit_amount: UnitAmount

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "code": "INV-IO-FIRST",
            "description": "Intraoral view, first (invented)",
            "unit_amount": "38.00",
        },
    )


class ViewPrices(Contract):
    """What diagnostic views of one study cost: the first, and each further one."""

    first_view: Price
    further_view: Price

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "first_view": Price.EXAMPLES[0],
            "further_view": {
                "code": "INV-IO-NEXT",
                "description": "Intraoral view, further (invented)",
                "unit_amount": "14.50",
            },
        },
    )


class Tariff(Contract):
    """The prices of a site from a day on.

    A species without prices is not charged. ``sensor_cover`` is charged once for a study that
    has a diagnostic view; without it covers are not charged at all.
    """

    code: Name
    title: Text
    currency: Currency
    valid_from: date
    basis: Literal["invented", "group"]
    """``invented``: ours, for demonstration only; ``group``: set by the group."""
    note: Text
    views: Annotated[dict[Species, ViewPrices], Field(min_length=1)]
    sensor_cover: Price | None = None

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "code": "invented-2026",
            "title": "Invented tariff 2026",
            "currency": "EUR",
            "valid_from": "2026-01-01",
            "basis": "invented",
            "note": "Invented prices, taken from nobody.",
            "views": {"dog": ViewPrices.EXAMPLES[0]},
            "sensor_cover": {
                "code": "INV-COVER",
                "description": "Sensor cover (invented)",
                "unit_amount": "1.20",
            },
        },
    )
