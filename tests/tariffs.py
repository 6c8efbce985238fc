"""Invented tariffs, for the tests of pricing and of the tariff's checks."""

import json
from typing import Any

from schemas.tariffs import Tariff


def tariff(**changes: Any) -> Tariff:
    """Make a small tariff from the values of a file; without tax, rounded half up."""
    values: dict[str, Any] = {
        "code": "invented-test",
        "title": "Invented tariff of the tests",
        "currency": "EUR",
        "valid_from": "2026-01-01",
        "basis": "invented",
        "note": "Invented.",
        "articles": articles(),
        "views": [{"name": "all", "first": "FIRST", "further": "NEXT"}],
    } | changes
    return Tariff.model_validate_json(json.dumps(values))


def articles(tax: str | None = None, **prices: str) -> dict[str, Any]:
    """Give articles by code, at these prices or our own."""
    amounts = {
        "FIRST": "40.00",
        "NEXT": "15.00",
        "OTHER-FIRST": "44.00",
        "OTHER-NEXT": "17.00",
        "SERIES": "90.00",
        "UPPER": "50.00",
        "LOWER": "45.00",
        "LATE": "55.00",
        "COVER": "1.20",
        "MINIMUM": "1.00",
    } | prices
    return {
        code: {"description": f"{code} (invented)", "unit_amount": amount}
        | ({"tax": tax} if tax is not None else {})
        for code, amount in amounts.items()
    }


def tax(percent: str = "20", *, included: bool = False, per: str = "line") -> dict[str, Any]:
    return {
        "prices_include_tax": included,
        "rounded_per": per,
        "rates_percent": {"standard": percent},
    }
