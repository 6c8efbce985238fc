"""From conclusions to a patient record, on a real store and a real folder."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from threading import Event, Thread
from typing import Any

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import select

import services.records.line_reader  # noqa: F401 - its table is among those declared
from schemas.channels import Exchange
from schemas.conclusions import NoteState
from schemas.envelope import Message, Payload
from schemas.errors import InvalidInput
from schemas.facts import OrderPlaced, PostingAnswered, PostingOutcome
from schemas.messages import parse
from services.records.adapters.folder import FolderAdapter
from services.records.answers import fit
from services.records.listener import Listener
from services.records.pacing import back_off_s
from services.records.port import (
    Answer,
    ChargeAnswer,
    ChargePosting,
    NotePosting,
    OrderOffer,
    RecordRefused,
    RecordUnavailable,
)
from services.records.poster import Poster
from services.records.store import POSTINGS
from services.records.suite.samples import STUDY, credit, entry, note
from services.records.worker import handle
from services.runtime.store import Store
from services.runtime.tables import METADATA, OUTBOX, TRIAGE
from services.runtime.worker import Work
from tests.contract.folder_drops import leave, order_file
from tests.contract.record_samples import charges, message
from tests.contract.record_store import open_store
from tests.servers.polling import wait_until


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
        with self.store.begin() as connection:
            work = Work(connection, self.store)
            handle(work, messages)
            work.flush("records")

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


@pytest.fixture
def line(database_url: str, tmp_path: Path) -> Iterator[Line]:
    store = open_store(database_url)
    yield Line(store, tmp_path / "record")
    store.close()


def key(number: int, study: str = STUDY) -> str:
    return f"charge:{study}:{number}"


def charge_of(patient: str, number: int = 1) -> Payload:
    """Make the charges of a study of its own for a patient."""
    study = f"2.25.{patient.removeprefix('P-')}"
    charge = entry(number, study, patient_id=patient)
    return charges(charge, study_instance_uid=study, patient_id=patient)


def test_the_migration_makes_the_tables_that_the_store_declares(line: Line) -> None:
    with line.store.begin() as connection:
        context = MigrationContext.configure(
            connection,
            opts={
                "include_object": lambda _thing, name, kind, _reflected, _other: (
                    kind != "table" or name.startswith("records_")
                )
            },
        )
        differences = compare_metadata(context, METADATA)

    assert differences == []


def test_a_due_ledger_is_posted_and_each_answer_is_offered_as_a_fact(line: Line) -> None:
    cause = message(charges(entry(1), entry(2)))
    line.take_messages(cause)

    line.post_all()

    assert line.held(study_instance_uid=STUDY) == [key(1), key(2)]
    assert [answer.posting_key for answer in line.answers()] == [key(1), key(2)]
    for offer in line.offers():
        assert isinstance(offer.payload, PostingAnswered)
        assert offer.payload.outcome is PostingOutcome.ACCEPTED
        assert offer.payload.record_reference
        assert (offer.source.kind, offer.source.name) == ("record", "folder")
        assert (offer.correlation_id, offer.causation_id) == (cause.correlation_id, cause.id)
        assert (offer.group, offer.site) == (cause.group, cause.site)


def test_charges_that_are_not_due_stay_here(line: Line) -> None:
    line.take(charges(entry(1), due=False))

    line.post_all()

    assert line.postings() == []
    assert line.held(study_instance_uid=STUDY) == []


def test_a_ledger_told_again_and_longer_adds_only_what_is_new(line: Line) -> None:
    first, second = charges(entry(1)), charges(entry(1), credit(2, key(1)), entry(3), revision=2)
    line.take(first)
    line.post_all()

    line.take(second, first, second)
    line.take(first)
    line.post_all()

    assert line.held(study_instance_uid=STUDY) == [key(1), key(2), key(3)]
    assert Counter(answer.posting_key for answer in line.answers()) == {
        key(1): 1,
        key(2): 1,
        key(3): 1,
    }


def test_an_entry_that_was_edited_under_its_key_is_refused(line: Line) -> None:
    line.take(charges(entry(1)))

    with pytest.raises(InvalidInput, match=r"payload\.ledger"):
        line.take(charges(entry(1, amount=Decimal("39.00")), entry(2), revision=2))

    assert list(line.states()) == [key(1)]


def test_a_credit_goes_to_the_patient_of_its_charge(line: Line) -> None:
    wrong: dict[str, Any] = {"patient_id": "P-wrong"}
    right: dict[str, Any] = {"patient_id": "P-right"}
    first = entry(1, **wrong)
    line.take(charges(first, **wrong))
    line.post_all()

    line.take(charges(first, credit(2, key(1), **wrong), entry(3, **right), revision=2, **right))
    line.post_all()

    assert line.held(patient_id="P-wrong") == [key(1), key(2)]
    assert line.held(patient_id="P-right") == [key(3)]
    assert {answer.outcome for answer in line.answers()} == {PostingOutcome.ACCEPTED}


def test_a_whole_ledger_told_late_goes_to_those_whom_its_entries_name(line: Line) -> None:
    wrong = {"patient_id": "P-wrong", "account": "ACC-wrong"}
    right = {"patient_id": "P-right", "account": "ACC-right"}
    line.take(
        charges(
            entry(1, **wrong),
            credit(2, key(1), **wrong),
            entry(3, **right),
            patient_id="P-right",
            account="ACC-right",
        )
    )

    line.post_all()

    assert line.held(patient_id="P-wrong") == [key(1), key(2)]
    assert line.held(patient_id="P-right") == [key(3)]
    accounts = [row.body["account"] for row in line.postings()]
    assert accounts == ["ACC-wrong", "ACC-wrong", "ACC-right"]


def test_a_conflict_in_the_record_comes_back_in_its_own_words(line: Line) -> None:
    line.record.post_charge(
        ChargePosting(
            site="north",
            patient_id="P-1001",
            study_instance_uid=STUDY,
            currency="EUR",
            entry=entry(1, amount=Decimal("99.00")),
        )
    )
    line.take(charges(entry(1), entry(2)))

    line.post_all()

    assert line.states() == {key(1): "rejected", key(2): "posted"}
    rejected = line.answers()[0]
    assert rejected.outcome is PostingOutcome.REJECTED
    assert rejected.words is not None
    assert "other content" in rejected.words


def test_one_patient_in_trouble_holds_up_no_other_and_keeps_its_order(line: Line) -> None:
    line.record.trouble["P-1"] = RecordUnavailable("the record locks this patient (invented)")
    study = "2.25.1"
    line.take(
        charges(
            entry(1, study, patient_id="P-1"),
            entry(2, study, patient_id="P-1"),
            study_instance_uid=study,
            patient_id="P-1",
        ),
        *(charge_of(f"P-{number}") for number in range(2, 9)),
    )

    line.post_all()

    waiting = {posting for posting, state in line.states().items() if state == "waiting"}
    assert waiting == {key(1, study), key(2, study)}
    assert key(2, study) not in line.record.asked

    line.record.trouble.clear()
    line.clock.now += timedelta(hours=1)
    line.post_all()

    assert line.held(patient_id="P-1") == [key(1, study), key(2, study)]


@pytest.mark.parametrize(
    "trouble",
    [
        RecordUnavailable("connection refused (invented)"),
        RecordRefused("credentials refused (invented)"),
        RuntimeError("a defect of the adapter (invented)"),
    ],
    ids=["outage", "refusal", "defect"],
)
def test_trouble_only_delays_and_waits_grow(line: Line, trouble: Exception) -> None:
    line.take(charge_of("P-1"))
    line.record.trouble["P-1"] = trouble

    waits = []
    for attempt in range(1, 6):
        line.poster.post_due()
        (row,) = line.postings()
        assert (row.state, row.attempts, row.words) == ("waiting", attempt, str(trouble))
        waits.append((row.next_try_at - line.clock.now).total_seconds())
        line.poster.post_due()  # not its time yet
        line.clock.now = row.next_try_at
    line.record.trouble.clear()
    line.post_all()

    assert len(line.record.asked) == 6
    assert all(0.5 * 2**n <= wait <= 2**n for n, wait in enumerate(waits))
    assert list(line.states().values()) == ["posted"]
    assert line.postings()[0].words is None


def test_an_outage_spares_the_rest_of_the_round(line: Line) -> None:
    patients = [f"P-{number}" for number in range(20)]
    line.record.trouble = dict.fromkeys(patients, RecordUnavailable("away (invented)"))
    line.take(*(charge_of(patient) for patient in patients))

    line.poster.post_due()

    assert len(line.record.asked) == 3


def test_an_answer_that_another_process_marked_meanwhile_is_told_once(line: Line) -> None:
    line.take(charges(entry(1)))
    line.record.meanwhile.append(line.poster.post_due)

    line.poster.post_due()

    assert line.record.asked == [key(1), key(1)]
    assert line.states() == {key(1): "posted"}
    assert len(line.answers()) == 1


def test_a_draft_that_was_overtaken_on_its_way_is_known_to_be_in_the_record(line: Line) -> None:
    line.take(note(1))
    line.record.meanwhile.append(lambda: line.take(note(2)))

    line.post_all()

    assert line.states() == {f"note:{STUDY}:1": "posted", f"note:{STUDY}:2": "posted"}
    assert len(line.answers()) == 2


def test_waits_double_up_to_five_minutes_and_are_spread() -> None:
    chance = random.Random(1)

    spread = [[back_off_s(attempts, chance) for _ in range(200)] for attempts in (1, 4, 12, 5000)]

    for waits, longest in zip(spread, (1.0, 8.0, 300.0, 300.0), strict=True):
        assert longest / 2 <= min(waits) < max(waits) <= longest
        assert len(set(waits)) > 100


def test_a_draft_goes_out_and_a_newer_one_overtakes_it_while_it_waits(line: Line) -> None:
    line.take(note(1), note(2))
    line.take(note(3, NoteState.AMENDED))

    line.post_all()

    assert line.states() == {
        f"note:{STUDY}:1": "superseded",
        f"note:{STUDY}:2": "superseded",
        f"note:{STUDY}:3": "posted",
    }
    assert [answer.posting_key for answer in line.answers()] == [f"note:{STUDY}:3"]


def test_a_signed_note_waits_its_turn_and_an_addendum_does_not_overtake_it(line: Line) -> None:
    line.take(note(1), note(2, NoteState.SIGNED), note(3, NoteState.ADDENDED))

    line.post_all()

    assert line.states() == {
        f"note:{STUDY}:1": "superseded",
        f"note:{STUDY}:2": "posted",
        f"note:{STUDY}:3": "posted",
    }


def test_a_signed_note_is_never_followed_by_a_draft(line: Line) -> None:
    line.take(note(2, NoteState.SIGNED))

    with pytest.raises(InvalidInput, match=r"payload\.state"):
        line.take(note(3, NoteState.DRAFT))

    line.post_all()
    assert line.states() == {f"note:{STUDY}:2": "posted"}


@pytest.mark.parametrize(
    "late",
    [note(1), note(2), note(2, NoteState.SIGNED), note(9, due=False), note(9, NoteState.POSTED)],
    ids=["older", "same", "same-signed", "not-due", "posted"],
)
def test_a_note_that_asks_for_nothing_new_is_let_pass(line: Line, late: Payload) -> None:
    line.take(note(2))
    line.post_all()

    line.take(late)
    line.post_all()

    assert line.states() == {f"note:{STUDY}:2": "posted"}
    assert len(line.answers()) == 1


def test_a_late_rejection_changes_the_posting_and_is_told_once(line: Line) -> None:
    line.take(charges(entry(1)))
    line.post_all()
    reference = line.answers()[0].record_reference
    leave(
        line.record.path / f"{reference}.answer.json",
        {"outcome": "rejected", "words": "Account closed (invented)"},
    )

    assert line.listener.listen_once() == 1
    assert line.listener.listen_once() == 0

    assert line.states() == {key(1): "rejected"}
    outcomes = [(answer.outcome, answer.words) for answer in line.answers()]
    assert outcomes == [
        (PostingOutcome.ACCEPTED, None),
        (PostingOutcome.REJECTED, "Account closed (invented)"),
    ]


def test_an_answer_read_twice_is_told_once(line: Line, monkeypatch: pytest.MonkeyPatch) -> None:
    line.take(charges(entry(1)))
    line.post_all()
    reference = line.answers()[0].record_reference
    leave(line.record.path / f"{reference}.answer.json", {"outcome": "rejected", "words": "No"})
    monkeypatch.setattr(line.record, "settle", lambda _item: None)

    for _ in range(3):
        line.listener.listen_once()

    assert len(line.answers()) == 2


def test_words_that_no_store_takes_are_made_fit(line: Line) -> None:
    line.take(charges(entry(1)))
    line.post_all()
    reference = line.answers()[0].record_reference
    words = "nul\x00 and so on " + "x" * 1900
    leave(line.record.path / f"{reference}.answer.json", {"outcome": "rejected", "words": words})

    line.listener.listen_once()

    told = line.answers()[1].words
    assert told is not None
    assert told.startswith("nul\N{REPLACEMENT CHARACTER} and so on")
    assert line.states() == {key(1): "rejected"}


def test_long_words_are_cut_to_the_contract() -> None:
    assert len(fit("x" * 5000)) == 2000
    assert fit("\ud800") == "?"


def test_an_item_that_makes_us_fail_is_laid_aside_and_the_next_is_taken(
    line: Line, monkeypatch: pytest.MonkeyPatch
) -> None:
    orders = line.record.path / "orders"
    leave(orders / "1.json", order_file())
    leave(orders / "2.json", order_file(payload={**OrderPlaced.EXAMPLES[0], "order_id": "1002"}))
    make_fact = line.listener._order_fact

    def fail_once(offer: OrderOffer) -> Message[Payload]:
        if offer.token.endswith("1.json"):
            raise RuntimeError("a defect (invented)")
        return make_fact(offer)

    monkeypatch.setattr(line.listener, "_order_fact", fail_once)

    line.listener.listen_once()

    (offer,) = line.offers()
    assert isinstance(offer.payload, OrderPlaced)
    assert offer.payload.order_id == "1002"
    assert len(line.triage()) == 1
    assert (orders / "rejected" / "1.json").exists()


def test_orders_of_the_record_are_offered_and_bad_ones_kept_for_triage(line: Line) -> None:
    leave(line.record.path / "orders" / "1.json", order_file())
    leave(line.record.path / "orders" / "2.json", order_file(occurred_at="2026-03-02T08:00:00"))

    line.listener.listen_once()

    (offer,) = line.offers()
    assert isinstance(offer.payload, OrderPlaced)
    assert (offer.group, offer.site) == ("example-group", "north")
    assert (offer.source.kind, offer.occurred_at.isoformat()) == (
        "record",
        "2026-03-02T08:00:00+00:00",
    )
    (kept,) = line.triage()
    assert (kept.service, kept.field) == ("records", "order file.occurred_at")
    assert line.listener.listen_once() == 0


def test_of_two_posters_one_works_and_the_other_takes_over(
    database_url: str, tmp_path: Path
) -> None:
    store = open_store(database_url)
    first, second = Event(), Event()
    lines = [Line(store, tmp_path / "record") for _ in range(2)]
    threads = [
        Thread(target=one.poster.run, args=(stop,))
        for one, stop in zip(lines, (first, second), strict=True)
    ]
    for one in lines:
        one.clock.now += timedelta(days=1)
    threads[0].start()
    lines[0].take(charge_of("P-1"))
    wait_until(lambda: len(lines[0].answers()) == 1, 20, "the first poster to post")
    threads[1].start()

    lines[0].take(charge_of("P-2"))
    wait_until(lambda: len(lines[0].answers()) == 2, 20, "one of them to post")
    assert lines[1].record.asked == []
    first.set()
    threads[0].join()
    lines[0].take(charge_of("P-3"))
    wait_until(lambda: len(lines[0].answers()) == 3, 20, "the second poster to take over")

    second.set()
    threads[1].join()
    store.close()
    assert lines[1].record.asked == ["charge:2.25.3:1"]


def start_poster(store: Store, record: Path, die_after: int) -> subprocess.Popen[bytes]:
    arguments = [store.url.render_as_string(hide_password=False), str(record), str(die_after)]
    root = Path(__file__).parents[2]
    return subprocess.Popen(
        [sys.executable, "-m", "tests.contract.record_child", *arguments],
        cwd=root,
        stderr=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
    )


def kill_once(process: subprocess.Popen[bytes], reached: Callable[[], bool]) -> None:
    """Kill a poster at work as soon as the record has grown."""
    try:
        wait_until(lambda: reached() or process.poll() is not None, 30, "the record to grow")
    finally:
        if process.poll() is None:
            os.kill(process.pid, signal.SIGKILL)
        process.wait()


@pytest.mark.timeout(180)
def test_a_poster_killed_again_and_again_leaves_every_entry_exactly_once(
    line: Line,
) -> None:
    # given 200 postings of ten patients, with credits among them
    for patient in range(10):
        study = f"2.25.{patient}"
        whose: dict[str, Any] = {"patient_id": f"P-{patient}"}
        ledger = [
            entry(n, study, **whose) if n % 4 else credit(n, key(n - 1, study), study, **whose)
            for n in range(1, 21)
        ]
        line.take(charges(*ledger, study_instance_uid=study, **whose))
    total = len(line.postings())
    assert total == 200
    root = line.record.path

    def count() -> int:
        return len(list(root.glob("charges/*/*/*.json")))

    # when the poster dies between answer and mark, and at any other moment
    died_by_itself = 0
    for round_ in range(12):
        before = count()
        process = start_poster(line.store, root, die_after=(0, 3, 7)[round_ % 3])
        kill_once(process, lambda before=before: count() >= before + 12)  # type: ignore[misc]
        died_by_itself += round_ % 3 != 0 and count() < before + 12
        if round_ % 3:
            assert count() > len(line.answers()), "it was to die before it marked the answer"
    assert died_by_itself >= 6
    assert count() < total, "nothing left to post: the kills came too late"
    line.clock.now += timedelta(days=1)
    line.post_all()

    # then the record holds each once, in order, and each answer was told once
    assert set(line.states().values()) == {"posted"}
    assert count() == total
    for patient in range(10):
        study = f"2.25.{patient}"
        held = line.held(study_instance_uid=study)
        assert held == [key(n, study) for n in range(1, 21)]
    told = Counter(answer.posting_key for answer in line.answers())
    assert len(told) == total
    assert set(told.values()) == {1}
    assert {answer.outcome for answer in line.answers()} == {PostingOutcome.ACCEPTED}
