"""The records service without its bus, before a real folder that can be in trouble."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from sqlalchemy import select

from schemas.channels import Exchange
from schemas.envelope import Message, Payload
from schemas.facts import PostingAnswered
from schemas.messages import parse
from services.records.adapters.folder import FolderAdapter
from services.records.listener import Listener
from services.records.port import Answer, ChargeAnswer, ChargePosting, NotePosting
from services.records.poster import Poster
from services.records.store import POSTINGS
from services.records.suite.samples import STUDY, entry
from services.records.worker import handle
from services.runtime.store import Store
from services.runtime.tables import OUTBOX, TRIAGE
from tests import handled
from tests.contract.record_samples import charges, message


class TroubledFolder(FolderAdapter):
    """A record that fails for some patients, as long as the test says so."""

    def __init__(self, path: Path) -> None:
        super().__init__({"path": str(path)})
        self.trouble: dict[str, Exception] = {}
        self.asked: list[str] = []
        self.meanwhile: list[Callable[[], object]] = []

    def post_note(self, posting: NotePosting) -> Answer:
        self._let_others_act()
        return super().post_note(posting)

    def post_charge(self, posting: ChargePosting) -> ChargeAnswer:
        self.asked.append(posting.key)
        self._let_others_act()
        if posting.patient_id in self.trouble:
            raise self.trouble[posting.patient_id]
        return super().post_charge(posting)

    def _let_others_act(self) -> None:
        while self.meanwhile:
            self.meanwhile.pop()()


class Clock:
    def __init__(self) -> None:
        self.now = datetime.now(UTC) + timedelta(seconds=1)

    def __call__(self) -> datetime:
        return self.now


class Line:
    """The records service without its bus: messages go in by hand, the outbox is read."""

    def __init__(self, store: Store, folder: Path) -> None:
        self.store = store
        self.record = TroubledFolder(folder)
        self.clock = Clock()
        self.poster = Poster(store, self.record, lambda: None, 0.01, self.clock)
        self.listener = Listener(store, self.record, lambda: None, "example-group", 0.01)

    def take(self, *payloads: Payload) -> None:
        self.take_messages(*(message(payload) for payload in payloads))

    def take_messages(self, *messages: Message[Payload]) -> None:
        handled.handle(self.store, handle, "records", messages)

    def post_all(self) -> None:
        while self.poster.post_due():
            pass

    def postings(self) -> list[Any]:
        with self.store.read() as connection:
            return list(connection.execute(select(POSTINGS).order_by(POSTINGS.c.sequence)))

    def states(self) -> dict[str, str]:
        return {row.posting_key: row.state for row in self.postings()}

    def offers(self) -> list[Message[Payload]]:
        with self.store.read() as connection:
            rows = connection.execute(select(OUTBOX).order_by(OUTBOX.c.id)).all()
        assert {row.exchange for row in rows} <= {Exchange.OFFERS.value}
        return [parse(row.body) for row in rows]

    def answers(self) -> list[PostingAnswered]:
        payloads = [offer.payload for offer in self.offers()]
        return [payload for payload in payloads if isinstance(payload, PostingAnswered)]

    def triage(self) -> list[Any]:
        with self.store.read() as connection:
            return list(connection.execute(select(TRIAGE)))

    def held(self, **by: str) -> list[str]:
        return [line.posting_key for line in self.record.read_charges(**by)]


def key(number: int, study: str = STUDY) -> str:
    return f"charge:{study}:{number}"


def charge_of(patient: str, number: int = 1) -> Payload:
    """Make the charges of a study of its own for a patient."""
    study = f"2.25.{patient.removeprefix('P-')}"
    charge = entry(number, study, patient_id=patient)
    return charges(charge, study_instance_uid=study, patient_id=patient)
