"""An invented record that knows no key again: whatever comes twice, it holds twice."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from typing import ClassVar

from services.records.port import (
    Accepted,
    Answer,
    ChargeAnswer,
    ChargePosting,
    HeldLine,
    NotePosting,
    PatientRecord,
    PeriodClosed,
    RecordUnavailable,
    Rejected,
    Verdict,
)


class ForgetfulRecord(PatientRecord):
    """Loses answers, refuses and closes its books as the test says; otherwise it takes all."""

    NAME: ClassVar[str] = "forgetful"

    def __init__(self) -> None:
        self.lines: list[HeldLine] = []
        self.loses_answer_of: set[str] = set()
        self.refuses: dict[str, str] = {}
        self.closed_through: date | None = None
        self.away = False
        self.asked: list[str] = []

    def post_charge(self, posting: ChargePosting) -> ChargeAnswer:
        return self._take(posting)

    def reverse_charge(self, posting: ChargePosting) -> ChargeAnswer:
        if posting.entry.reverses not in {line.posting_key for line in self.lines}:
            return Rejected(f"no charge {posting.entry.reverses} here (invented)")
        return self._take(posting)

    def _take(self, posting: ChargePosting) -> ChargeAnswer:
        self.asked.append(posting.key)
        if self.away:
            raise RecordUnavailable("away (invented)")
        if posting.key in self.refuses:
            return Rejected(self.refuses[posting.key])
        if self.closed_through is not None and posting.posting_day <= self.closed_through:
            return PeriodClosed(self.closed_through + timedelta(days=1), "books closed (invented)")
        self.lines.append(held(posting, len(self.lines) + 1))
        if posting.key in self.loses_answer_of:
            self.loses_answer_of.discard(posting.key)
            raise RecordUnavailable("no answer in time (invented)")
        return Accepted(self.lines[-1].reference)

    def read_charges(
        self, *, study_instance_uid: str | None = None, patient_id: str | None = None
    ) -> Sequence[HeldLine]:
        if self.away:
            raise RecordUnavailable("away (invented)")
        return [
            line
            for line in self.lines
            if study_instance_uid in {None, line.study_instance_uid}
            and patient_id in {None, line.patient_id}
        ]

    def post_note(self, posting: NotePosting) -> Answer:
        return Accepted(posting.key)

    def check(self) -> Verdict:
        return Verdict(True, "forgetful")

    def keys(self) -> list[str]:
        return [line.posting_key for line in self.lines]

    def balance(self) -> object:
        """Sum what is held: charges less credits."""
        return sum(line.signed_amount for line in self.lines)


def held(posting: ChargePosting, number: int) -> HeldLine:
    """Make the line that a record holds of a posting."""
    entry = posting.entry
    return HeldLine(
        posting_key=posting.key,
        type=entry.type,
        reverses=entry.reverses,
        site=posting.site,
        patient_id=posting.patient_id,
        study_instance_uid=posting.study_instance_uid,
        code=entry.code,
        quantity=entry.quantity,
        amount=entry.amount,
        currency=posting.currency,
        service_day=entry.service_day,
        posting_day=posting.posting_day,
        reference=f"line-{number}",
    )
