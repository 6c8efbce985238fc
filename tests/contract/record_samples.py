"""Invented conclusions for the tests of the records service."""

from __future__ import annotations

from datetime import UTC, datetime
from decimal import Decimal
from typing import Any

from schemas.conclusions import ChargesAssessed, LedgerEntry
from schemas.envelope import Message, Payload, Source, new_id
from services.records.suite.samples import SITE, STUDY


def charges(*ledger: LedgerEntry, revision: int = 1, **changes: Any) -> ChargesAssessed:
    """Make the charges of the study with this ledger, due."""
    values: dict[str, Any] = {
        "revision": revision,
        "assessment_revision": 3,
        "study_instance_uid": STUDY,
        "patient_id": "P-1001",
        "account": "ACC-1001",
        "tariff": "invented-2026",
        "currency": "EUR",
        "total": sum((line.signed_amount for line in ledger), Decimal("0.00")),
        "due": True,
        "ledger": ledger,
    }
    return ChargesAssessed(**{**values, **changes})


def message(payload: Payload, site: str = SITE) -> Message[Payload]:
    """Put a conclusion into a message, as the service that draws it would."""
    now = datetime.now(UTC)
    return Message(
        id=new_id(),
        group="example-group",
        site=site,
        occurred_at=now,
        received_at=now,
        source=Source(kind="service", name="charges"),
        correlation_id="order-1001",
        payload=payload,
    )
