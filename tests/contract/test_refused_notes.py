"""A note that the record refused: told as a task, and posted once after a person's word."""

from __future__ import annotations

import random
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import select

from schemas.conclusions import NoteState, NoteWritten
from schemas.envelope import Message, Payload
from schemas.facts import NoteReleased, PostingAnswered, PostingOutcome
from schemas.facts.desk import NoteAddended, NoteSigned
from schemas.messages import parse
from services.notes import store as notes_store
from services.notes.worker import NotesHandler
from services.records.adapters.folder import FolderAdapter
from services.records.listener import Listener
from services.records.port import Accepted, Answer, LateAnswer, NotePosting, Rejected
from services.records.poster import Poster
from services.records.store import POSTINGS
from services.records.worker import handle as handle_records
from services.runtime.store import Store
from services.runtime.tables import OUTBOX
from services.runtime.worker import Work
from tests.assessed import GROUP, START, STUDY, assessed, image, message, view
from tests.contract.record_store import open_store

CLOSED = assessed(1, [image(1)], views=(view(1),), closed=True)
NEWER = assessed(2, [image(1), image(2)], views=(view(1), view(2)), closed=True)
NOTES = NotesHandler(GROUP)
RELEASED = NoteReleased(study_instance_uid=STUDY)


class Moody(FolderAdapter):
    """A record that refuses notes as the test says, also some that it has taken all the same."""

    def __init__(self, path: Path) -> None:
        super().__init__({"path": str(path)})
        self.refuses: str | None = None
        self.takes_first = False
        self.asked: list[str] = []
        self.held: dict[str, NotePosting] = {}

    def post_note(self, posting: NotePosting) -> Answer:
        self.asked.append(posting.key)
        if self.refuses is None or self.takes_first:
            answer = super().post_note(posting)
            assert isinstance(answer, Accepted)
            assert self.held.setdefault(answer.reference, posting) == posting
            if self.refuses is None:
                return answer
        return Rejected(self.refuses)


class Hospital:
    """Notes and records over one store; their outbox is carried by hand."""

    def __init__(self, store: Store, folder: Path) -> None:
        self.store = store
        self.record = Moody(folder)
        self.now = datetime.now(UTC) + timedelta(seconds=1)
        self.poster = Poster(store, self.record, lambda: None, 0.01, lambda: self.now)
        self.listener = Listener(store, self.record, lambda: None, GROUP.name, 0.01)
        self._carried = 0

    def tell(self, *messages: Message[Payload]) -> None:
        """Tell facts and assessments, and let all that follows come to rest."""
        for one in messages:
            if isinstance(one.payload, NoteReleased):
                self._handle("records", one)
            else:
                self._handle("notes", one)
        self.settle()

    def settle(self) -> None:
        for _ in range(20):
            self._carry()
            self.now += timedelta(hours=1)
            while self.poster.post_due():
                pass
            if not self._uncarried():
                return
        raise AssertionError("it goes on for ever")

    def _carry(self) -> None:
        for one in self._uncarried():
            self._carried += 1
            self._handle("notes" if isinstance(one.payload, PostingAnswered) else "records", one)

    def _uncarried(self) -> list[Message[Payload]]:
        with self.store.read() as connection:
            rows = connection.execute(select(OUTBOX).order_by(OUTBOX.c.id)).all()
        return [parse(row.body) for row in rows][self._carried :]

    def _handle(self, service: str, *messages: Message[Payload]) -> None:
        with self.store.begin() as connection:
            work = Work(connection, self.store)
            (NOTES if service == "notes" else handle_records)(work, messages)
            work.flush(service)

    def note(self) -> NoteWritten:
        with self.store.read() as connection:
            snapshot = notes_store.read_note(connection, "north", STUDY).snapshot
        assert snapshot is not None
        return snapshot

    def states(self) -> dict[str, str]:
        with self.store.read() as connection:
            rows = connection.execute(select(POSTINGS).order_by(POSTINGS.c.sequence)).all()
        return {row.posting_key: row.state for row in rows}


@pytest.fixture
def hospital(database_url: str, tmp_path: Path) -> Iterator[Hospital]:
    store = open_store(database_url)
    yield Hospital(store, tmp_path / "record")
    store.close()


def signed(note: NoteWritten) -> Message[Payload]:
    at = START + timedelta(minutes=30)
    payload = NoteSigned(
        study_instance_uid=STUDY,
        note_sha256=note.content_sha256,
        signer="vet-1",
        reauthenticated_at=at,
    )
    return message(payload, person="vet-1", at=at)


def addended() -> Message[Payload]:
    at = START + timedelta(minutes=60)
    payload = NoteAddended(
        study_instance_uid=STUDY, text="Invented.", signer="vet-1", reauthenticated_at=at
    )
    return message(payload, person="vet-1", at=at)


def release(minute: int = 90) -> Message[Payload]:
    return message(RELEASED, person="vet-1", at=START + timedelta(minutes=minute))


def refused_signed_note(hospital: Hospital, words: str = "No such patient (invented)") -> str:
    """Let a vet sign, and the record refuse; give the posting's key."""
    hospital.tell(message(CLOSED))
    hospital.record.refuses = words
    hospital.tell(signed(hospital.note()))
    return list(hospital.states())[-1]


def test_a_refused_note_is_a_task_and_is_not_sent_again_by_itself(hospital: Hospital) -> None:
    key = refused_signed_note(hospital)
    asked = list(hospital.record.asked)

    # when: the study changes, which opens a proposal, and everything comes once more
    hospital.tell(message(NEWER), message(NEWER))

    note = hospital.note()
    assert note.task is not None
    assert (note.task.posting_key, note.task.words) == (key, "No such patient (invented)")
    assert "note_released" in note.task.next_action
    assert (note.state, note.due) == (NoteState.SIGNED, False)
    assert note.addendum_proposal
    assert hospital.record.asked == asked


def test_released_once_its_cause_is_mended_it_is_posted_once_under_its_key(
    hospital: Hospital,
) -> None:
    key = refused_signed_note(hospital)
    before = hospital.note()
    hospital.record.refuses = None

    hospital.tell(release(), release(), release(91))

    after = hospital.note()
    assert hospital.record.asked.count(key) == 2  # the refused one, and one more
    assert hospital.states()[key] == "posted"
    assert (after.state, after.due, after.task) == (NoteState.POSTED, False, None)
    assert (after.sections, after.content_sha256, after.signatures) == (
        before.sections,
        before.content_sha256,
        before.signatures,
    )
    (posting,) = [one for one in hospital.record.held.values() if one.key == key]
    assert posting.note.content_sha256 == before.content_sha256


def test_a_note_that_the_record_had_taken_and_refused_all_the_same_is_held_once(
    hospital: Hospital,
) -> None:
    hospital.record.takes_first = True
    key = refused_signed_note(hospital)
    assert [one.key for one in hospital.record.held.values()].count(key) == 1
    hospital.record.refuses = None

    hospital.tell(release())

    assert [one.key for one in hospital.record.held.values()].count(key) == 1
    assert hospital.states()[key] == "posted"
    assert hospital.note().state is NoteState.POSTED


def test_released_too_early_it_is_refused_anew_and_stays_a_task(hospital: Hospital) -> None:
    key = refused_signed_note(hospital)
    hospital.record.refuses = "Locked (invented)"

    hospital.tell(release())

    task = hospital.note().task
    assert task is not None
    assert (task.posting_key, task.words) == (key, "Locked (invented)")


def test_a_note_that_is_rejected_late_is_a_task_and_can_be_released(hospital: Hospital) -> None:
    hospital.tell(message(CLOSED))
    hospital.tell(signed(hospital.note()))
    key = list(hospital.states())[-1]
    hospital.listener._take(
        LateAnswer(token="t", posting_key=key, outcome=PostingOutcome.REJECTED, words="No (inv.)")
    )
    hospital.settle()
    told = hospital.note()
    assert (told.state, told.due) == (NoteState.SIGNED, False)
    assert told.task is not None

    hospital.tell(release())

    assert (hospital.note().state, hospital.note().task) == (NoteState.POSTED, None)
    assert [one.key for one in hospital.record.held.values()].count(key) == 1


def test_what_was_signed_goes_before_what_was_added_and_a_draft_not_at_all(
    hospital: Hospital,
) -> None:
    hospital.record.refuses = "No such patient (invented)"
    hospital.tell(message(CLOSED))
    hospital.tell(signed(hospital.note()))
    hospital.tell(addended())
    draft, first, second = hospital.states()
    hospital.record.refuses = None
    hospital.record.asked.clear()

    hospital.tell(release())

    assert hospital.record.asked == [first, second]
    assert hospital.states() == {draft: "rejected", first: "posted", second: "posted"}


def test_a_signed_note_refused_before_its_addendum_was_taken_is_left(hospital: Hospital) -> None:
    first = refused_signed_note(hospital)
    hospital.record.refuses = None
    hospital.tell(addended())
    hospital.record.asked.clear()

    hospital.tell(release())

    assert hospital.record.asked == []  # it would come after what replaced it
    assert hospital.states()[first] == "rejected"
    assert hospital.note().task is None


def test_a_release_at_another_site_or_of_nothing_refused_sends_nothing(hospital: Hospital) -> None:
    hospital.tell(release(0))
    refused_signed_note(hospital)
    asked = list(hospital.record.asked)
    hospital.record.refuses = None

    hospital.tell(message(RELEASED, person="vet-1", site="south"))

    assert hospital.record.asked == asked


@pytest.mark.parametrize("seed", range(2))
def test_through_any_run_of_refusals_and_releases_the_signed_note_is_held_once(
    hospital: Hospital, seed: int
) -> None:
    chance = random.Random(seed)
    hospital.tell(message(CLOSED))
    told: list[Message[Payload] | None] = [None, message(NEWER), *map(release, range(6))]
    chance.shuffle(told)  # None is the signature, under the note as it then stands
    signature: Message[Payload] | None = None

    for fact in [one for one in told for _ in range(chance.choice((1, 2)))]:
        hospital.record.refuses = chance.choice((None, "Not now (invented)"))
        hospital.record.takes_first = chance.random() < 0.5
        if fact is None:
            signature = signature or signed(hospital.note())
        hospital.tell(fact or signature or message(CLOSED))
    hospital.record.refuses = None
    hospital.tell(release(99))

    note = hospital.note()
    held = [one for one in hospital.record.held.values() if one.note.signer]
    assert (note.state, note.task) == (NoteState.POSTED, None)
    assert [one.note.content_sha256 for one in held] == [note.content_sha256]
