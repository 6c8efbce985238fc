"""What the patient record holds, read back line by line, and what people decide about it."""

from datetime import date, datetime
from enum import StrEnum
from typing import Annotated, Any, ClassVar, Self

from pydantic import Field, model_validator

from schemas.base import Contract, Currency, Money, Text, UtcTime
from schemas.envelope import Payload
from schemas.facts.desk import PostingKey
from schemas.facts.image import ShortText

HeldCode = Annotated[str, Field(min_length=1, max_length=64)]
"""A charge's code as the record writes it; a person may have typed it."""

LineId = Annotated[str, Field(min_length=1, max_length=200)]
"""The record's own name of one line."""

ExceptionId = Annotated[str, Field(min_length=16, max_length=16, pattern=r"^[0-9a-f]{16}$")]
"""The name of one exception of reconciliation: a digest of what it rests on."""

MAX_LINES_IN_PART = 1000
"""So many lines stay well below the longest message."""


class RecordLine(Contract):
    """One line as the record holds it now; a credit has a negative amount.

    ``posting_key`` is there where the record kept ours. ``edited`` is true where the record can
    tell that the line is not as it was entered first.
    """

    line_id: LineId
    posting_key: PostingKey | None = None
    patient_id: ShortText
    service_day: date
    code: HeldCode
    quantity: Annotated[int, Field(ge=1, le=10_000)]
    amount: Money
    currency: Currency
    entered_by: ShortText | None = None
    entered_at: UtcTime | None = None
    edited: bool = False

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "line_id": "charges/north/2.25.1001/1.json",
            "posting_key": "charge:2.25.1001:1",
            "patient_id": "P-1001",
            "service_day": "2026-03-02",
            "code": "INV-IO-FIRST",
            "quantity": 1,
            "amount": "38.00",
            "currency": "EUR",
            "entered_by": "gomphosis",
            "entered_at": "2026-03-02T10:00:00Z",
        },
    )


class RecordLinesRead(Payload):
    """All lines that the record holds for one day at a site, at one moment; the newest counts.

    A day with many lines comes in ``parts``; it counts once all of them are here.
    """

    KIND: ClassVar[str] = "record_lines_read"

    day: date
    read_at: UtcTime
    part: Annotated[int, Field(ge=1, le=1000)] = 1
    parts: Annotated[int, Field(ge=1, le=1000)] = 1
    lines: Annotated[tuple[RecordLine, ...], Field(max_length=MAX_LINES_IN_PART)] = ()

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "day": "2026-03-02",
            "read_at": "2026-03-02T20:00:00Z",
            "part": 1,
            "parts": 1,
            "lines": [RecordLine.EXAMPLES[0]],
        },
    )

    @model_validator(mode="after")
    def _is_one_of_its_parts(self) -> Self:
        if self.part > self.parts:
            raise ValueError(f"expected a part of 1 to {self.parts}, got {self.part}")
        if any(line.service_day != self.day for line in self.lines):
            raise ValueError(f"expected lines of {self.day} only")
        return self

    def natural_key(self, occurred_at: datetime) -> str:
        del occurred_at
        return f"lines:{self.day}:{self.read_at.isoformat()}:{self.part}"


class ExceptionAction(StrEnum):
    """What a person wants done. ``POST``: bring the record to what is due; ``REVERSE``: take off
    what is not due; ``ACCEPT``: leave it so, with a reason; ``ASSIGN``: this line is that charge.
    """

    POST = "post"
    REVERSE = "reverse"
    ACCEPT = "accept"
    ASSIGN = "assign"


class ChargeExceptionDecided(Payload):
    """A person decides what becomes of one exception; the envelope says who."""

    KIND: ClassVar[str] = "charge_exception_decided"

    exception_id: ExceptionId
    day: date
    action: ExceptionAction
    reason: Text | None = None
    posting_key: PostingKey | None = None

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "exception_id": "00112233445566aa",
            "day": "2026-03-02",
            "action": "accept",
            "reason": "Agreed with the owner (invented)",
        },
    )

    @model_validator(mode="after")
    def _says_what_it_needs(self) -> Self:
        if self.action is ExceptionAction.ACCEPT and self.reason is None:
            raise ValueError("expected a reason for which it is accepted")
        if (self.action is ExceptionAction.ASSIGN) != (self.posting_key is not None):
            raise ValueError("expected posting_key with assign, and only with it")
        return self

    def natural_key(self, occurred_at: datetime) -> str:
        return f"exception:{self.exception_id}:{self.action}:{occurred_at.isoformat()}"


class ChargeExceptionCountersigned(Payload):
    """A second person agrees to what the first decided about an exception (four eyes)."""

    KIND: ClassVar[str] = "charge_exception_countersigned"

    exception_id: ExceptionId
    day: date
    action: ExceptionAction

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {"exception_id": "00112233445566aa", "day": "2026-03-02", "action": "accept"},
    )

    def natural_key(self, occurred_at: datetime) -> str:
        return f"countersigned:{self.exception_id}:{self.action}:{occurred_at.isoformat()}"
