"""The notes worker on a real store: what is kept, what is told, and what goes to a person."""

from collections.abc import Sequence
from datetime import timedelta
from itertools import permutations

import pytest

from schemas.conclusions import NoteState, NoteWritten, StudyAssessed
from schemas.envelope import Message, Payload
from schemas.errors import InvalidInput
from schemas.facts.desk import (
    NoteAddended,
    NoteAmended,
    NoteSigned,
    PostingAnswered,
    PostingOutcome,
)
from schemas.messages import parse
from services.notes import store as notes_store
from services.notes.content import content_sha256
from services.notes.worker import NotesHandler
from services.runtime import triage
from services.runtime.store import Store
from tests.assessed import GROUP, START, STUDY, assessed, image, message, view
from tests.handled import handle, sent

HANDLER = NotesHandler(GROUP)
CLOSED = assessed(1, [image(1)], views=(view(1),), closed=True)
NEWER = assessed(2, [image(1), image(2)], views=(view(1), view(2)), closed=True)


def _handle(store: Store, *messages: Message[Payload]) -> None:
    handle(store, HANDLER, "notes", messages)


def _sent(store: Store) -> list[NoteWritten]:
    payloads = [one.payload for one in sent(store)]
    assert all(isinstance(payload, NoteWritten) for payload in payloads)
    return [payload for payload in payloads if isinstance(payload, NoteWritten)]


def _kept(store: Store, study: str = STUDY) -> NoteWritten:
    with store.read() as connection:
        snapshot = notes_store.read_note(connection, "north", study).snapshot
    assert snapshot is not None
    return snapshot


def _amended(text: str, *, minute: int = 1, study: str = STUDY) -> Message[Payload]:
    payload = NoteAmended(study_instance_uid=study, section="interpretation", text=text)
    return message(payload, person="vet-1", at=START + timedelta(minutes=minute))


def _signed(
    sha256: str, *, study: str = STUDY, by: str = "vet-1", minute: int = 30
) -> Message[Payload]:
    at = START + timedelta(minutes=minute)
    payload = NoteSigned(
        study_instance_uid=study, note_sha256=sha256, signer=by, reauthenticated_at=at
    )
    return message(payload, person=by, at=at)


def _addended(*, study: str = STUDY) -> Message[Payload]:
    at = START + timedelta(minutes=60)
    payload = NoteAddended(
        study_instance_uid=study,
        text="Invented addendum.",
        signer="vet-1",
        reauthenticated_at=at,
    )
    return message(payload, person="vet-1", at=at)


def _accepted(revision: int) -> Message[Payload]:
    return message(
        PostingAnswered(
            posting_key=f"note:{STUDY}:{revision}",
            study_instance_uid=STUDY,
            outcome=PostingOutcome.ACCEPTED,
        )
    )


def _triage(store: Store) -> Sequence[tuple[str, bytes]]:
    with store.read() as connection:
        return [(str(row.field), bytes(row.body)) for row in triage.entries(connection)]


def test_a_note_is_told_at_every_step_until_the_record_holds_it(store: Store) -> None:
    _handle(store, message(CLOSED))
    _handle(store, _amended("Invented interpretation."))
    _handle(store, _signed(_kept(store).content_sha256))
    _handle(store, _accepted(3))
    _handle(store, _addended())
    _handle(store, _accepted(5))

    assert [(note.revision, note.state.value, note.due) for note in _sent(store)] == [
        (1, "draft", True),
        (2, "amended", True),
        (3, "signed", True),
        (4, "posted", False),
        (5, "addended", True),
        (6, "addended", False),
    ]
    last = _kept(store)
    assert last == _sent(store)[-1]
    assert last.signer == "vet-1"
    assert "Invented interpretation." in last.text
    assert "Invented addendum." in last.html


def test_a_signed_note_keeps_its_words_when_the_study_changes(store: Store) -> None:
    _handle(store, message(CLOSED))
    before = _kept(store)
    _handle(store, _signed(before.content_sha256))

    _handle(store, message(NEWER))

    after = _kept(store)
    assert after.sections == before.sections
    assert content_sha256(after.sections) == before.content_sha256
    assert after.addendum_proposal is not None
    assert "2 of 2 planned views" in after.addendum_proposal


def test_a_trainees_signature_is_kept_and_final_only_after_a_vets(store: Store) -> None:
    _handle(store, message(CLOSED))
    _handle(store, _signed(_kept(store).content_sha256, by="trainee-1", minute=20))
    first = _kept(store)
    assert (first.state, first.needs_cosign, first.signer) == (NoteState.DRAFT, True, None)
    assert "waits for a vet's signature" in first.text

    _handle(store, _signed(first.content_sha256))

    end = _kept(store)
    assert (end.state, end.needs_cosign, end.signer) == (NoteState.SIGNED, False, "vet-1")
    assert [(one.signer, one.final) for one in end.signatures] == [
        ("trainee-1", False),
        ("vet-1", True),
    ]


def test_how_a_signed_note_differed_from_its_draft_is_kept_with_it(store: Store) -> None:
    _handle(store, message(CLOSED))
    _handle(store, _amended("Invented interpretation."))
    before = _kept(store).differences
    _handle(store, _signed(_kept(store).content_sha256))

    _handle(store, message(NEWER))

    assert [one.section for one in before] == ["interpretation"]
    assert _kept(store).differences == before


def test_a_signature_for_an_earlier_revision_is_refused_and_the_revision_named(
    store: Store,
) -> None:
    _handle(store, message(CLOSED))
    read = _kept(store).content_sha256
    _handle(store, message(NEWER))

    with pytest.raises(InvalidInput, match="that was revision 1 of the note"):
        _handle(store, _signed(read))


def test_a_wrong_hash_is_refused_and_nothing_of_it_is_kept(store: Store) -> None:
    _handle(store, message(CLOSED))

    with pytest.raises(InvalidInput) as caught:
        _handle(store, _signed("0" * 64))

    assert caught.value.field == "payload.note_sha256"
    assert _kept(store).state is NoteState.DRAFT
    _handle(store, _amended("Later words."))
    assert _kept(store).state is NoteState.AMENDED


def test_facts_that_come_before_their_study_are_not_lost(store: Store) -> None:
    _handle(store, message(CLOSED.model_copy(update={"study_instance_uid": "2.25.77"})))
    _handle(store, _addended())
    _handle(store, _amended("second words", minute=2))
    _handle(store, _amended("first words", minute=1))
    assert [note.study_instance_uid for note in _sent(store)] == ["2.25.77"]

    _handle(store, message(CLOSED))

    note = _kept(store)
    assert note.state is NoteState.AMENDED
    assert {one.section: one.text for one in note.sections}["interpretation"] == "second words"
    _handle(store, _signed(note.content_sha256))
    assert _kept(store).state is NoteState.ADDENDED


def test_a_waiting_fact_that_does_not_fit_goes_to_triage_and_can_be_replayed(
    store: Store,
) -> None:
    wrong = _signed("0" * 64)
    _handle(store, wrong)

    _handle(store, message(CLOSED))

    ((field, body),) = _triage(store)
    again = parse(body)
    assert field == "payload.note_sha256"
    assert again.payload == wrong.payload
    assert again.source == wrong.source
    # The inbox knows the first id, so that a replay under it would be let pass in silence.
    assert again.id != wrong.id
    assert _kept(store).state is NoteState.DRAFT
    _handle(store, _signed(_kept(store).content_sha256))
    assert _kept(store).state is NoteState.SIGNED


def test_a_repeated_message_and_the_records_word_on_a_charge_tell_nothing(store: Store) -> None:
    _handle(store, message(CLOSED))
    _handle(store, _amended("Invented words."))
    about_a_charge = PostingAnswered(
        posting_key=f"charge:{STUDY}:1",
        study_instance_uid=STUDY,
        outcome=PostingOutcome.ACCEPTED,
    )

    _handle(store, message(CLOSED))
    _handle(store, _amended("Invented words."), message(about_a_charge))

    assert len(_sent(store)) == 2


def test_what_follows_carries_the_chain_of_its_cause(store: Store) -> None:
    cause = message(CLOSED)
    _handle(store, cause)

    (told,) = sent(store)
    assert (told.causation_id, told.correlation_id) == (cause.id, cause.correlation_id)
    assert (told.source.name, told.site) == ("notes", "north")


def test_an_unknown_site_is_named(store: Store) -> None:
    with pytest.raises(InvalidInput, match="site"):
        _handle(store, message(CLOSED, site="south"))


def test_permuted_and_doubled_messages_end_in_the_same_note(store: Store) -> None:
    ends = []
    for number, order in enumerate(permutations(range(5))):
        study = f"2.25.7{number:03d}"
        first, newer = (
            StudyAssessed.model_validate(
                one.model_copy(update={"study_instance_uid": study}).model_dump()
            )
            for one in (CLOSED, NEWER)
        )
        told = [
            message(first),
            message(newer),
            _amended("first words", minute=1, study=study),
            _amended("last words", minute=2, study=study),
            _addended(study=study),
        ]
        for index in order:
            _handle(store, told[index], told[index])
        _handle(store, _signed(_kept(store, study).content_sha256, study=study))
        kept = _kept(store, study)
        end = kept.model_copy(update={"revision": 1, "assessment_revision": 1})
        rendered = {"text", "html", "short_text", "short_html"}
        words = end.model_dump_json(exclude=rendered).replace(study, STUDY)
        ends.append(words.replace(kept.content_sha256, "0" * 64))

    assert len(set(ends)) == 1
    assert "last words" in ends[0]
    assert '"state":"addended"' in ends[0]
