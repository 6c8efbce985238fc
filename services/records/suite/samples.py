"""Invented postings for the suite, and for an adapter's own tests."""

from __future__ import annotations

from datetime import UTC, date, datetime
from decimal import Decimal
from typing import Any

from schemas.conclusions import (
    Addendum,
    CorrectionEntry,
    EntryType,
    LedgerEntry,
    NoteSection,
    NoteState,
    NoteWritten,
)
from services.records.port import ChargePosting, CorrectionPosting, NotePosting

STUDY = "2.25.1001"
SITE = "north"
DAY = date(2026, 3, 2)


def entry(number: int = 1, study: str = STUDY, **changes: Any) -> LedgerEntry:
    """Make a charge of the study."""
    values: dict[str, Any] = {
        "posting_key": f"charge:{study}:{number}",
        "type": EntryType.CHARGE,
        "patient_id": "P-1001",
        "code": "INV-IO-FIRST",
        "description": "Intraoral view, first (invented)",
        "quantity": 1,
        "amount": Decimal("38.00"),
        "service_day": DAY,
        "reason": "first diagnostic view",
        "images": ("2.25.1003",),
    }
    return LedgerEntry(**{**values, **changes})


def credit(number: int, reverses: str, study: str = STUDY, **changes: Any) -> LedgerEntry:
    """Make the credit of a charge."""
    return entry(number, study, type=EntryType.CREDIT, reverses=reverses, **changes)


def charge_posting(line: LedgerEntry | None = None, **changes: Any) -> ChargePosting:
    values: dict[str, Any] = {
        "site": SITE,
        "patient_id": "P-1001",
        "study_instance_uid": STUDY,
        "account": "ACC-1001",
        "accession_number": "A1001",
        "currency": "EUR",
        "entry": line or entry(),
    }
    return ChargePosting(**{**values, **changes})


def correction_posting(corrects: str, **changes: Any) -> CorrectionPosting:
    """Make the credit that takes off a line, as a person decided."""
    values: dict[str, Any] = {
        "posting_key": "correction:00112233445566aa:1",
        "type": EntryType.CREDIT,
        "patient_id": "P-1001",
        "study_instance_uid": STUDY,
        "code": "INV-IO-FIRST",
        "amount": Decimal("38.00"),
        "service_day": DAY,
        "corrects": corrects,
        "reason": "doubled; decided by billing-1 (invented)",
    }
    line = CorrectionEntry(**{**values, **changes})
    return CorrectionPosting(site=SITE, currency="EUR", entry=line)


def note(revision: int = 1, state: NoteState = NoteState.DRAFT, **changes: Any) -> NoteWritten:
    text = f"Views: {revision} of 14 planned views obtained (invented)."
    signed = state in {NoteState.SIGNED, NoteState.POSTED, NoteState.ADDENDED}
    moment = datetime(2026, 3, 2, 10, 0, tzinfo=UTC)
    values: dict[str, Any] = {
        "revision": revision,
        "assessment_revision": 3,
        "study_instance_uid": STUDY,
        "patient_id": "P-1001",
        "state": state,
        "due": True,
        "sections": (NoteSection(section="views", title="Views", text=text),),
        "content_sha256": "0" * 64,
        "signer": "vet-1" if signed else None,
        "signed_at": moment if signed else None,
        "addenda": (Addendum(text="Invented addendum.", signer="vet-1", signed_at=moment),)
        if state is NoteState.ADDENDED
        else (),
        "text": text,
        "html": f"<p>{text}</p>",
    }
    return NoteWritten(**{**values, **changes})


def note_posting(written: NoteWritten | None = None, **changes: Any) -> NotePosting:
    return NotePosting(**{"site": SITE, "note": written or note(), **changes})
