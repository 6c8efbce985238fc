"""An invented day at the charge desk, drawn by the real services from invented facts.

The charges worker prices studies, reconciles them with lines of an invented record, and tells the
day; the console's worker hears it. Every name, code, amount and word is invented.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from typing import Any

from schemas.conclusions import (
    ChargesAssessed,
    ChargesCorrected,
    CodesMissing,
    DayReconciled,
    ImageUse,
    StudyAssessed,
)
from schemas.envelope import Message, Payload, Source, new_id
from schemas.facts import Patient, PostingAnswered, PostingOutcome, RecordLine, RecordLinesRead
from schemas.group import Group
from schemas.messages import parse
from schemas.reconciliation import load_reconciliation_rules
from schemas.tariffs import load_tariffs
from schemas.teeth import Species
from services.charges.day_teller import DayTeller
from services.charges.store import read_ledger
from services.charges.worker import ChargesHandler
from services.console.worker import ConsoleHandler
from services.runtime.store import Store
from services.runtime.tables import OUTBOX
from services.runtime.worker import Work
from tests.assessed import assessed, exposure, image, view

DAY = date(2026, 3, 2)
START = datetime(2026, 3, 2, 8, tzinfo=UTC)
PATIENTS = ("Brindle", "Quill", "Sorrel", "Tansy", "Umber", "Wick")


class ChargesDay:
    """The charges and console workers on one store, for the site ``north``."""

    def __init__(self, store: Store, group: Group, four_eyes_above: str = "30.00") -> None:
        self.store = store
        self.group = group
        self.held: list[RecordLine] = []
        self.rules = load_reconciliation_rules().model_copy(
            update={"four_eyes_above": Decimal(four_eyes_above)}
        )
        tariff = "invented-2026"
        site = group.site("north").model_copy(update={"tariff": tariff})
        priced = group.model_copy(update={"sites": (site, *group.sites[1:])})
        self.handler = ChargesHandler(priced, load_tariffs(), self.rules)
        self.console = ConsoleHandler(group)
        self.teller = DayTeller(store, priced, self.rules, 900.0, lambda: None)

    def play(self, day: date = DAY) -> None:
        """Let a day pass with one exception of each kind, and a study that is not closed."""
        for number, name in enumerate(PATIENTS):
            self.handle(message(self._study(number, name, day), START))
        self.answer_all(day)
        lines = self.lines(day)
        lines[0] = lines[0].model_copy(update={"amount": Decimal("83.00"), "edited": True})
        gone = lines.pop(1)
        lines.append(lines[2].model_copy(update={"line_id": "L-twice", "entered_by": "desk-1"}))
        lines.append(
            gone.model_copy(
                update={
                    "line_id": "L-hand",
                    "posting_key": None,
                    "patient_id": "P-9001",
                    "code": "INV-HAND",
                    "entered_by": "=desk-2",
                }
            )
        )
        self.held = lines
        self.read(lines, day)
        self.reconcile()

    def answer_all(self, day: date = DAY) -> None:
        """Let the record take everything but the last study's first charge."""
        told: list[Message[Payload]] = []
        closed = self.studies(day)
        for study in closed:
            for number, key in enumerate(self.keys(study)):
                refused = study == closed[-1] and number == 0
                outcome = PostingOutcome.REJECTED if refused else PostingOutcome.ACCEPTED
                told.append(self.answered(key, study, outcome))
        self.handle(*told)

    def studies(self, day: date = DAY) -> list[str]:
        """Name the studies that are closed."""
        return [uid_of(number, day) for number in range(len(PATIENTS) - 1)]

    def keys(self, study: str) -> list[str]:
        with self.store.read() as connection:
            return [one.posting_key for one in read_ledger(connection, "north", study)]

    def lines(self, day: date = DAY) -> list[RecordLine]:
        """Give the lines of a record that holds everything it took, as it was posted."""
        lines = []
        for study in self.studies(day):
            with self.store.read() as connection:
                ledger = read_ledger(connection, "north", study)
            for number, entry in enumerate(ledger):
                if study == self.studies(day)[-1] and number == 0:
                    continue
                lines.append(
                    RecordLine(
                        line_id=f"L-{study}-{number}",
                        posting_key=entry.posting_key,
                        patient_id=entry.patient_id,
                        service_day=entry.service_day,
                        code=entry.code,
                        quantity=entry.quantity,
                        amount=entry.signed_amount,
                        currency="EUR",
                        entered_by="gomphosis",
                    )
                )
        return lines

    def read(self, lines: Sequence[RecordLine], day: date = DAY) -> None:
        """Tell what the record holds now."""
        at = datetime.now(UTC)
        self.handle(message(RecordLinesRead(day=day, read_at=at, lines=tuple(lines)), at))

    def answered(self, key: str, study: str, outcome: PostingOutcome) -> Message[Payload]:
        words = "Account closed (invented)" if outcome is PostingOutcome.REJECTED else None
        fact = PostingAnswered(
            posting_key=key, study_instance_uid=study, outcome=outcome, words=words
        )
        at = START + timedelta(minutes=30)
        return message(fact, at, Source(kind="record", name="record-1"))

    def handle(self, *messages: Message[Payload]) -> None:
        """Let the charges worker take messages, and the console hear what it has to."""
        self._work("charges", self.handler, messages)
        heard = (StudyAssessed, PostingAnswered)
        self._hear([one for one in messages if isinstance(one.payload, heard)])

    def reconcile(self) -> None:
        """Let the days be told, and the console hear all that the charges told."""
        later = datetime.now(UTC) + timedelta(minutes=2)
        while self.teller.look(later):
            pass
        with self.store.begin() as connection:
            bodies = connection.execute(
                OUTBOX.select().where(OUTBOX.c.service == "charges").order_by(OUTBOX.c.id)
            ).all()
            connection.execute(OUTBOX.delete().where(OUTBOX.c.service == "charges"))
        told = [parse(row.body) for row in bodies]
        heard = (ChargesAssessed, ChargesCorrected, CodesMissing, DayReconciled)
        self._hear([one for one in told if isinstance(one.payload, heard)])

    def _hear(self, messages: Sequence[Message[Payload]]) -> None:
        if messages:
            self._work("console", self.console, messages)

    def _work(
        self,
        service: str,
        handler: Callable[[Work, Sequence[Message[Payload]]], None],
        messages: Sequence[Message[Payload]],
    ) -> None:
        with self.store.begin() as connection:
            work = Work(connection, self.store)
            handler(work, messages)
            work.flush(service)

    def _study(self, number: int, name: str, day: date) -> StudyAssessed:
        study = uid_of(number, day)
        images = [
            image(one, use, view=f"view-{one}").model_copy(
                update={"sop_instance_uid": f"{study}.{one}"}
            )
            for one, use in ((1, ImageUse.VIEW), (2, ImageUse.VIEW), (3, ImageUse.REPEAT))
        ]
        given: dict[str, Any] = {
            "study_instance_uid": study,
            "day": day,
            "patient_id": f"P-{1001 + number}",
            "patient": Patient(patient_id=f"P-{1001 + number}", name=name, species=Species.DOG),
            "views": (view(1), view(2)),
            "exposures": (exposure(1, sop_instance_uid=f"{study}.1"),),
            "plan_title": "Whole mouth, grown dog (invented)",
            "anaesthesia_confirmed_by": "technician-1",
            "people_outside_beam": True,
            "readiness_fact": f"readiness:{study}:2026-03-02T08:00:00+00:00",
            "closed": number < len(PATIENTS) - 1,
        }
        return assessed(1, images, **given)


def uid_of(number: int, day: date = DAY) -> str:
    return f"2.25.{day:%Y%m%d}{number + 1:02d}"


def message(
    payload: Payload, at: datetime, source: Source | None = None, site: str = "north"
) -> Message[Payload]:
    return Message(
        id=new_id(),
        group="invented-group",
        site=site,
        occurred_at=at,
        received_at=at,
        source=source or Source(kind="service", name="assessment"),
        correlation_id="chain-1",
        payload=payload,
    )
