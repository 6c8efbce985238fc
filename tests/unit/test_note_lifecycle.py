"""The life of a note: who may do what to it, when, and what never changes again."""

import json
from dataclasses import replace
from datetime import timedelta
from itertools import permutations
from types import MappingProxyType

import pytest

from schemas.conclusions import NoteState, StudyAssessed, StudyState, ViewStatus
from schemas.errors import InvalidInput
from schemas.facts.desk import (
    NoteAddended,
    NoteAmended,
    NoteSigned,
    PostingAnswered,
    PostingOutcome,
)
from schemas.group import Role
from services.notes.content import SignedNote, content_sha256
from services.notes.lifecycle import take_assessment, take_fact
from services.notes.note_file import Fact, NoteFile
from services.notes.note_now import NoteNow, note_now
from tests.assessed import GROUP, START, STUDY, assessed, image, message, patient, view

SITE = GROUP.site("north")
FIRST = assessed(1, [image(1)], views=(view(1),))


def _opened(file: NoteFile | None = None, study: StudyAssessed = FIRST) -> NoteFile:
    return take_assessment(file or NoteFile(), study, SITE)[0]


def _now(file: NoteFile) -> NoteNow:
    note = note_now(file, SITE)
    assert note is not None
    return note


def _amended(
    text: str, section: str = "findings-mandible-left", *, minute: int = 1, by: str = "vet-1"
) -> Fact:
    payload = NoteAmended(study_instance_uid=STUDY, section=section, text=text)
    return message(payload, person=by, at=START + timedelta(minutes=minute))


def _signed(
    file: NoteFile, *, by: str = "vet-1", sha256: str | None = None, minute: int = 30
) -> Fact:
    payload = NoteSigned(
        study_instance_uid=STUDY,
        note_sha256=sha256 or _now(file).content_sha256,
        signer=by,
        reauthenticated_at=START + timedelta(minutes=minute),
    )
    return message(payload, person=by, at=START + timedelta(minutes=minute))


def _addended(text: str = "Invented addendum.", *, minute: int = 60, by: str = "vet-1") -> Fact:
    at = START + timedelta(minutes=minute)
    payload = NoteAddended(study_instance_uid=STUDY, text=text, signer=by, reauthenticated_at=at)
    return message(payload, person=by, at=at)


def _answered(key: str, outcome: PostingOutcome = PostingOutcome.ACCEPTED) -> Fact:
    payload = PostingAnswered(posting_key=key, study_instance_uid=STUDY, outcome=outcome)
    return message(payload)


def _told(file: NoteFile, revision: int) -> NoteFile:
    """Do what the worker does when it has told a revision."""
    written = MappingProxyType({**file.written, revision: _now(file).digest})
    return NoteFile(file.assessment, file.facts, file.signed, written, file.accepted_revision)


def _text(note: NoteNow, section: str) -> str:
    return next(one.text for one in note.sections if one.section == section)


def test_the_example_of_a_signed_note_validates() -> None:
    for example in SignedNote.EXAMPLES:
        SignedNote.model_validate_json(json.dumps(example))


def test_there_is_no_note_before_its_study() -> None:
    assert note_now(NoteFile(), SITE) is None


def test_a_note_goes_from_draft_over_amended_signed_and_posted_to_addended() -> None:
    states = []
    file = _opened()
    states.append(_now(file).state)
    file = take_fact(file, _amended("Invented finding."), SITE)
    states.append(_now(file).state)
    file = _told(take_fact(file, _signed(file), SITE), 3)
    states.append(_now(file).state)
    file = take_fact(file, _answered(f"note:{STUDY}:3"), SITE)
    states.append(_now(file).state)
    file = take_fact(file, _addended(), SITE)
    states.append(_now(file).state)

    assert states == list(NoteState)


def test_a_prompt_is_filled_with_the_vets_words_alone() -> None:
    file = take_fact(_opened(), _amended("Invented finding."), SITE)

    assert _text(_now(file), "findings-mandible-left") == "Invented finding."


def test_a_correction_leaves_the_device_data_readable_and_current() -> None:
    file = take_fact(_opened(), _amended("One view is blurred.", "views"), SITE)
    assert "1 of 1 planned views" in _text(_now(file), "views")

    file = _opened(file, assessed(2, [image(1)], views=(view(1), view(2, ViewStatus.MISSING))))

    text = _text(_now(file), "views")
    assert text.startswith("One view is blurred.\n\n(Written by Invented Vet (vet-1).)")
    assert "1 of 2 planned views" in text
    assert "1 of 1" not in text


def test_a_region_that_was_not_planned_can_be_written_in_all_the_same() -> None:
    file = take_fact(_opened(), _amended("Invented words.", "findings-maxilla-right"), SITE)

    assert _text(_now(file), "findings-maxilla-right") == "Invented words."


@pytest.mark.parametrize("section", ["cautions", "patient", "weather"])
def test_such_a_section_cannot_be_amended(section: str) -> None:
    with pytest.raises(InvalidInput) as caught:
        take_fact(_opened(), _amended("x", section), SITE)

    assert caught.value.field == "payload.section"


@pytest.mark.parametrize("by", ["tech-1", "nobody"])
def test_only_a_vet_of_the_site_signs(by: str) -> None:
    file = _opened()

    with pytest.raises(InvalidInput) as caught:
        take_fact(file, _signed(file, by=by), SITE)

    assert caught.value.field == "payload.signer"
    assert "role vet" in caught.value.expected


def test_nobody_signs_or_addends_in_anothers_name() -> None:
    file = _opened()
    payload = _signed(file).payload

    with pytest.raises(InvalidInput) as caught:
        take_fact(file, message(payload, person="vet-2"), SITE)

    assert caught.value.field == "payload.signer"
    assert "vet-2" in caught.value.expected


def test_a_machine_cannot_amend() -> None:
    payload = _amended("x").payload

    with pytest.raises(InvalidInput) as caught:
        take_fact(_opened(), message(payload), SITE)

    assert caught.value.field == "source.kind"


def test_a_technician_cannot_amend() -> None:
    with pytest.raises(InvalidInput) as caught:
        take_fact(_opened(), _amended("x", by="tech-1"), SITE)

    assert caught.value.field == "source.name"


def test_a_signature_for_other_content_is_refused_with_the_hash_of_what_stands_now() -> None:
    file = _opened()
    read_before = _signed(file)
    file = take_fact(file, _amended("Invented finding."), SITE)

    with pytest.raises(InvalidInput) as caught:
        take_fact(file, read_before, SITE)

    assert caught.value.field == "payload.note_sha256"
    assert _now(file).content_sha256 in caught.value.expected


def test_a_signature_for_an_earlier_revision_says_which_one_it_was() -> None:
    file = _told(_opened(), 1)
    read_before = _signed(file)
    file = _told(take_fact(file, _amended("Invented finding."), SITE), 2)

    with pytest.raises(InvalidInput, match="that was revision 1 of the note, which has changed"):
        take_fact(file, read_before, SITE)
    with pytest.raises(InvalidInput, match="never told with that content"):
        take_fact(file, _signed(file, sha256="0" * 64), SITE)


@pytest.mark.parametrize("fact", ["signature", "addendum"])
def test_a_signature_without_proof_of_who_signs_is_refused(fact: str) -> None:
    file = _opened()
    told = _signed(file) if fact == "signature" else _addended()
    unproved = told.payload.model_copy(update={"reauthenticated_at": None})

    with pytest.raises(InvalidInput, match="sign again") as caught:
        take_fact(file, message(unproved, person="vet-1"), SITE)

    assert caught.value.field == "payload.reauthenticated_at"


def test_a_trainees_signature_leaves_a_draft_that_waits_for_a_vets() -> None:
    file = take_fact(_opened(), _amended("Invented finding.", by="trainee-1"), SITE)
    file = take_fact(file, _signed(file, by="trainee-1", minute=20), SITE)

    waiting = _now(file)
    assert (waiting.state, waiting.needs_cosign) == (NoteState.AMENDED, True)
    assert (waiting.signer, waiting.signed) == (None, None)
    signed = _now(take_fact(file, _signed(file), SITE))
    assert (signed.state, signed.needs_cosign, signed.signer) == (NoteState.SIGNED, False, "vet-1")
    assert [(one.signer, one.final) for one in signed.signatures] == [
        ("trainee-1", False),
        ("vet-1", True),
    ]


def test_a_trainees_signature_covers_a_changed_note_no_more() -> None:
    file = take_fact(_opened(), _signed(_opened(), by="trainee-1", minute=20), SITE)
    before = _now(file).content_sha256
    file = take_fact(file, _amended("Invented finding."), SITE)

    assert not _now(file).needs_cosign
    signed = _now(take_fact(file, _signed(file), SITE))
    trainee, vet = signed.signatures
    assert trainee.content_sha256 == before
    assert vet.content_sha256 == signed.content_sha256 != before


def test_a_trainee_signs_neither_other_content_nor_a_signed_note_nor_an_addendum() -> None:
    file = _opened()

    with pytest.raises(InvalidInput, match="read it again"):
        take_fact(file, _signed(file, by="trainee-1", sha256="0" * 64), SITE)
    file = take_fact(file, _signed(file), SITE)
    with pytest.raises(InvalidInput, match="has signed it"):
        take_fact(file, _signed(file, by="trainee-1"), SITE)
    with pytest.raises(InvalidInput, match="addendum is told by a vet"):
        take_fact(file, _addended(by="trainee-1"), SITE)


def test_a_vet_in_training_signs_as_a_trainee() -> None:
    both = GROUP.sites[0].people[0].model_copy(update={"roles": (Role.VET, Role.TRAINEE)})
    site = SITE.model_copy(update={"people": (both,)})

    note = note_now(take_fact(_opened(), _signed(_opened()), site), site)

    assert note is not None
    assert note.needs_cosign


def test_a_note_signed_before_signatures_were_kept_one_by_one_shows_its_own() -> None:
    file = take_fact(_opened(), _signed(_opened()), SITE)
    assert file.signed is not None
    old = SignedNote.model_validate(
        file.signed.model_dump(exclude={"signatures", "differences"}) | {"signatures": ()}
    )

    (only,) = _now(replace(file, signed=old)).signatures

    assert (only.signer, only.final, only.reauthenticated_at) == ("vet-1", True, None)


def test_the_hash_covers_text_title_order_and_prompt() -> None:
    sections = _now(_opened()).sections
    first = sections[0]
    variants = [
        sections,
        sections[::-1],
        (first.model_copy(update={"text": "other"}), *sections[1:]),
        (first.model_copy(update={"title": "other"}), *sections[1:]),
        (first.model_copy(update={"for_vet": True}), *sections[1:]),
    ]

    assert len({content_sha256(variant) for variant in variants}) == len(variants)


def test_after_signing_an_amendment_and_a_second_signature_are_refused() -> None:
    file = _opened()
    file = take_fact(file, _signed(file), SITE)

    with pytest.raises(InvalidInput, match="has signed it"):
        take_fact(file, _amended("too late"), SITE)
    with pytest.raises(InvalidInput, match="has signed it"):
        take_fact(file, _signed(file, by="vet-2"), SITE)


def test_after_signing_a_changed_study_proposes_an_addendum_and_changes_no_section() -> None:
    file = _opened()
    file = take_fact(file, _signed(file), SITE)
    before = _now(file)

    later = assessed(
        2,
        [image(1), image(2)],
        views=(view(1), view(2)),
        patient_id="P-2",
        patient=patient("P-2"),
    )
    after = _now(_opened(file, later))

    assert after.sections == before.sections
    assert after.content_sha256 == before.content_sha256
    assert (after.state, after.patient_id) == (NoteState.SIGNED, "P-1001")
    assert after.addendum_proposal is not None
    assert "no longer: 1 of 1 planned views" in after.addendum_proposal
    assert "now: 2 of 2 planned views" in after.addendum_proposal
    assert "now: Patient id P-2." in after.addendum_proposal


def test_a_study_that_says_the_same_after_signing_proposes_nothing() -> None:
    file = _opened()
    file = take_fact(file, _signed(file), SITE)

    after = _now(_opened(file, assessed(2, [image(1)], views=(view(1),), facts=("order:1001:2",))))

    assert after.addendum_proposal is None


def test_an_addendum_answers_the_proposal_until_the_study_changes_again() -> None:
    file = _opened()
    file = take_fact(file, _signed(file), SITE)
    file = _opened(file, assessed(2, [image(1)], views=(view(1), view(2))))

    file = take_fact(file, _addended("A further view was received."), SITE)

    note = _now(file)
    assert note.addendum_proposal is None
    assert [one.text for one in note.addenda] == ["A further view was received."]
    again = _now(_opened(file, assessed(3, [image(1)], views=(view(1),))))
    assert again.addendum_proposal is not None


def test_a_proposal_of_very_many_changes_is_cut_and_says_so() -> None:
    file = _opened()
    file = take_fact(file, _signed(file), SITE)
    many = tuple(view(number) for number in range(60))

    proposal = _now(_opened(file, assessed(2, views=many))).addendum_proposal

    assert proposal is not None
    assert len(proposal) <= 2_000
    assert "and more" in proposal


def test_an_addendum_before_the_signature_waits_for_it() -> None:
    file = take_fact(_opened(), _addended(), SITE)
    assert (_now(file).state, _now(file).addenda) == (NoteState.DRAFT, ())

    file = take_fact(file, _signed(file), SITE)

    assert _now(file).state is NoteState.ADDENDED


def test_a_rejected_posting_leaves_the_note_signed_and_due() -> None:
    file = _opened()
    file = _told(take_fact(file, _signed(file), SITE), 2)

    file = take_fact(file, _answered(f"note:{STUDY}:2", PostingOutcome.REJECTED), SITE)

    assert (_now(file).state, _now(file).due) == (NoteState.SIGNED, True)


def test_what_the_record_took_is_due_no_more_until_the_note_changes() -> None:
    file = _told(_opened(study=assessed(1, [image(1)], closed=True)), 1)
    assert _now(file).due

    file = take_fact(file, _answered(f"note:{STUDY}:1"), SITE)
    assert not _now(file).due

    assert _now(take_fact(file, _signed(file), SITE)).due


def test_an_accepted_draft_does_not_make_the_signed_note_posted() -> None:
    file = _told(_opened(study=assessed(1, [image(1)], closed=True)), 1)
    file = take_fact(file, _signed(file), SITE)

    file = take_fact(file, _answered(f"note:{STUDY}:1"), SITE)

    assert (_now(file).state, _now(file).due) == (NoteState.SIGNED, True)


@pytest.mark.parametrize("key", [f"note:{STUDY}:x", "note:2.25.9:1", "note:", f"note:{STUDY}:7"])
def test_an_answer_about_no_revision_of_ours_is_refused(key: str) -> None:
    with pytest.raises(InvalidInput) as caught:
        take_fact(_told(_opened(), 1), _answered(key), SITE)

    assert caught.value.field == "payload.posting_key"


def test_an_answer_about_a_charge_changes_nothing() -> None:
    file = _opened()

    assert take_fact(file, _answered(f"charge:{STUDY}:1"), SITE) is file


@pytest.mark.parametrize(
    ("values", "due"),
    [
        ({"closed": True}, True),
        ({"closed": False}, False),
        ({"closed": True, "training": True}, False),
        ({"closed": True, "state": StudyState.CANCELLED}, False),
    ],
)
def test_a_draft_is_due_once_real_work_is_closed(values: dict[str, object], due: bool) -> None:
    study = assessed(1).model_copy(update=values)

    assert _now(_opened(study=study)).due is due


def test_an_older_assessment_changes_nothing() -> None:
    file = _opened(study=assessed(2, [image(1)]))

    assert take_assessment(file, assessed(1), SITE) == (file, ())


def test_facts_in_any_order_and_doubled_give_the_same_note() -> None:
    facts = [
        _amended("first words", minute=1),
        _amended("last words", minute=2, by="vet-2"),
        _amended("other section", "interpretation", minute=1),
        _addended(),
    ]
    newer = assessed(2, [image(1), image(2)], views=(view(1), view(2)))
    notes = []
    everything: list[Fact | StudyAssessed] = [*facts, FIRST, newer]
    for order in permutations(everything):
        file = NoteFile()
        for told in [one for one in order for _ in range(2)]:
            if isinstance(told, StudyAssessed):
                file = _opened(file, told)
            else:
                file = take_fact(file, told, SITE)
        file = take_fact(file, _signed(file), SITE)
        notes.append(_now(file))

    assert _text(notes[0], "findings-mandible-left") == "last words"
    assert all(note == notes[0] for note in notes)


def test_facts_that_waited_for_their_study_count_in_the_order_in_which_they_occurred() -> None:
    words = _amended("Invented finding.")
    signature = _signed(take_fact(_opened(), words, SITE))

    for order in permutations([words, signature, _addended()]):
        file = NoteFile()
        for fact in order:
            file = take_fact(file, fact, SITE)
        file, refused = take_assessment(file, FIRST, SITE)

        assert refused == ()
        assert _now(file).state is NoteState.ADDENDED


def test_a_waiting_fact_that_does_not_fit_its_study_is_given_back() -> None:
    wrong = _signed(_opened(), sha256="0" * 64)
    file = take_fact(NoteFile(), wrong, SITE)

    file, refused = take_assessment(file, FIRST, SITE)

    assert [one.fact for one in refused] == [wrong]
    assert refused[0].error.field == "payload.note_sha256"
    assert _now(file).state is NoteState.DRAFT
    assert dict(file.facts) == {}
