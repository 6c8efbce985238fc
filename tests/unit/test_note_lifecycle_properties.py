"""What no order of facts can do to a note, shown on invented histories."""

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import timedelta
from random import Random
from types import MappingProxyType

from hypothesis import given, settings
from hypothesis import strategies as st

from schemas.conclusions import NoteState, StudyAssessed, ViewStatus
from schemas.errors import InvalidInput
from schemas.facts.desk import (
    NoteAddended,
    NoteAmended,
    NoteSigned,
    PostingAnswered,
    PostingOutcome,
)
from services.notes.content import content_sha256
from services.notes.lifecycle import take_assessment, take_fact
from services.notes.note_file import Fact, NoteFile
from services.notes.note_now import NoteNow, note_now
from tests.assessed import DOSE, GROUP, START, STUDY, assessed, image, message, patient, view

SITE = GROUP.site("north")
PEOPLE = st.sampled_from(["vet-1", "vet-2", "trainee-1", "tech-1"])
MINUTES = st.integers(0, 600)
PARTS = st.sampled_from(["views", "interpretation", "findings-mandible-left", "cautions"])
SIGNED_STATES = {NoteState.SIGNED, NoteState.POSTED, NoteState.ADDENDED}

ASSESSMENTS = st.builds(
    lambda revision, views, closed, kerma, who: assessed(
        revision,
        [image(number) for number in range(views)],
        views=(*(view(number) for number in range(views)), view(9, ViewStatus.MISSING)),
        closed=closed,
        dose=DOSE.model_copy(update={"kerma_mgy": kerma}),
        patient_id=who,
        patient=patient(who),
    ),
    st.integers(1, 30),
    st.integers(0, 3),
    st.booleans(),
    st.sampled_from([1.6, 3.2]),
    st.sampled_from(["P-1001", "P-2"]),
)
AMENDMENTS = st.builds(
    lambda part, text, by, minute: _told(
        NoteAmended(study_instance_uid=STUDY, section=part, text=text), by, minute
    ),
    PARTS,
    st.sampled_from(["first words", "other words", ""]),
    PEOPLE,
    MINUTES,
)
ADDENDA = st.builds(
    lambda by, minute: _told(
        NoteAddended(
            study_instance_uid=STUDY,
            text="Invented addendum.",
            signer=by,
            reauthenticated_at=START,
        ),
        by,
        minute,
    ),
    PEOPLE,
    MINUTES,
)
ANSWERS = st.builds(
    lambda revision, outcome, minute, words: message(
        PostingAnswered(
            posting_key=f"note:{STUDY}:{revision}",
            study_instance_uid=STUDY,
            outcome=outcome,
            words=words,
        ),
        at=START + timedelta(minutes=minute),
    ),
    st.integers(1, 12),
    st.sampled_from(PostingOutcome),
    MINUTES,
    st.sampled_from([None, "Invented words of the record."]),
)
# A signature is of what stands when it comes, or of something else: see _take.
SIGNATURES = st.tuples(PEOPLE, MINUTES, st.booleans())
STEPS = st.lists(
    st.one_of(ASSESSMENTS, AMENDMENTS, ADDENDA, ANSWERS, SIGNATURES), min_size=1, max_size=12
)


def _told(payload: NoteAmended | NoteAddended | NoteSigned, by: str, minute: int) -> Fact:
    return message(payload, person=by, at=START + timedelta(minutes=minute))


def _take(file: NoteFile, step: object) -> NoteFile:
    """Do what the worker does with one message; what is refused changes nothing."""
    try:
        if isinstance(step, StudyAssessed):
            file, _ = take_assessment(file, step, SITE)
        elif isinstance(step, tuple):
            file = take_fact(file, _signature(file, *step), SITE)
        else:
            file = take_fact(file, step, SITE)  # type: ignore[arg-type]
    except InvalidInput:
        return file
    now = note_now(file, SITE)
    if now is None or now.digest in file.written.values():
        return file
    written = MappingProxyType({**file.written, len(file.written) + 1: now.digest})
    return replace(file, written=written)


def _signature(file: NoteFile, by: str, minute: int, of_what_stands: bool) -> Fact:
    now = note_now(file, SITE)
    sha256 = now.content_sha256 if now and of_what_stands else "0" * 64
    payload = NoteSigned(
        study_instance_uid=STUDY, note_sha256=sha256, signer=by, reauthenticated_at=START
    )
    return _told(payload, by, minute)


def _history(steps: Sequence[object]) -> list[NoteNow]:
    file, notes = NoteFile(), []
    for step in steps:
        file = _take(file, step)
        now = note_now(file, SITE)
        if now is not None:
            notes.append(now)
    return notes


def _after(file: NoteFile, answers: Sequence[Fact]) -> NoteNow:
    for answer in answers:
        with suppress(InvalidInput):
            file = take_fact(file, answer, SITE)
    now = note_now(file, SITE)
    assert now is not None
    return now


def _content(note: NoteNow) -> bytes:
    return b"".join(section.model_dump_json().encode() for section in note.sections)


FIRST = assessed(1, [image(1)], views=(view(1),), closed=True)
AMENDED = (
    _told(NoteAmended(study_instance_uid=STUDY, section="interpretation", text="x"), "vet-1", 1),
)
ADDENDED = (
    _told(
        NoteAddended(study_instance_uid=STUDY, text="x", signer="vet-1", reauthenticated_at=START),
        "vet-1",
        60,
    ),
)


@settings(max_examples=150, deadline=None)
@given(STEPS, STEPS)
def test_no_later_fact_changes_a_byte_of_what_was_signed(
    before: list[object], after: list[object]
) -> None:
    notes = _history([FIRST, *before, ("vet-1", 30, True), *after])

    signed = [note for note in notes if note.signed is not None]

    assert signed, "the vet signed what stood"
    assert len({_content(note) for note in signed}) == 1
    assert len({(note.content_sha256, note.signer, note.patient_id) for note in signed}) == 1
    assert len({(note.signatures, note.differences) for note in signed}) == 1
    assert all(content_sha256(note.sections) == signed[0].content_sha256 for note in signed)


@settings(max_examples=150, deadline=None)
@given(STEPS)
def test_a_signed_note_is_never_a_draft_again_and_only_a_vet_makes_one(
    steps: list[object],
) -> None:
    notes = _history([FIRST, *steps])

    states = [note.state in SIGNED_STATES for note in notes]
    assert states == sorted(states)
    for note in notes:
        assert (note.signed is not None) == (note.state in SIGNED_STATES)
        assert note.signer in {None, "vet-1", "vet-2"}
        assert [one.final for one in note.signatures].count(True) == (note.signed is not None)
        assert {one.signer for one in note.signatures if not one.final} <= {"trainee-1"}


@settings(max_examples=100, deadline=None)
@given(ASSESSMENTS)
def test_a_changed_study_opens_a_proposal_exactly_where_the_draft_would_say_otherwise(
    later: StudyAssessed,
) -> None:
    unsigned = _history([FIRST, later])[-1]

    signed = _history([FIRST, ("vet-1", 30, True), later])[-1]

    assert (signed.addendum_proposal is not None) == (unsigned.sections != signed.sections)


@settings(max_examples=100, deadline=None)
@given(STEPS)
def test_every_told_signature_names_a_content_that_was_told(steps: list[object]) -> None:
    notes = _history([FIRST, *steps])

    told = {note.content_sha256 for note in notes}

    assert all(one.content_sha256 in told for note in notes for one in note.signatures)


@settings(max_examples=100, deadline=None)
@given(st.lists(ANSWERS, max_size=8), st.randoms())
def test_the_records_answers_in_any_order_and_doubled_give_the_same_note(
    answers: list[Fact], chance: Random
) -> None:
    file = NoteFile()
    for step in (FIRST, *AMENDED, ("vet-1", 30, True), *ADDENDED):
        file = _take(file, step)
    shuffled = [*answers, *answers]
    chance.shuffle(shuffled)

    ends = [_after(file, told) for told in (answers, shuffled)]

    assert ends[0] == ends[1]
    note = ends[0]
    assert note.task is None or not note.due, "what was refused waits for a person"
