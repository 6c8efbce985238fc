"""A patient record in memory that keeps the port's promises until it is told not to."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from decimal import Decimal
from enum import StrEnum
from typing import ClassVar

from schemas.conclusions import EntryType
from schemas.facts import RecordLine
from services.records.port import (
    Accepted,
    Answer,
    ChargePosting,
    CorrectionPosting,
    HeldLine,
    NotePosting,
    PatientRecord,
    RecordUnavailable,
    Rejected,
    Unreadable,
    Verdict,
)


class Fault(StrEnum):
    """What goes wrong with the next posting."""

    AWAY = "away"
    ANSWER_LOST = "answer lost"
    REJECTED = "rejected"
    LOST = "lost"
    DOUBLED = "doubled"


@dataclass(frozen=True, slots=True)
class Line:
    line_id: str
    key: str | None
    site: str
    patient: str
    study: str
    day: date
    code: str
    quantity: int
    amount: Decimal
    currency: str = "EUR"
    reverses: str | None = None
    edited: bool = False


@dataclass
class FaultyRecord(PatientRecord):
    """Holds lines by id. ``faults`` are used up, one by each posting, first in first out."""

    NAME: ClassVar[str] = "simulated"

    lines: dict[str, Line] = field(default_factory=dict)
    faults: list[Fault] = field(default_factory=list)
    _count: int = 0

    def post_charge(self, posting: ChargePosting) -> Answer:
        entry = posting.entry
        return self._put(
            Line("", entry.posting_key, posting.site, posting.patient_id,
                 posting.study_instance_uid, entry.service_day, entry.code, entry.quantity,
                 entry.signed_amount, posting.currency, entry.reverses)
        )  # fmt: skip

    def reverse_charge(self, posting: ChargePosting) -> Answer:
        entry = posting.entry
        if not self._of(entry.posting_key):
            charges = self._of(entry.reverses or "")
            reversing = [one for one in self.lines.values() if one.reverses == entry.reverses]
            fits = [
                one
                for one in charges
                if one.patient == posting.patient_id and one.amount >= entry.amount
            ]
            if not fits or reversing:
                return Rejected("there is no such charge to reverse (simulated)")
        return self.post_charge(posting)

    def correct_charge(self, posting: CorrectionPosting) -> Answer:
        entry = posting.entry
        amount = entry.amount if entry.type is EntryType.CHARGE else -entry.amount
        return self._put(
            Line("", entry.posting_key, posting.site, entry.patient_id, entry.study_instance_uid,
                 entry.service_day, entry.code, 1, amount, posting.currency)
        )  # fmt: skip

    def _put(self, line: Line) -> Answer:
        fault = self.faults.pop(0) if self.faults else None
        if fault is Fault.AWAY:
            raise RecordUnavailable("simulated outage")
        held = self._of(line.key or "")
        if held:
            return Accepted(held[0].line_id)
        if fault is Fault.REJECTED:
            return Rejected("account closed (simulated)")
        first = self.add(line)
        if fault is Fault.DOUBLED:
            self.add(line)
        if fault is Fault.LOST:
            del self.lines[first.line_id]
        if fault is Fault.ANSWER_LOST:
            raise RecordUnavailable("simulated timeout after it was taken")
        return Accepted(first.line_id)

    def add(self, line: Line) -> Line:
        """Hold a line under an id of the record's own."""
        self._count += 1
        held = replace(line, line_id=f"L-{self._count:05d}")
        self.lines[held.line_id] = held
        return held

    def edit(self, line_id: str, **values: object) -> None:
        """Change a line as a person would at the record's own screen."""
        self.lines[line_id] = replace(self.lines[line_id], edited=True, **values)  # type: ignore[arg-type]

    def _of(self, key: str) -> list[Line]:
        return [one for one in self.lines.values() if one.key == key]

    def read_charges(
        self, *, study_instance_uid: str | None = None, patient_id: str | None = None
    ) -> Sequence[HeldLine]:
        return [
            HeldLine(
                posting_key=one.key or "", type=EntryType.CHARGE, reverses=one.reverses,
                site=one.site, patient_id=one.patient, study_instance_uid=one.study,
                code=one.code, quantity=one.quantity, amount=one.amount, currency=one.currency,
                service_day=one.day, reference=one.line_id, changed_by_hand=one.edited,
            )
            for one in self.lines.values()
            if study_instance_uid in {None, one.study} and patient_id in {None, one.patient}
        ]  # fmt: skip

    def read_lines(self, site: str, first: date, last: date) -> Iterable[RecordLine | Unreadable]:
        return [
            RecordLine(
                line_id=one.line_id, posting_key=one.key, patient_id=one.patient,
                service_day=one.day, code=one.code, quantity=one.quantity, amount=one.amount,
                currency=one.currency, edited=one.edited,
            )
            for one in self.lines.values()
            if one.site == site and first <= one.day <= last
        ]  # fmt: skip

    def post_note(self, posting: NotePosting) -> Answer:
        return Accepted(posting.key)

    def check(self) -> Verdict:
        return Verdict(True, "simulated")
