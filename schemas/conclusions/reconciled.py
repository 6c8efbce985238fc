"""What reconciliation found on one day at one site: control totals, and what a person settles."""

from datetime import date, datetime
from decimal import Decimal
from enum import StrEnum
from typing import Annotated, Any, ClassVar, Self

from pydantic import Field, model_validator

from schemas.base import Contract, Currency, Fraction, Money, Name, Text, Uid, UtcTime
from schemas.envelope import Payload
from schemas.facts.desk import PostingKey
from schemas.facts.image import ShortText
from schemas.facts.record_lines import ExceptionAction, ExceptionId, HeldCode, LineId

MAX_EXCEPTIONS = 500
"""So many exceptions of a day stay well below the longest message; more are counted."""

Count = Annotated[int, Field(ge=0)]


class Class(StrEnum):
    """What a comparison is. ``OPEN``: not in the record yet and not late: no exception."""

    MATCHED = "matched"
    OPEN = "open"
    MISSING = "missing"
    DOUBLED = "doubled"
    UNSUPPORTED = "unsupported"
    AMOUNT_CHANGED = "amount changed by hand"
    CODE_CHANGED = "code changed by hand"
    OTHER_PATIENT = "posted to another patient"
    LATE = "late"


class Status(StrEnum):
    """``UNDER_WAY``: decided, and the record does not show it yet."""

    OPEN = "open"
    WAITS_FOR_SECOND = "waits for a second person"
    UNDER_WAY = "under way"
    ACCEPTED = "accepted"


class DecisionTold(Contract):
    """The newest decision about an exception, and who countersigned it, once somebody has."""

    action: ExceptionAction
    by: Name
    at: UtcTime
    reason: Text | None = None
    posting_key: PostingKey | None = None
    second: Name | None = None

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {"action": "reverse", "by": "billing-1", "at": "2026-03-05T09:00:00Z"},
    )


class ExceptionFound(Contract):
    """One thing that a person has to settle, with the evidence that it rests on.

    ``due`` and ``held`` are what our entry and the record's line say, a credit negative; one is
    absent where there is no entry or no line. Study and images are those of the entry, or of the
    charge whose key the line carries once more. ``at_stake`` is never negative. ``record_words``
    are there where the record refused the posting. ``by_hand``: the line carries no key of ours,
    and was found by its content with this ``confidence``.
    """

    exception_id: ExceptionId
    kind: Class
    reason: Text
    patient_id: ShortText
    code: HeldCode
    quantity: Annotated[int, Field(ge=1, le=10_000)]
    due: Money | None = None
    held: Money | None = None
    at_stake: Money
    study_instance_uid: Uid | None = None
    posting_key: PostingKey | None = None
    line_id: LineId | None = None
    entered_by: ShortText | None = None
    images: tuple[Uid, ...] = ()
    record_words: Text | None = None
    by_hand: bool = False
    confidence: Fraction = 1.0
    needs_second: bool
    actions: tuple[ExceptionAction, ...]
    status: Status
    decision: DecisionTold | None = None

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "exception_id": "00112233445566aa",
            "kind": "doubled",
            "reason": "the same charge is held already, as L-1 (invented)",
            "patient_id": "P-1001",
            "code": "INV-IO-FIRST",
            "quantity": 1,
            "held": "38.00",
            "at_stake": "38.00",
            "line_id": "L-9",
            "entered_by": "desk-1",
            "needs_second": False,
            "actions": ["reverse", "accept"],
            "status": "open",
        },
    )


class DifferenceSum(Contract):
    """What the record holds more (or, negative, less) than was posted, for one reason."""

    kind: Class
    amount: Money

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = ({"kind": "doubled", "amount": "38.00"},)


class ControlSums(Contract):
    """The same money counted from two sides, to the cent; credits are negative.

    ``due`` + ``corrections`` = ``posted`` + ``waiting`` + ``refused``, and ``posted`` + all
    ``differences`` = ``held``: a message in which they differ is refused. ``unread`` is the part
    of ``posted`` that the record took after its lines were read last: among the differences it is
    ``missing``, though nothing is known to be wrong. ``outstanding`` is at stake in exceptions
    that nobody accepted.
    """

    images_seen: Count
    images_charged: Count
    images_not_charged: Count
    priced: Money
    not_due: Money
    due: Money
    corrections: Money
    posted: Money
    waiting: Money
    refused: Money
    differences: tuple[DifferenceSum, ...] = ()
    held: Money
    unread: Money
    outstanding: Money

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "images_seen": 1,
            "images_charged": 1,
            "images_not_charged": 0,
            "priced": "38.00",
            "not_due": "0.00",
            "due": "38.00",
            "corrections": "0.00",
            "posted": "38.00",
            "waiting": "0.00",
            "refused": "0.00",
            "differences": [DifferenceSum.EXAMPLES[0]],
            "held": "76.00",
            "unread": "0.00",
            "outstanding": "38.00",
        },
    )

    @model_validator(mode="after")
    def _balances(self) -> Self:
        due = self.due + self.corrections
        told = self.posted + self.waiting + self.refused
        if due != told:
            raise ValueError(f"expected due + corrections = posted + waiting + refused, got {due}"
                             f" and {told}")  # fmt: skip
        explained = self.posted + sum((one.amount for one in self.differences), Decimal())
        if explained != self.held:
            raise ValueError(
                f"expected posted + differences = held, got {explained} and {self.held}"
            )
        return self


class BooksReconciled(Contract):
    """The day in one currency. Without ``totals`` they did not balance, and ``fault`` says where.

    ``unlisted`` counts the exceptions beyond those that a message bears.
    """

    currency: Currency
    totals: ControlSums | None = None
    fault: Text | None = None
    exceptions: Annotated[tuple[ExceptionFound, ...], Field(max_length=MAX_EXCEPTIONS)] = ()
    unlisted: Count = 0

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "currency": "EUR",
            "totals": ControlSums.EXAMPLES[0],
            "exceptions": [ExceptionFound.EXAMPLES[0]],
        },
    )

    @model_validator(mode="after")
    def _balances_or_says_why_not(self) -> Self:
        if (self.totals is None) == (self.fault is None):
            raise ValueError("expected totals, or the fault for which there are none")
        return self


class DayReconciled(Payload):
    """Everything that reconciliation says of a day of work at a site, at a revision.

    ``read_at`` is when the record's lines of that day were read last; without it they never were,
    and what is held is not known.
    """

    KIND: ClassVar[str] = "day_reconciled"

    revision: Annotated[int, Field(ge=1)]
    day: date
    read_at: UtcTime | None = None
    books: Annotated[tuple[BooksReconciled, ...], Field(max_length=10)] = ()

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "revision": 1,
            "day": "2026-03-02",
            "read_at": "2026-03-02T20:00:00Z",
            "books": [BooksReconciled.EXAMPLES[0]],
        },
    )

    def natural_key(self, occurred_at: datetime) -> str:
        del occurred_at
        return f"reconciled:{self.day}:{self.revision}"
