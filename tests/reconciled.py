"""Invented books of one site, for the tests of reconciliation."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date
from decimal import Decimal
from typing import Any

from schemas.reconciliation import load_reconciliation_rules
from services.charges.compared import Expected, Finding, Held, Posted, SiteBooks
from services.charges.reconcile import reconcile

DAY = date(2026, 3, 2)
RULES = load_reconciliation_rules()
STUDY = "2.25.1001"


def due(number: int = 1, amount: str = "38.00", **values: Any) -> Expected:
    """Make an entry that the record has accepted."""
    told: dict[str, Any] = {
        "key": f"charge:{STUDY}:{number}",
        "study": STUDY,
        "patient": "P-1001",
        "day": DAY,
        "code": "INV-IO-FIRST",
        "quantity": 1,
        "amount": Decimal(amount),
        "state": Posted.ACCEPTED,
        "images": (f"2.25.200{number}",),
    }
    return Expected(**(told | values))


def line(entry: Expected | None = None, line_id: str = "L-1", **values: Any) -> Held:
    """Make the line that the record holds for an entry; without one, a line by hand."""
    told: dict[str, Any] = {
        "line_id": line_id,
        "key": entry.key if entry else None,
        "patient": entry.patient if entry else "P-1001",
        "day": entry.day if entry else DAY,
        "code": entry.code if entry else "INV-IO-FIRST",
        "quantity": 1,
        "amount": entry.amount if entry else Decimal("38.00"),
        "entered_by": "gomphosis" if entry else "desk-1",
        "entered_on": entry.day if entry else DAY,
    }
    return Held(**(told | values))


def books(
    expected: Iterable[Expected] = (),
    held: Iterable[Held] = (),
    assigned: Mapping[str, str] | None = None,
) -> SiteBooks:
    return SiteBooks("north", "EUR", tuple(expected), tuple(held), assigned or {})


def found(
    expected: Iterable[Expected] = (),
    held: Iterable[Held] = (),
    *,
    assigned: Mapping[str, str] | None = None,
    as_of: date = DAY,
) -> tuple[Finding, ...]:
    return reconcile(books(expected, held, assigned), RULES, as_of)
