"""What tax a tariff's prices hold, or what comes on top, and where it is rounded."""

from enum import StrEnum
from typing import Annotated, Any, ClassVar

from pydantic import Field

from schemas.base import Contract, Name
from schemas.tariffs.money import Percent


class TaxRounding(StrEnum):
    """Where tax is rounded to the minor unit: in each line, or once in the sum of each rate."""

    LINE = "line"
    TOTAL = "total"


class Tax(Contract):
    """The rates by name, and whether the tariff's prices hold the tax already."""

    prices_include_tax: bool
    rounded_per: TaxRounding
    rates_percent: Annotated[dict[Name, Percent], Field(min_length=1, max_length=20)]

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "prices_include_tax": True,
            "rounded_per": "line",
            "rates_percent": {"standard": "20"},
        },
    )
