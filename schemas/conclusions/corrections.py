"""What a person's decision about an exception makes due for the record."""

from datetime import date, datetime
from typing import Annotated, Any, ClassVar

from pydantic import Field

from schemas.base import Contract, Currency, Money, Name, Text, Uid, UtcTime
from schemas.conclusions.charges import EntryType
from schemas.envelope import Payload
from schemas.facts.desk import PostingKey
from schemas.facts.image import ShortText
from schemas.facts.record_lines import ExceptionAction, ExceptionId, HeldCode, LineId


class CorrectionEntry(Contract):
    """One line that puts another right, by taking off or adding; nothing is edited.

    ``amount`` is not negative, the type tells the direction. ``corrects`` is the record's own name
    of the line that was wrong. Without a study of ours ``study_instance_uid`` is a UID made from
    the exception's name, for the record to file it under.
    """

    posting_key: PostingKey
    type: EntryType
    patient_id: ShortText
    study_instance_uid: Uid
    code: HeldCode
    amount: Money
    service_day: date
    corrects: LineId
    reason: Text

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "posting_key": "correction:00112233445566aa:1",
            "type": "credit",
            "patient_id": "P-1001",
            "study_instance_uid": "2.25.1001",
            "code": "INV-IO-FIRST",
            "amount": "38.00",
            "service_day": "2026-03-02",
            "corrects": "charges/north/2.25.1001/1.json",
            "reason": "doubled: the same charge is held already (invented)",
        },
    )


class ChargesCorrected(Payload):
    """What one decision in force does: postings that go out ``again``, and lines to add."""

    KIND: ClassVar[str] = "charges_corrected"

    exception_id: ExceptionId
    action: ExceptionAction
    decided_by: Name
    decided_at: UtcTime
    countersigned_by: Name | None = None
    currency: Currency
    again: Annotated[tuple[PostingKey, ...], Field(max_length=100)] = ()
    entries: Annotated[tuple[CorrectionEntry, ...], Field(max_length=100)] = ()

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "exception_id": "00112233445566aa",
            "action": "reverse",
            "decided_by": "billing-1",
            "decided_at": "2026-03-05T09:00:00Z",
            "currency": "EUR",
            "entries": [CorrectionEntry.EXAMPLES[0]],
        },
    )

    def natural_key(self, occurred_at: datetime) -> str:
        del occurred_at
        return f"corrected:{self.exception_id}:{self.decided_at.isoformat()}"
