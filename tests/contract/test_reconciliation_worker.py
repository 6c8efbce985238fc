"""Facts about the record's lines and people's decisions, on both databases."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from datetime import date, timedelta
from decimal import Decimal
from itertools import permutations
from typing import Any

import pytest

from schemas.conclusions import ChargesCorrected, EntryType
from schemas.envelope import Message, Payload
from schemas.facts import (
    ChargeExceptionCountersigned,
    ChargeExceptionDecided,
    ExceptionAction,
    PostingAnswered,
    PostingOutcome,
    RecordLine,
    RecordLinesRead,
)
from schemas.group import Group
from schemas.reconciliation import load_reconciliation_rules
from schemas.tariffs import load_tariffs
from services.charges.audit_chain import read, verify
from services.charges.compared import Class
from services.charges.exceptions import ChargeException, Status
from services.charges.reconciling import Reconciler
from services.charges.site_report import SiteReport, site_reports
from services.charges.store import read_ledger
from services.charges.worker import ChargesHandler
from services.runtime.store import Store
from services.runtime.worker import Work
from tests.assessed import GROUP, START, STUDY, assessed, image, message
from tests.handled import sent_of
from tests.newest_schema import bring_to_newest

DAY = date(2026, 3, 2)
RULES = load_reconciliation_rules()
CAREFUL = RULES.model_copy(update={"four_eyes_above": Decimal("10.00")})
PEOPLE: list[dict[str, Any]] = [
    {"name": name, "title": "Invented", "roles": [role]}
    for name, role in (
        ("billing-1", "billing"),
        ("lead-1", "lead"),
        ("lead-2", "lead"),
        ("tech-1", "technician"),
    )
]
_SITE = GROUP.sites[0].model_dump(mode="json") | {"people": PEOPLE}
OWN_GROUP = Group.model_validate_json(
    json.dumps(GROUP.model_dump(mode="json") | {"sites": [_SITE]})
)


@pytest.fixture
def store(database_url: str) -> Iterator[Store]:
    opened = Store(database_url)
    bring_to_newest(opened)
    yield opened
    opened.close()


class Desk:
    """The charges worker on a store, with one closed study whose two charges were accepted."""

    def __init__(self, store: Store, rules: Any = RULES) -> None:
        self.store = store
        self.rules = rules
        self.handler = ChargesHandler(OWN_GROUP, load_tariffs(), rules)
        self.clock = START
        self.handle(message(assessed(1, [image(1)], closed=True)))
        with store.read() as connection:
            self.ledger = read_ledger(connection, "north", STUDY)
        self.handle(*(self.answered(entry.posting_key) for entry in self.ledger))

    def handle(self, *messages: Message[Payload]) -> None:
        with self.store.begin() as connection:
            work = Work(connection, self.store)
            self.handler(work, messages)
            work.flush("charges")

    def answered(
        self, key: str, outcome: PostingOutcome = PostingOutcome.ACCEPTED, after_s: float = 0.0
    ) -> Message[Payload]:
        fact = PostingAnswered(
            posting_key=key, study_instance_uid=STUDY, outcome=outcome, words="invented"
        )
        return message(fact, at=START + timedelta(seconds=after_s))

    def lines(self, **changes: Any) -> list[RecordLine]:
        """Give the record's lines for the ledger; ``changes`` are of the first one."""
        lines = [
            RecordLine(
                line_id=f"L-{number}",
                posting_key=entry.posting_key,
                patient_id="P-1001",
                service_day=entry.service_day,
                code=entry.code,
                quantity=entry.quantity,
                amount=entry.signed_amount,
                currency="EUR",
            )
            for number, entry in enumerate(self.ledger, start=1)
        ]
        return [lines[0].model_copy(update=changes), *lines[1:]]

    def told(self, lines: Sequence[RecordLine], after_s: float = 0.0) -> Message[Payload]:
        at = START + timedelta(seconds=after_s)
        return message(RecordLinesRead(day=DAY, read_at=at, lines=tuple(lines)), at=at)

    def listed(self) -> list[ChargeException]:
        with self.store.read() as connection:
            lists = Reconciler(OWN_GROUP, self.rules).listed(connection, "north", DAY, DAY)
        return [one for own, _ in lists for one in own]

    def decided(
        self, one: ChargeException, action: ExceptionAction, person: str, **values: Any
    ) -> Message[Payload]:
        self.clock += timedelta(minutes=1)
        reason = "agreed (invented)" if action is ExceptionAction.ACCEPT else None
        fact = ChargeExceptionDecided(
            exception_id=one.id, day=DAY, action=action, reason=reason, **values
        )
        return message(fact, person=person, at=self.clock)

    def countersigned(
        self, one: ChargeException, action: ExceptionAction, person: str
    ) -> Message[Payload]:
        self.clock += timedelta(minutes=1)
        fact = ChargeExceptionCountersigned(exception_id=one.id, day=DAY, action=action)
        return message(fact, person=person, at=self.clock)

    def sent(self) -> list[ChargesCorrected]:
        return sent_of(self.store, ChargesCorrected)

    def report(self) -> SiteReport:
        with self.store.read() as connection:
            (report,) = site_reports(
                connection, Reconciler(OWN_GROUP, self.rules), "north", DAY, DAY, DAY
            )
        return report


def test_a_record_that_holds_what_was_posted_leaves_nothing_to_settle(store: Store) -> None:
    desk = Desk(store)

    desk.handle(desk.told(desk.lines()))

    report = desk.report()
    assert report.exceptions == ()
    assert report.total.due == report.total.held == Decimal("39.20")
    assert (report.total.images_seen, report.total.images_charged) == (1, 1)
    assert report.summary.matched == 2


def test_a_decision_to_reverse_a_double_sends_one_credit_however_often_it_is_told(
    store: Store,
) -> None:
    desk = Desk(store)
    double = desk.lines()[0].model_copy(update={"line_id": "L-9"})
    desk.handle(desk.told([*desk.lines(), double]))
    (one,) = desk.listed()
    decision = desk.decided(one, ExceptionAction.REVERSE, "billing-1")

    desk.handle(decision)
    desk.handle(decision)
    desk.handle(desk.told([*desk.lines(), double], after_s=60))

    (sent,) = desk.sent()
    (entry,) = sent.entries
    assert (one.finding.kind, one.status) == (Class.DOUBLED, Status.OPEN)
    assert (entry.type, entry.amount, entry.corrects) == (
        EntryType.CREDIT,
        Decimal("38.00"),
        "L-9",
    )
    assert (sent.decided_by, sent.currency) == ("billing-1", "EUR")
    assert [left.finding.held for left in desk.listed()] == [None], "only the credit is awaited"
    credit = RecordLine(
        line_id="L-10",
        posting_key=entry.posting_key,
        patient_id="P-1001",
        service_day=DAY,
        code=entry.code,
        quantity=1,
        amount=-entry.amount,
        currency="EUR",
    )
    desk.handle(desk.told([*desk.lines(), double, credit], after_s=120))
    report = desk.report()
    assert report.exceptions == ()
    assert report.total.held == report.total.due == Decimal("39.20")
    assert (report.summary.prevented, report.summary.prevented_amount) == (1, Decimal("38.00"))


def test_a_missing_line_is_posted_again_under_its_key(store: Store) -> None:
    desk = Desk(store)
    desk.handle(desk.told(desk.lines()[1:]))
    (one,) = desk.listed()

    desk.handle(desk.decided(one, ExceptionAction.POST, "lead-1"))

    (sent,) = desk.sent()
    assert (sent.again, sent.entries) == ((desk.ledger[0].posting_key,), ())
    assert [left.status for left in desk.listed()] == [Status.UNDER_WAY]
    desk.handle(desk.told(desk.lines(), after_s=60))
    assert desk.listed() == []
    assert desk.report().summary.recovered_amount == Decimal("38.00")


def test_above_the_groups_amount_a_second_person_of_the_right_role_is_needed(
    store: Store,
) -> None:
    desk = Desk(store, CAREFUL)
    desk.handle(desk.told(desk.lines(amount=Decimal("60.00"))))
    (one,) = desk.listed()
    post = ExceptionAction.POST
    assert one.needs_second

    desk.handle(desk.decided(one, post, "lead-1"))
    for person in ("lead-1", "billing-1", "tech-1", "nobody"):
        desk.handle(desk.countersigned(one, post, person))
    desk.handle(desk.countersigned(one, ExceptionAction.ACCEPT, "lead-2"))
    assert desk.sent() == []
    assert [left.status for left in desk.listed()] == [Status.WAITS_FOR_SECOND]

    desk.handle(desk.countersigned(one, post, "lead-2"))

    (sent,) = desk.sent()
    assert (sent.decided_by, sent.countersigned_by) == ("lead-1", "lead-2")
    assert [(entry.type, entry.amount) for entry in sent.entries] == [
        (EntryType.CREDIT, Decimal("22.00"))
    ]


def test_who_may_not_decide_decides_nothing(store: Store) -> None:
    desk = Desk(store)
    desk.handle(desk.told(desk.lines()[1:]))
    (one,) = desk.listed()

    for person in ("tech-1", "nobody"):
        desk.handle(desk.decided(one, ExceptionAction.POST, person))

    assert desk.sent() == []
    assert [left.status for left in desk.listed()] == [Status.OPEN]


def test_an_accepted_exception_stays_listed_as_accepted_until_its_evidence_changes(
    store: Store,
) -> None:
    desk = Desk(store)
    desk.handle(desk.told(desk.lines(amount=Decimal("30.00"))))
    (one,) = desk.listed()

    desk.handle(desk.decided(one, ExceptionAction.ACCEPT, "billing-1"))

    assert [left.status for left in desk.listed()] == [Status.ACCEPTED]
    assert desk.sent() == []
    assert desk.report().summary.accepted_amount == Decimal("8.00")
    desk.handle(desk.told(desk.lines(amount=Decimal("29.00")), after_s=60))
    assert [left.status for left in desk.listed()] == [Status.OPEN]


def test_a_line_assigned_by_a_person_is_that_charge_from_then_on(store: Store) -> None:
    desk = Desk(store)
    desk.handle(desk.answered(desk.ledger[0].posting_key, PostingOutcome.REJECTED, after_s=9))
    by_hand = desk.lines(line_id="L-9", posting_key=None, patient_id="P-2002")
    desk.handle(desk.told(by_hand))
    one = next(left for left in desk.listed() if left.finding.kind is Class.UNSUPPORTED)

    desk.handle(
        desk.decided(
            one, ExceptionAction.ASSIGN, "billing-1", posting_key=desk.ledger[0].posting_key
        )
    )

    assert [left.finding.kind for left in desk.listed()] == [Class.OTHER_PATIENT]


@pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
def test_facts_in_any_order_and_twice_end_in_the_same_corrections(database_url: str) -> None:
    ends = set()
    for number, order in enumerate(permutations(range(4))):
        store = Store(f"{database_url}-{number}")
        bring_to_newest(store)
        desk = Desk(store, CAREFUL)
        desk.handle(desk.told(desk.lines(amount=Decimal("60.00")), after_s=1))
        (one,) = desk.listed()
        facts = [
            desk.told(desk.lines(amount=Decimal("55.00"), code="X"), after_s=0.5),
            desk.told(desk.lines(amount=Decimal("60.00")), after_s=2),
            desk.decided(one, ExceptionAction.POST, "billing-1"),
            desk.countersigned(one, ExceptionAction.POST, "lead-1"),
        ]
        for index in order:
            desk.handle(facts[index], facts[index])
        ends.add(
            (
                tuple(entry.posting_key for sent in desk.sent() for entry in sent.entries),
                tuple((left.id, left.status, left.at_stake) for left in desk.listed()),
            )
        )
        store.close()

    assert len(ends) == 1
    assert len(next(iter(ends))[0]) == 1


def test_a_reading_counts_once_all_of_its_parts_are_here(store: Store) -> None:
    desk = Desk(store)
    desk.handle(desk.told(desk.lines()))
    at = START + timedelta(minutes=5)
    first, second = desk.lines(amount=Decimal("1.00"))
    parts = [
        RecordLinesRead(day=DAY, read_at=at, part=number, parts=2, lines=(line,))
        for number, line in ((1, first), (2, second))
    ]

    desk.handle(message(parts[1], at=at))
    assert desk.listed() == []
    desk.handle(message(parts[0], at=at))

    assert [one.finding.kind for one in desk.listed()] == [Class.AMOUNT_CHANGED]


def test_an_older_reading_that_comes_late_changes_nothing(store: Store) -> None:
    desk = Desk(store)
    desk.handle(desk.told(desk.lines(), after_s=60))

    desk.handle(desk.told([], after_s=30))

    assert desk.listed() == []


def test_money_in_another_currency_is_in_books_of_its_own(store: Store) -> None:
    desk = Desk(store)
    foreign = desk.lines(posting_key=None, line_id="L-9", currency="CHF")[0]
    desk.handle(desk.told([*desk.lines(), foreign]))

    with store.read() as connection:
        reports = site_reports(connection, Reconciler(OWN_GROUP, RULES), "north", DAY, DAY, DAY)

    assert [(one.currency, len(one.exceptions)) for one in reports] == [("CHF", 1), ("EUR", 0)]


def test_every_entry_release_answer_and_decision_is_in_the_audit(store: Store) -> None:
    desk = Desk(store)
    desk.handle(desk.told(desk.lines()[1:]))
    (one,) = desk.listed()
    desk.handle(desk.decided(one, ExceptionAction.POST, "lead-1"))
    desk.handle(message(assessed(2, [], closed=True)))

    with store.read() as connection:
        acts = [(row.actor, row.action) for row in read(connection, "north")]
        assert verify(connection, "north").broken is None

    assert acts == [
        ("service:charges", "charged"),
        ("service:charges", "charged"),
        ("service:charges", "priced"),
        ("service:assessment", "posting accepted"),
        ("service:assessment", "posting accepted"),
        ("person:lead-1", "charge_exception_decided"),
        ("person:lead-1", "exception post"),
        ("service:charges", "reversed"),
        ("service:charges", "reversed"),
        ("service:charges", "priced"),
    ]
