"""The values of a ChargeItem read as ours: days, amounts, quantities. Pure."""

from datetime import UTC, date, datetime
from decimal import Decimal
from typing import Any, Final

from schemas.errors import InvalidInput
from services.records.adapters.fhir_names import Resource

_CENT: Final = Decimal("0.01")


def part(resource: Resource, name: str) -> Resource:
    """Give an element that is an object; empty where it is none."""
    found = resource.get(name)
    return found if isinstance(found, dict) else {}


def service_day(item: Resource) -> date:
    """Give the day that an item is for. Raises InvalidInput."""
    told = item.get("occurrenceDateTime") or part(item, "occurrencePeriod").get("start")
    try:
        return date.fromisoformat(str(told)[:10])
    except ValueError as error:
        raise InvalidInput("ChargeItem.occurrenceDateTime", told, "a day (2026-03-02)") from error


def moment(told: object) -> datetime:
    """Read a dateTime as UTC; one without a zone is taken for UTC. Raises InvalidInput."""
    try:
        at = datetime.fromisoformat(str(told))
    except ValueError as error:
        raise InvalidInput("ChargeItem.enteredDate", told, "a time with its zone") from error
    return at.astimezone(UTC) if at.tzinfo else at.replace(tzinfo=UTC)


def amount_of(item: Resource) -> Decimal:
    """Give what an item costs, to the cent, negative for a credit. Raises InvalidInput."""
    told = part(item, "priceOverride").get("value")
    amount = _decimal(told)
    if amount is None or amount != amount.quantize(_CENT):
        expected = "an amount of money to the cent; an item priced by its list alone has none"
        raise InvalidInput("ChargeItem.priceOverride.value", told, expected)
    return amount.quantize(_CENT)


def quantity_of(item: Resource) -> int:
    """Give the quantity of an item, 1 where none is told. Raises InvalidInput."""
    told = part(item, "quantity").get("value", 1)
    number = _decimal(told)
    if number is None or number != int(number) or number < 1:
        raise InvalidInput("ChargeItem.quantity.value", told, "a whole number of 1 or more")
    return int(number)


def _decimal(told: Any) -> Decimal | None:
    if isinstance(told, bool) or not isinstance(told, int | float | Decimal):
        return None
    number = Decimal(str(told))
    return number if number.is_finite() and abs(number) < Decimal("1e12") else None


def number_text(told: Any) -> str | None:
    """Write a number by its value: 38.00 and 38.0 alike; None for what is no number."""
    number = _decimal(told)
    return None if number is None else format(number.normalize(), "f")
