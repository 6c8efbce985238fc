"""What may be charged for a study, and what has to be posted for it."""

from datetime import date, datetime
from decimal import Decimal
from enum import StrEnum
from typing import Annotated, Any, ClassVar, Self

from pydantic import Field, model_validator

from schemas.base import Contract, Currency, Money, Name, Text, Tooth, Uid
from schemas.conclusions.basis import FactKey
from schemas.envelope import Payload
from schemas.facts.desk import PostingKey
from schemas.facts.image import ShortText
from schemas.teeth import Species

ChargeCode = Annotated[str, Field(min_length=1, max_length=32)]
Quantity = Annotated[int, Field(ge=1, le=1000)]
TaxPercent = Annotated[Decimal, Field(ge=0, le=100, max_digits=5, decimal_places=2)]
"""A rate of tax in per cent."""


class Supported(Contract):
    """What may be charged only where something was done: an image, or a fact of what was used."""

    images: tuple[Uid, ...] = ()
    facts: tuple[FactKey, ...] = ()

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = ({"images": ["2.25.1003"]},)

    @model_validator(mode="after")
    def _rests_on_something(self) -> Self:
        if not self.images and not self.facts:
            raise ValueError("expected an image or a fact that the charge rests on, got none")
        return self


class ChargeLine(Supported):
    """One line of what the study costs now, why, and which images or facts it rests on.

    ``amount`` is after caps and discount, in the tariff's terms: with tax in it where the
    tariff's prices hold tax. ``rule`` names the tariff's own rule. ``tax_amount`` is absent where
    the tariff rounds tax in the total.
    """

    code: ChargeCode
    description: Text
    quantity: Quantity
    unit_amount: Money
    amount: Money
    reason: Text
    rule: Name | None = None
    tax_percent: TaxPercent | None = None
    tax_amount: Money | None = None

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "code": "INV-IO-FIRST",
            "description": "Intraoral view, first (invented)",
            "quantity": 1,
            "unit_amount": "38.00",
            "amount": "38.00",
            "reason": "first diagnostic view",
            "images": ["2.25.1003"],
            "rule": "dog",
            "tax_percent": "20",
            "tax_amount": "6.33",
        },
    )


class TaxSum(Contract):
    """The tax of one rate over all lines: ``net_amount`` and ``tax_amount`` make what is paid."""

    tax_percent: TaxPercent
    net_amount: Money
    tax_amount: Money

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {"tax_percent": "20", "net_amount": "31.67", "tax_amount": "6.33"},
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


class LedgerEntry(Supported):
    """One entry that the record must hold: a charge, or the credit that reverses one.

    An entry is never edited. ``posting_key`` makes its posting idempotent; ``amount`` is not
    negative, the type tells the direction. ``patient_id`` and ``account`` are those that it was
    made for: a credit goes where its charge went, even if the study has another patient now.
    ``replaces`` names the reversed charge in whose place a charge was made.
    """

    posting_key: PostingKey
    type: EntryType
    reverses: PostingKey | None = None
    replaces: PostingKey | None = None
    patient_id: ShortText
    account: ShortText | None = None
    code: ChargeCode
    description: Text
    quantity: Quantity
    amount: Money
    service_day: date
    reason: Text
    tax_percent: TaxPercent | None = None
    tax_amount: Money | None = None

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

    @model_validator(mode="after")
    def _a_credit_reverses_a_charge(self) -> Self:
        if (self.type is EntryType.CREDIT) is (self.reverses is None):
            raise ValueError("expected reverses with a credit, and only with one")
        return self


class PostingTask(Contract):
    """A posting that the record did not take: a person acts, then releases the charges again."""

    posting_key: PostingKey
    words: Text

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {"posting_key": "charge:2.25.1001:1", "words": "Account closed (invented)"},
    )


class MovedPosting(Contract):
    """A posting whose accounting period was closed: the record holds it under a later day."""

    posting_key: PostingKey
    service_day: date
    posting_day: date

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "posting_key": "charge:2.25.1001:1",
            "service_day": "2026-02-27",
            "posting_day": "2026-03-01",
        },
    )


class ImageShown(Contract):
    """What an image of the study shows: the planned view that it counts for, and its teeth."""

    sop_instance_uid: Uid
    view: Name | None = None
    teeth: tuple[Tooth, ...] = ()

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {"sop_instance_uid": "2.25.1003", "view": "mand-molars-l", "teeth": [309, 310, 311]},
    )


class ChargesAssessed(Payload):
    """The charges of one study at a revision: the lines now, and every entry due so far.

    ``ledger`` holds all entries ever due for the study; it is empty until the study is closed
    or its charges are released. The sum of the ledger equals ``total`` then. ``total`` is the sum
    of the lines, in the tariff's terms; ``total_with_tax`` is what the client pays. ``tasks`` are
    the postings that the record rejected, ``moved`` those that went into a later period.
    ``species``, ``plan`` and ``shown`` are the study's as the charges were drawn from it, for the
    record's own codes of them.
    """

    KIND: ClassVar[str] = "charges_assessed"
    VERSION: ClassVar[int] = 2

    revision: Annotated[int, Field(ge=1)]
    assessment_revision: Annotated[int, Field(ge=1)]
    study_instance_uid: Uid
    patient_id: ShortText
    account: ShortText | None = None
    accession_number: ShortText | None = None
    tariff: Name
    tariff_valid_from: date | None = None
    currency: Currency
    lines: tuple[ChargeLine, ...] = ()
    not_charged: tuple[NotCharged, ...] = ()
    total: Money
    prices_include_tax: bool | None = None
    taxes: tuple[TaxSum, ...] = ()
    total_with_tax: Money | None = None
    due: bool
    ledger: tuple[LedgerEntry, ...] = ()
    tasks: tuple[PostingTask, ...] = ()
    moved: tuple[MovedPosting, ...] = ()
    species: Species | None = None
    plan: Name | None = None
    shown: tuple[ImageShown, ...] = ()

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
            "prices_include_tax": True,
            "taxes": [TaxSum.EXAMPLES[0]],
            "total_with_tax": "38.00",
            "due": True,
            "ledger": [LedgerEntry.EXAMPLES[0]],
            "species": "dog",
            "plan": "dog-full-mouth",
            "shown": [ImageShown.EXAMPLES[0]],
        },
    )

    def natural_key(self, occurred_at: datetime) -> str:
        del occurred_at
        return f"charges:{self.study_instance_uid}:{self.revision}"
