"""Whatever happens, once quiet the record holds the price of the supported studies, no cent else.

A state machine over the real charges and records handlers, ledger, poster and reader on SQLite;
only the record is simulated, for it has to go wrong on demand. Messages are delivered by hand,
late or twice.
"""

from __future__ import annotations

import json
import shutil
import tempfile
from collections import Counter
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, rule, run_state_machine_as_test
from sqlalchemy import delete, select

from schemas.conclusions import ChargesAssessed, ChargesCorrected, ImageUse
from schemas.envelope import Message, Payload
from schemas.facts import ChargeExceptionCountersigned, ChargeExceptionDecided, ExceptionAction
from schemas.group import Group
from schemas.messages import parse
from schemas.reconciliation import load_reconciliation_rules
from schemas.tariffs import load_tariffs
from services.charges.audit_chain import verify
from services.charges.books_store import load_books
from services.charges.compared import ZERO
from services.charges.control_totals import control_totals
from services.charges.exceptions import ChargeException, Status
from services.charges.reconcile import reconcile
from services.charges.reconcile_tables import STUDY_DAY
from services.charges.reconciling import Reconciler
from services.charges.store import read_study
from services.charges.worker import ChargesHandler
from services.records.line_reader import LineReader
from services.records.poster import Poster
from services.records.worker import handle as handle_postings
from services.runtime.migrate import migrate
from services.runtime.store import Store
from services.runtime.tables import OUTBOX
from services.runtime.worker import Work
from tests.assessed import GROUP, START, assessed, image, message, patient
from tests.simulated_records.record import Fault, FaultyRecord, Line

DAY = date(2026, 3, 2)
FIRST, LAST = DAY - timedelta(days=20), DAY + timedelta(days=20)
PATIENTS = ("P-1001", "P-2002")
STUDIES = ("2.25.1001", "2.25.1002", "2.25.1003")
RULES = load_reconciliation_rules()
_PEOPLE: list[dict[str, Any]] = [
    {"name": name, "title": "Invented", "roles": roles}
    for name, roles in (("billing-1", ["billing"]), ("lead-1", ["lead"]), ("lead-2", ["lead"]))
]
_SITE = GROUP.sites[0].model_dump(mode="json") | {"people": _PEOPLE}
OWN_GROUP = Group.model_validate_json(
    json.dumps(GROUP.model_dump(mode="json") | {"sites": [_SITE]})
)


class Money(RuleBasedStateMachine):
    """Three studies of two patients on some days, one faulty record, and busy people."""

    template: Path

    def __init__(self) -> None:
        super().__init__()
        self.folder = Path(tempfile.mkdtemp())
        shutil.copy(self.template, self.folder / "store.db")
        self.store = Store(f"sqlite:///{self.folder / 'store.db'}")
        self.record = FaultyRecord()
        self.clock = START
        self.tries = 0
        self.charges = ChargesHandler(OWN_GROUP, load_tariffs(), RULES)
        self.reconciler = Reconciler(OWN_GROUP, RULES)
        # The poster's clock is far ahead, so that what was put off is due again at once.
        self.poster = Poster(self.store, self.record, lambda: None, 1.0, self._later)
        self.reader = LineReader(self.store, self.record, lambda: None, OWN_GROUP, 1.0, 1)
        self.revisions: Counter[str] = Counter()

    def teardown(self) -> None:
        try:
            self.come_to_rest()
        finally:
            self.store.close()
            shutil.rmtree(self.folder)

    def _later(self) -> datetime:
        self.tries += 1
        return datetime.now(UTC) + timedelta(days=self.tries)

    # What happens in the clinic.

    @initialize()
    def begin(self) -> None:
        self.assess(STUDIES[0], 3, 0, PATIENTS[0], 0, closed=True)
        self.assess(STUDIES[1], 2, 0, PATIENTS[1], 1, closed=True)
        self._deliver(twice=False)
        self.postings_go_out()

    @rule(
        study=st.sampled_from(STUDIES),
        views=st.integers(0, 4),
        rejected=st.integers(0, 2),
        owner=st.sampled_from(PATIENTS),
        day=st.integers(0, 2),
        closed=st.booleans(),
    )
    def assess(
        self, study: str, views: int, rejected: int, owner: str, day: int, *, closed: bool
    ) -> None:
        self.revisions[study] += 1
        base = 10 * STUDIES.index(study)
        images = [
            image(base + n, ImageUse.REJECTED if n < rejected else ImageUse.VIEW)
            for n in range(views)
        ]
        told = assessed(
            self.revisions[study], images, study_instance_uid=study, patient_id=owner,
            patient=patient(owner), day=DAY + timedelta(days=day), closed=closed,
        )  # fmt: skip
        self._handle(self.charges, [message(told)])

    # What the record and its staff do.

    @rule(faults=st.lists(st.sampled_from(Fault), max_size=4))
    def faults_ahead(self, faults: list[Fault]) -> None:
        self.record.faults = faults

    @rule(chance=st.randoms(use_true_random=False), amount=st.sampled_from(["38.00", "5.00"]))
    def staff_edits_an_amount(self, chance: Any, amount: str) -> None:
        for line in self._some_line(chance):
            self.record.edit(line.line_id, amount=Decimal(amount))

    @rule(chance=st.randoms(use_true_random=False))
    def staff_edits_a_code(self, chance: Any) -> None:
        for line in self._some_line(chance):
            self.record.edit(line.line_id, code="INV-IO-OTHER")

    @rule(chance=st.randoms(use_true_random=False), owner=st.sampled_from(PATIENTS))
    def staff_moves_a_line(self, chance: Any, owner: str) -> None:
        for line in self._some_line(chance):
            self.record.edit(line.line_id, patient=owner)

    @rule(chance=st.randoms(use_true_random=False))
    def staff_removes_a_line(self, chance: Any) -> None:
        for line in self._some_line(chance):
            del self.record.lines[line.line_id]

    @rule(
        owner=st.sampled_from((*PATIENTS, "P-3003")),
        day=st.integers(-1, 3),
        what=st.sampled_from([("INV-IO-FIRST", "38.00"), ("INV-IO-NEXT", "14.50"), ("X", "9.99")]),
        off=st.booleans(),
    )
    def staff_enters_a_line(
        self, owner: str, day: int, what: tuple[str, str], *, off: bool
    ) -> None:
        code, amount = what
        self.record.add(
            Line("", None, "north", owner, "", DAY + timedelta(days=day), code, 1,
                 -Decimal(amount) if off else Decimal(amount))
        )  # fmt: skip

    # What moves messages, and who decides.

    @rule(twice=st.booleans())
    def messages_arrive(self, *, twice: bool) -> None:
        self._deliver(twice=twice)

    @rule()
    def postings_go_out(self) -> None:
        """Each patient's postings in turn, until nothing goes out any more."""
        for _ in range(10):
            if not self.poster.post_due():
                break

    @rule()
    def the_record_is_read(self) -> None:
        self.reader.read("north", FIRST, LAST)
        self._deliver(twice=False)

    @rule(
        chance=st.randoms(use_true_random=False),
        person=st.sampled_from(["billing-1", "lead-1", "vet-1"]),
        second=st.booleans(),
    )
    def a_person_decides(self, chance: Any, person: str, *, second: bool) -> None:
        listed = self._listed()
        if listed:
            one = chance.choice(listed)
            actions = [one.actions[0], ExceptionAction.ACCEPT]
            self._decide(one, chance.choice(actions), person, second="lead-2" if second else None)

    # The end.

    def come_to_rest(self) -> None:
        """No more faults or edits: people work the list off, and all that was due is done."""
        self.record.faults = []
        for _ in range(12):
            self._settle()
            todo = self._listed()
            if not any(one.finding.outstanding for one in todo):
                break
            for one in todo:
                if one.status is not Status.ACCEPTED or one.finding.outstanding:
                    self._decide(one, one.actions[0], "lead-1", second="lead-2")
        self._settle()
        held: Counter[tuple[str, str]] = Counter()
        for line in self.record.lines.values():
            held[line.patient, line.code] += line.amount  # type: ignore[assignment]
        assert +held == self._due(), [
            (one.status, one.finding) for one in self._listed() if one.finding.outstanding
        ]
        assert not any(amount < 0 for amount in held.values())
        self._prove_totals()

    def _due(self) -> Counter[tuple[str, str]]:
        due: Counter[tuple[str, str]] = Counter()
        with self.store.read() as connection:
            for study in STUDIES:
                charges = read_study(connection, "north", study).snapshot
                if charges is not None and charges.due:
                    for line in charges.lines:
                        due[charges.patient_id, line.code] += line.amount  # type: ignore[assignment]
        return due

    def _prove_totals(self) -> None:
        with self.store.read() as connection:
            assert verify(connection, "north").broken is None
            days = frozenset(connection.execute(select(STUDY_DAY.c.day)).scalars())
            for loaded in load_books(connection, "north", FIRST, LAST, RULES):
                findings = reconcile(loaded.books, RULES, LAST)
                totals = control_totals("north", loaded.imaged, loaded.books, findings, days)
                assert sum((one.outstanding for one in totals.values()), ZERO) == ZERO

    def _settle(self) -> None:
        for _ in range(60):
            self._deliver(twice=False)
            answered = 0
            while now := self.poster.post_due():
                answered += now
            changed = self.reader.read("north", FIRST, LAST)
            if not (answered or changed or self._outbox()):
                return
        raise AssertionError("never comes to rest")

    def _listed(self) -> list[ChargeException]:
        with self.store.read() as connection:
            lists = self.reconciler.listed(connection, "north", FIRST, LAST)
        return [one for listed, _ in lists for one in listed]

    def _decide(
        self, one: ChargeException, action: ExceptionAction, person: str, *, second: str | None
    ) -> None:
        reason = "agreed (invented)" if action is ExceptionAction.ACCEPT else None
        decided = ChargeExceptionDecided(
            exception_id=one.id, day=one.finding.day, action=action, reason=reason
        )
        self.clock += timedelta(minutes=1)
        told = [message(decided, person=person, at=self.clock)]
        if second is not None:
            agreed = ChargeExceptionCountersigned(
                exception_id=one.id, day=one.finding.day, action=action
            )
            self.clock += timedelta(minutes=1)
            told.append(message(agreed, person=second, at=self.clock))
        for fact in told:
            self._handle(self.charges, [fact])

    def _some_line(self, chance: Any) -> Iterator[Line]:
        if self.record.lines:
            yield self.record.lines[chance.choice(sorted(self.record.lines))]

    def _outbox(self) -> bool:
        with self.store.read() as connection:
            return connection.execute(select(OUTBOX.c.id).limit(1)).first() is not None

    def _deliver(self, *, twice: bool) -> None:
        """Bring what is in the outbox to its handler; what follows waits for the next time."""
        with self.store.begin() as connection:
            bodies = connection.execute(select(OUTBOX.c.body).order_by(OUTBOX.c.id)).scalars().all()
            connection.execute(delete(OUTBOX))
        for body in bodies:
            told = parse(body)
            own = isinstance(told.payload, ChargesAssessed | ChargesCorrected)
            for _ in range(1 + twice):
                self._handle(handle_postings if own else self.charges, [told])

    def _handle(self, handler: Any, messages: list[Message[Payload]]) -> None:
        with self.store.begin() as connection:
            work = Work(connection, self.store)
            handler(work, messages)
            work.flush("charges")


def test_money_is_conserved_over_any_facts_faults_and_human_actions(tmp_path: Path) -> None:
    class Machine(Money):
        template = tmp_path / "template.db"

    store = Store(f"sqlite:///{Machine.template}")
    migrate(store)
    store.close()
    run_state_machine_as_test(
        Machine,
        settings=settings(
            max_examples=15,
            stateful_step_count=25,
            deadline=None,
            suppress_health_check=list(HealthCheck),
        ),
    )
