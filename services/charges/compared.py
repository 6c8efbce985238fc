"""What reconciliation compares and what it finds: plain values, no I/O."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from enum import StrEnum
from typing import NamedTuple

from schemas.conclusions.reconciled import Class

__all__ = ["ZERO", "Class", "Expected", "Finding", "Held", "Leg", "Posted", "SiteBooks"]

ZERO = Decimal("0.00")


class Posted(StrEnum):
    """How far an entry is on its way to the record, by the record's own answers."""

    WAITING = "waiting"
    ACCEPTED = "accepted"
    REJECTED = "rejected"


class Expected(NamedTuple):
    """One line that the record should hold: a ledger entry, or a correction that was decided.

    ``amount`` is signed: a credit is negative. ``supported`` is false for a charge that stands
    though no image supports it now. ``corrects`` is the line id or posting key that a correction
    was decided for; it is None for a study's own entry. ``accepted_at``: when the record took it.
    """

    key: str
    study: str
    patient: str
    day: date
    code: str
    quantity: int
    amount: Decimal
    state: Posted = Posted.WAITING
    images: tuple[str, ...] = ()
    reverses: str | None = None
    words: str | None = None
    supported: bool = True
    corrects: str | None = None
    accepted_at: datetime | None = None


class Held(NamedTuple):
    """One line that the record holds, as it was read back. ``amount`` is signed."""

    line_id: str
    key: str | None
    patient: str
    day: date
    code: str
    quantity: int
    amount: Decimal
    entered_by: str | None = None
    entered_on: date | None = None
    edited: bool = False


class Leg(NamedTuple):
    """An amount that must come to nothing, and where it stands."""

    patient: str
    code: str
    amount: Decimal


@dataclass(frozen=True, slots=True)
class Finding:
    """One entry, one line or both, what they are to each other, and why.

    Every entry and every line is in exactly one finding. ``outstanding`` is what the record holds
    too much (or, negative, too little) for each patient and code once the corrections decided
    so far are counted; it is empty where nothing is wrong. ``confidence`` is 1 for a pair that
    our key makes, less for one that was found by its content. ``corrections`` are the keys of
    those that were counted.
    """

    kind: Class
    expected: Expected | None
    held: Held | None
    reason: str
    confidence: float = 1.0
    outstanding: tuple[Leg, ...] = ()
    by_hand: bool = False
    corrections: tuple[str, ...] = ()

    @property
    def day(self) -> date:
        """The day of the work, or of the line where no work is known for it."""
        if self.expected is not None:
            return self.expected.day
        return self._line.day

    @property
    def patient(self) -> str:
        return self.expected.patient if self.expected is not None else self._line.patient

    @property
    def difference(self) -> Decimal:
        """What is held less what is due."""
        due = self.expected.amount if self.expected is not None else ZERO
        held = self.held.amount if self.held is not None else ZERO
        return held - due

    @property
    def at_stake(self) -> Decimal:
        """The greater of what is too much and what is too little."""
        over = sum((leg.amount for leg in self.outstanding if leg.amount > 0), ZERO)
        under = -sum((leg.amount for leg in self.outstanding if leg.amount < 0), ZERO)
        return max(over, under)

    @property
    def _line(self) -> Held:
        if self.held is None:
            raise ValueError("a finding holds an entry, a line or both")
        return self.held


@dataclass(frozen=True, slots=True)
class SiteBooks:
    """All that is compared for one site: what should be held, and what is.

    ``assigned`` names, by line id, the entry that a person said a line is. Lines and entries
    beyond the days of interest may be here: they explain what lies at the edge.
    """

    site: str
    currency: str
    expected: tuple[Expected, ...]
    held: tuple[Held, ...]
    assigned: Mapping[str, str]
