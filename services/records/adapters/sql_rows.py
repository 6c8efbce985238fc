"""Postings as rows of the staging tables, and what a row says when it is read back. Pure."""

import json
import re
from collections.abc import Mapping
from datetime import UTC, date, datetime
from decimal import Decimal
from hashlib import sha256
from typing import Any, Final

from schemas.conclusions import EntryType
from services.records.adapters.codes_option import coded_of
from services.records.codes_file import CodesFile
from services.records.port import (
    ChargePosting,
    CorrectionPosting,
    HeldLine,
    NotePosting,
    RecordRefused,
)
from services.records.unmapped import Posting

RowValues = dict[str, Any]

_KEPT: Final = re.compile("[\x00␀]")
_TOLD: Final = re.compile("␀([01])")

_NO_CONTENT: Final = frozenset(
    {
        "sequence",
        "turn",
        "record_site",
        "record_codes",
        "record_code",
        "record_signer",
        "posting_day",
        "content_sha256",
        "written_at",
    }
)
"""What may be another when a posting is repeated: its place, its day, and the record's codes."""


def kept(text: str) -> str:
    """Write a text so that PostgreSQL can hold it; see ``sql_tables``."""
    return _KEPT.sub(lambda one: "␀0" if one[0] == "\x00" else "␀1", text)


def told(text: str) -> str:
    """Read a text back."""
    return _TOLD.sub(lambda one: "\x00" if one[1] == "0" else "␀", text)


def _maybe(text: str | None) -> str | None:
    return kept(text) if text is not None else None


def charge_row(posting: ChargePosting, file: CodesFile, record_code: str) -> RowValues:
    """Make the row of a charge or credit; ``record_code`` is the record's code of it."""
    entry = posting.entry
    return _sealed(
        {
            **_head(posting, file),
            "patient_id": kept(posting.patient_id),
            "study_instance_uid": kept(posting.study_instance_uid),
            "accession_number": _maybe(posting.accession_number),
            "type": entry.type.value,
            "account": _maybe(entry.account or posting.account),
            "code": kept(entry.code),
            "record_code": record_code,
            "description": kept(entry.description),
            "quantity": entry.quantity,
            "amount": entry.amount,
            "currency": posting.currency,
            "service_day": entry.service_day,
            "posting_day": posting.posting_day,
            "reverses": _maybe(entry.reverses),
            "replaces": _maybe(entry.replaces),
            "corrects": None,
            "reason": kept(entry.reason),
            "tax_percent": entry.tax_percent,
            "tax_amount": entry.tax_amount,
            "images": " ".join(entry.images),
        }
    )


def correction_row(posting: CorrectionPosting, file: CodesFile) -> RowValues:
    """Make the row of a line that puts another right."""
    entry = posting.entry
    return _sealed(
        {
            **_head(posting, file),
            "patient_id": kept(entry.patient_id),
            "study_instance_uid": kept(entry.study_instance_uid),
            "accession_number": None,
            "type": entry.type.value,
            "account": None,
            "code": kept(entry.code),
            # The code may be one that a person entered there: then it is the record's own already.
            "record_code": file.now().charge(entry.code) or kept(entry.code),
            "description": kept(entry.reason),
            "quantity": 1,
            "amount": entry.amount,
            "currency": posting.currency,
            "service_day": entry.service_day,
            "posting_day": entry.service_day,
            "reverses": None,
            "replaces": None,
            "corrects": kept(entry.corrects),
            "reason": kept(entry.reason),
            "tax_percent": None,
            "tax_amount": None,
            "images": "",
        }
    )


def note_row(posting: NotePosting, file: CodesFile) -> RowValues:
    """Make the row of a note's revision."""
    note = posting.note
    return _sealed(
        {
            **_head(posting, file),
            "patient_id": kept(note.patient_id),
            "study_instance_uid": kept(note.study_instance_uid),
            "accession_number": _maybe(note.accession_number),
            "revision": note.revision,
            "status": posting.status.value,
            "signer": note.signer,
            "record_signer": file.now().staff.get(note.signer) if note.signer else None,
            "signed_at": note.signed_at,
            "text": kept(note.text),
            "html": kept(note.html),
        }
    )


def _head(posting: Posting, file: CodesFile) -> RowValues:
    return {
        "posting_key": kept(posting.key),
        "turn": 1,
        "site": posting.site,
        "record_site": file.now().sites.get(posting.site),
        "record_codes": _record_codes(posting, file),
    }


def _record_codes(posting: Posting, file: CodesFile) -> str | None:
    """Write the record's codes of all that a posting carries, where it is told any."""
    told_codes = coded_of(posting, file)
    return kept(json.dumps(told_codes, ensure_ascii=False)) if told_codes else None


def _sealed(row: RowValues) -> RowValues:
    return {**row, "content_sha256": digest_of(row)}


def digest_of(row: Mapping[Any, Any]) -> str:
    """Give the sha256 of a row's content, whatever way its database writes numbers and times."""
    content = {name: _plain(value) for name, value in row.items() if name not in _NO_CONTENT}
    return sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()


def _plain(value: Any) -> str | None:
    if isinstance(value, Decimal):
        return f"{value:.2f}"
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat()
    return None if value is None else str(value)


def held_line(row: Mapping[Any, Any], reference: str) -> HeldLine:
    """Read a row of a charge. Raises RecordRefused where it is not as we wrote it."""
    try:
        return HeldLine(
            posting_key=told(row["posting_key"]),
            type=EntryType(row["type"]),
            reverses=told(row["reverses"]) if row["reverses"] is not None else None,
            site=row["site"],
            patient_id=told(row["patient_id"]),
            study_instance_uid=told(row["study_instance_uid"]),
            code=told(row["code"]),
            quantity=int(row["quantity"]),
            amount=_amount(row["amount"]),
            currency=row["currency"],
            service_day=_day(row["service_day"]),
            posting_day=_day(row["posting_day"]),
            reference=reference,
            changed_by_hand=digest_of(row) != row["content_sha256"],
        )
    except (ValueError, TypeError, ArithmeticError) as error:
        raise RecordRefused(
            f"gomphosis_charge {row['sequence']}: expected the row as we wrote it ({error}); "
            "put it right there"
        ) from error


def _amount(value: Any) -> Decimal:
    if not isinstance(value, Decimal) or not value.is_finite():
        raise ValueError(f"amount {value}")
    return value


def _day(value: Any) -> date:
    if not isinstance(value, date):
        raise TypeError(f"day {value}")
    return value
