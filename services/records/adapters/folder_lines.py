"""The folder's lines as the record holds them: those that we posted, and those by hand.

The record side leaves a line that a person entered as ``held/<site>/<any name>.json``, at most
100 kB, and takes the file away when the line is gone::

    {"patient_id": "P-1001", "service_day": "2026-03-02", "code": "INV-IO-FIRST", "quantity": 1,
     "amount": "38.00", "currency": "EUR", "entered_by": "desk-1",
     "entered_at": "2026-03-02T10:00:00Z"}

A credit has a negative amount. One that cannot be read goes to triage and into
``held/<site>/rejected/``; one younger than two seconds is left, for it may still be written.
"""

import time
from collections.abc import Iterator
from datetime import UTC, date, datetime
from hashlib import sha256
from pathlib import Path
from typing import Any, ClassVar

from pydantic import ValidationError

from schemas.base import Contract, Currency, Money, UtcTime
from schemas.errors import InvalidInput
from schemas.facts import RecordLine
from schemas.facts.desk import PostingKey
from schemas.facts.image import ShortText
from schemas.facts.record_lines import HeldCode
from schemas.messages import invalid_input
from services.records.adapters.durable_files import move_durably
from services.records.adapters.file_names import file_name
from services.records.adapters.folder_drops import rejection_of
from services.records.adapters.folder_entry import read_entry
from services.records.port import Unreadable

_MOST_BYTES = 100_000
_STILL_WRITTEN_S = 2.0
HELD = "held"


class HandLine(Contract):
    """A line that a person entered, as its file tells it."""

    posting_key: PostingKey | None = None
    patient_id: ShortText
    service_day: date
    code: HeldCode
    quantity: int
    amount: Money
    currency: Currency
    entered_by: ShortText | None = None
    entered_at: UtcTime | None = None
    edited: bool = False

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "patient_id": "P-1001",
            "service_day": "2026-03-02",
            "code": "INV-IO-FIRST",
            "quantity": 1,
            "amount": "38.00",
            "currency": "EUR",
            "entered_by": "desk-1",
        },
    )


def read_folder_lines(
    root: Path, site: str, first: date, last: date
) -> Iterator[RecordLine | Unreadable]:
    """Give the lines of some days. Raises RecordRefused for a damaged entry of ours, OSError."""
    for path in sorted((root / "charges" / file_name(site)).glob("*/*.json")):
        if path.name.endswith(".answer.json") or rejection_of(path):
            continue
        line = _posted_line(root, path)
        if first <= line.service_day <= last:
            yield line
    for path in sorted((root / HELD / file_name(site)).glob("*.json")):
        if path.is_symlink() or not path.is_file():
            continue
        item = _hand_line(root, path)
        if isinstance(item, Unreadable):
            if time.time() - path.stat().st_mtime >= _STILL_WRITTEN_S:
                yield item
        elif first <= item.service_day <= last:
            yield item


def settle_hand_line(root: Path, item: Unreadable) -> None:
    """Lay a line aside that cannot be read, once it is kept for a person."""
    path = root / item.token
    if path.is_file():
        move_durably(path, path.parent / "rejected")


def _posted_line(root: Path, path: Path) -> RecordLine:
    entry = read_entry(path, root)
    held = entry.held_line()
    return RecordLine(
        line_id=_line_id(held.reference),
        posting_key=held.posting_key,
        patient_id=held.patient_id,
        service_day=held.service_day,
        code=held.code,
        quantity=held.quantity,
        amount=held.signed_amount,
        currency=held.currency,
        entered_by="gomphosis",
        entered_at=datetime.fromtimestamp(path.stat().st_mtime, UTC),
        edited=held.changed_by_hand,
    )


def _hand_line(root: Path, path: Path) -> RecordLine | Unreadable:
    token = path.relative_to(root).as_posix()
    with path.open("rb") as file:
        body = file.read(_MOST_BYTES + 1)
    try:
        if len(body) > _MOST_BYTES:
            raise InvalidInput("held line", f"more than {_MOST_BYTES} bytes", "100 kB at most")
        told = HandLine.model_validate_json(body)
        return RecordLine(line_id=_line_id(token), **told.model_dump())
    except ValidationError as error:
        return Unreadable(token=token, body=body, error=invalid_input(error, "held line"))
    except InvalidInput as error:
        return Unreadable(token=token, body=body, error=error)


def _line_id(reference: str) -> str:
    """Name a line by its file; a very long name by its digest."""
    if len(reference) <= _LONGEST_ID:
        return reference
    return f"~{sha256(reference.encode()).hexdigest()}"


_LONGEST_ID = 200
