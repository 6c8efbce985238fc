"""What may be charged for a study, and what has to be posted for it."""

from datetime import date, datetime
from decimal import Decimal
from enum import StrEnum
from typing import Annotated, Any, ClassVar

from pydantic import Field

from schemas.base import Contract, Currency, Money, Name, Text, Uid
from schemas.envelope import Payload
from schemas.facts.desk import PostingKey
from schemas.facts.image import ShortText

ChargeCode = Annotated[str, Field(min_length=1, max_length=32)]
Quantity = Annotated[int, Field(ge=1, le=1000)]


class ChargeLine(Contract):
    """One line of what the study costs now, why, and which images it rests on."""

    code: ChargeCode
    description: Text
    quantity: Quantity
    unit_amount: Money
    amount: Money
    reason: Text
    images: tuple[Uid, ...]

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "code": "INV-IO-FIRST",
            "description": "Intraoral view, first (invented)",
            "quantity": 1,
            "unit_amount": "38.00",
            "amount": "38.00",
            "reason": "first diagnostic view",
            "images": ["2.25.1003"],
        },
    )


class NotCharged(Contract):
    """An image or exposure that is not charged, and why."""

    about: Annotated[str, Field(min_length=1, max_length=300)]
    reason: Text

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {"about": "2.25.1004", "reason": "repeat for a technical reason"},
    )


class EntryType(StrEnum):
    CHARGE = "charge"
    CREDIT = "credit"


class LedgerEntry(Contract):
    """One entry that the record must hold: a charge, or the credit that reverses one.

    An entry is never edited. ``posting_key`` makes its posting idempotent; ``amount`` is not
    negative, the type tells the direction. ``patient_id`` and ``account`` are those that it was
    made for: a credit goes where its charge went, even if the study has another patient now.
    """

    posting_key: PostingKey
    type: EntryType
    reverses: PostingKey | None = None
    patient_id: ShortText | None = None
    account: ShortText | None = None
    code: ChargeCode
    description: Text
    quantity: Quantity
    amount: Money
    service_day: date
    reason: Text
    images: tuple[Uid, ...] = ()

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "posting_key": "charge:2.25.1001:1",
            "type": "charge",
            "patient_id": "P-1001",
            "account": "ACC-1001",
            "code": "INV-IO-FIRST",
            "description": "Intraoral view, first (invented)",
            "quantity": 1,
            "amount": "38.00",
            "service_day": "2026-03-02",
            "reason": "first diagnostic view",
            "images": ["2.25.1003"],
        },
    )

    @property
    def signed_amount(self) -> Decimal:
        return self.amount if self.type is EntryType.CHARGE else -self.amount


class ChargesAssessed(Payload):
    """The charges of one study at a revision: the lines now, and every entry due so far.

    ``ledger`` holds all entries ever due for the study; it is empty until the study is closed
    or its charges are released. The sum of the ledger equals ``total`` then.
    """

    KIND: ClassVar[str] = "charges_assessed"

    revision: Annotated[int, Field(ge=1)]
    assessment_revision: Annotated[int, Field(ge=1)]
    study_instance_uid: Uid
    patient_id: ShortText
    account: ShortText | None = None
    accession_number: ShortText | None = None
    tariff: Name
    currency: Currency
    lines: tuple[ChargeLine, ...] = ()
    not_charged: tuple[NotCharged, ...] = ()
    total: Money
    due: bool
    ledger: tuple[LedgerEntry, ...] = ()

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "revision": 1,
            "assessment_revision": 3,
            "study_instance_uid": "2.25.1001",
            "patient_id": "P-1001",
            "account": "ACC-1001",
            "tariff": "invented-2026",
            "currency": "EUR",
            "lines": [ChargeLine.EXAMPLES[0]],
            "not_charged": [NotCharged.EXAMPLES[0]],
            "total": "38.00",
            "due": True,
            "ledger": [LedgerEntry.EXAMPLES[0]],
        },
    )

    def natural_key(self, occurred_at: datetime) -> str:
        del occurred_at
        return f"charges:{self.study_instance_uid}:{self.revision}"
