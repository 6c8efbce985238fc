"""The records service over a record that misbehaves, with a clock of its own."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from sqlalchemy import select

from schemas.envelope import Payload
from services.records.port import PatientRecord
from services.records.poster import Poster
from services.records.store import POSTINGS
from services.records.suite.samples import credit, entry
from services.records.worker import handle
from services.runtime.store import Store
from services.runtime.worker import Work
from tests.contract.record_samples import charges, message


class Desk:
    """Takes conclusions and posts them, without a wait of its own."""

    def __init__(self, store: Store, record: PatientRecord, per_minute: int | None = None) -> None:
        self.store = store
        self.now = datetime.now(UTC) + timedelta(seconds=1)
        self.poster = Poster(
            store, record, lambda: None, 0.01, lambda: self.now, per_minute=per_minute
        )

    def take(self, *payloads: Payload, site: str = "north") -> None:
        with self.store.begin() as connection:
            work = Work(connection, self.store)
            handle(work, [message(payload, site) for payload in payloads])
            work.flush("records")

    def post_due(self) -> None:
        """Post until nothing is due."""
        while self.poster.post_due():
            pass

    def post_all(self, rounds: int = 80) -> None:
        """Post, and wait out every put-off, until nothing waits."""
        for _ in range(rounds):
            self.post_due()
            if set(self.states().values()) <= {"posted"}:
                return
            self.now += timedelta(minutes=10)

    def states(self) -> dict[str, str]:
        with self.store.read() as connection:
            rows = connection.execute(select(POSTINGS).order_by(POSTINGS.c.sequence)).all()
        return {row.posting_key: row.state for row in rows}


def study_uid(patient: str) -> str:
    """Give the study of a patient ``P-<number>``."""
    return f"2.25.{int(patient.removeprefix('P-')) + 5000}"


def study_of(patient: str, lines: int = 3) -> Payload:
    """Make the charges of a patient's study: a charge, its credit, and further charges."""
    study = study_uid(patient)
    first = entry(1, study, patient_id=patient)
    ledger = [first, credit(2, first.posting_key, study, patient_id=patient)]
    ledger += [entry(number, study, patient_id=patient) for number in range(3, lines + 1)]
    return charges(*ledger, study_instance_uid=study, patient_id=patient)
