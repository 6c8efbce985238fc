"""The life of a note: what may be done to it, when, and what never changes again."""

import json
from itertools import permutations

import pytest

from schemas.conclusions import NoteState, StudyAssessed, StudyState, ViewStatus
from schemas.errors import InvalidInput
from schemas.facts.desk import PostingOutcome
from services.notes.content import SignedNote
from services.notes.lifecycle import take_assessment, take_fact
from services.notes.note_file import Fact, NoteFile
from services.notes.note_now import note_now
from tests.assessed import STUDY, assessed, image, patient, view
from tests.note_facts import (
    FIRST,
    SITE,
    addendum,
    amendment,
    opened,
    record_answer,
    section_text,
    signature_under,
    standing,
    told_at,
)

REJECTED = PostingOutcome.REJECTED


def test_the_example_of_a_signed_note_validates() -> None:
    for example in SignedNote.EXAMPLES:
        SignedNote.model_validate_json(json.dumps(example))


def test_there_is_no_note_before_its_study() -> None:
    assert note_now(NoteFile(), SITE) is None


def test_a_note_goes_from_draft_over_amended_signed_and_posted_to_addended() -> None:
    states = []
    file = opened()
    states.append(standing(file).state)
    file = take_fact(file, amendment("Invented finding."), SITE)
    states.append(standing(file).state)
    file = told_at(take_fact(file, signature_under(file), SITE), 3)
    states.append(standing(file).state)
    file = take_fact(file, record_answer(f"note:{STUDY}:3"), SITE)
    states.append(standing(file).state)
    file = take_fact(file, addendum(), SITE)
    states.append(standing(file).state)

    assert states == list(NoteState)


def test_a_prompt_is_filled_with_the_vets_words_alone() -> None:
    file = take_fact(opened(), amendment("Invented finding."), SITE)

    assert section_text(standing(file), "findings-mandible-left") == "Invented finding."


def test_a_correction_leaves_the_device_data_readable_and_current() -> None:
    file = take_fact(opened(), amendment("One view is blurred.", "views"), SITE)
    assert "1 of 1 planned views" in section_text(standing(file), "views")

    file = opened(file, assessed(2, [image(1)], views=(view(1), view(2, ViewStatus.MISSING))))

    text = section_text(standing(file), "views")
    assert text.startswith("One view is blurred.\n\n(Written by Invented Vet (vet-1).)")
    assert "1 of 2 planned views" in text
    assert "1 of 1" not in text


def test_a_region_that_was_not_planned_can_be_written_in_all_the_same() -> None:
    file = take_fact(opened(), amendment("Invented words.", "findings-maxilla-right"), SITE)

    assert section_text(standing(file), "findings-maxilla-right") == "Invented words."


@pytest.mark.parametrize("section", ["cautions", "patient", "weather"])
def test_such_a_section_cannot_be_amended(section: str) -> None:
    with pytest.raises(InvalidInput) as caught:
        take_fact(opened(), amendment("x", section), SITE)

    assert caught.value.field == "payload.section"


def test_after_signing_an_amendment_and_a_second_signature_are_refused() -> None:
    file = opened()
    file = take_fact(file, signature_under(file), SITE)

    with pytest.raises(InvalidInput, match="has signed it"):
        take_fact(file, amendment("too late"), SITE)
    with pytest.raises(InvalidInput, match="has signed it"):
        take_fact(file, signature_under(file, by="vet-2"), SITE)


def test_after_signing_a_changed_study_proposes_an_addendum_and_changes_no_section() -> None:
    file = opened()
    file = take_fact(file, signature_under(file), SITE)
    before = standing(file)

    later = assessed(
        2,
        [image(1), image(2)],
        views=(view(1), view(2)),
        patient_id="P-2",
        patient=patient("P-2"),
    )
    after = standing(opened(file, later))

    assert after.sections == before.sections
    assert after.content_sha256 == before.content_sha256
    assert (after.state, after.patient_id) == (NoteState.SIGNED, "P-1001")
    assert after.addendum_proposal is not None
    assert "no longer: 1 of 1 planned views" in after.addendum_proposal
    assert "now: 2 of 2 planned views" in after.addendum_proposal
    assert "now: Patient id P-2." in after.addendum_proposal


def test_a_study_that_says_the_same_after_signing_proposes_nothing() -> None:
    file = opened()
    file = take_fact(file, signature_under(file), SITE)

    after = standing(
        opened(file, assessed(2, [image(1)], views=(view(1),), facts=("order:1001:2",)))
    )

    assert after.addendum_proposal is None


def test_an_addendum_answers_the_proposal_until_the_study_changes_again() -> None:
    file = opened()
    file = take_fact(file, signature_under(file), SITE)
    file = opened(file, assessed(2, [image(1)], views=(view(1), view(2))))

    file = take_fact(file, addendum("A further view was received."), SITE)

    note = standing(file)
    assert note.addendum_proposal is None
    assert [one.text for one in note.addenda] == ["A further view was received."]
    again = standing(opened(file, assessed(3, [image(1)], views=(view(1),))))
    assert again.addendum_proposal is not None


def test_a_proposal_of_very_many_changes_is_cut_and_says_so() -> None:
    file = opened()
    file = take_fact(file, signature_under(file), SITE)
    many = tuple(view(number) for number in range(60))

    proposal = standing(opened(file, assessed(2, views=many))).addendum_proposal

    assert proposal is not None
    assert len(proposal) <= 2_000
    assert "and more" in proposal


def test_an_addendum_before_the_signature_waits_for_it() -> None:
    file = take_fact(opened(), addendum(), SITE)
    assert (standing(file).state, standing(file).addenda) == (NoteState.DRAFT, ())

    file = take_fact(file, signature_under(file), SITE)

    assert standing(file).state is NoteState.ADDENDED


def test_a_refused_note_is_a_task_in_the_records_words_and_waits_for_a_person() -> None:
    file = opened()
    file = told_at(take_fact(file, signature_under(file), SITE), 2)
    key = f"note:{STUDY}:2"

    file = take_fact(file, record_answer(key, REJECTED, words="No such patient"), SITE)

    note = standing(file)
    assert (note.state, note.due) == (NoteState.SIGNED, False)
    assert note.task is not None
    assert (note.task.posting_key, note.task.words) == (key, "No such patient")
    assert "note_released" in note.task.next_action


def test_a_refusal_without_words_says_so() -> None:
    file = told_at(opened(), 1)

    file = take_fact(file, record_answer(f"note:{STUDY}:1", REJECTED), SITE)

    task = standing(file).task
    assert task is not None
    assert task.words == "(the record gave no reason)"


def test_of_two_answers_to_a_revision_the_later_one_counts_whenever_it_comes() -> None:
    file = opened()
    file = told_at(take_fact(file, signature_under(file), SITE), 2)
    key = f"note:{STUDY}:2"
    refused = record_answer(key, REJECTED, words="Locked (invented)", minute=1)
    taken = record_answer(key, minute=2)
    refused_late = record_answer(key, REJECTED, words="Account closed (invented)", minute=3)

    in_turn = take_fact(take_fact(file, refused, SITE), taken, SITE)
    late = take_fact(take_fact(file, taken, SITE), refused, SITE)
    taken_back = take_fact(late, refused_late, SITE)

    assert standing(in_turn) == standing(late)
    assert (standing(late).state, standing(late).task) == (NoteState.POSTED, None)
    note = standing(taken_back)
    assert (note.state, note.due) == (NoteState.SIGNED, False)
    assert note.task is not None
    assert note.task.words == "Account closed (invented)"


def test_a_note_that_says_something_new_after_a_refusal_is_due_by_itself() -> None:
    file = opened()
    file = told_at(take_fact(file, signature_under(file), SITE), 2)
    file = take_fact(file, record_answer(f"note:{STUDY}:2", REJECTED), SITE)

    file = take_fact(file, addendum(), SITE)

    assert (standing(file).due, standing(file).task) == (True, None)


def test_what_the_record_took_is_due_no_more_until_the_note_changes() -> None:
    file = told_at(opened(study=assessed(1, [image(1)], closed=True)), 1)
    assert standing(file).due

    file = take_fact(file, record_answer(f"note:{STUDY}:1"), SITE)
    assert not standing(file).due

    assert standing(take_fact(file, signature_under(file), SITE)).due


def test_an_accepted_draft_does_not_make_the_signed_note_posted() -> None:
    file = told_at(opened(study=assessed(1, [image(1)], closed=True)), 1)
    file = take_fact(file, signature_under(file), SITE)

    file = take_fact(file, record_answer(f"note:{STUDY}:1"), SITE)

    assert (standing(file).state, standing(file).due) == (NoteState.SIGNED, True)


@pytest.mark.parametrize("key", [f"note:{STUDY}:x", "note:2.25.9:1", "note:", f"note:{STUDY}:7"])
def test_an_answer_about_no_revision_of_ours_is_refused(key: str) -> None:
    with pytest.raises(InvalidInput) as caught:
        take_fact(told_at(opened(), 1), record_answer(key), SITE)

    assert caught.value.field == "payload.posting_key"


def test_an_answer_about_a_charge_changes_nothing() -> None:
    file = opened()

    assert take_fact(file, record_answer(f"charge:{STUDY}:1"), SITE) is file


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

    assert standing(opened(study=study)).due is due


def test_an_older_assessment_changes_nothing() -> None:
    file = opened(study=assessed(2, [image(1)]))

    assert take_assessment(file, assessed(1), SITE) == (file, ())


def test_facts_in_any_order_and_doubled_give_the_same_note() -> None:
    facts = [
        amendment("first words", minute=1),
        amendment("last words", minute=2, by="vet-2"),
        amendment("other section", "interpretation", minute=1),
        addendum(),
    ]
    newer = assessed(2, [image(1), image(2)], views=(view(1), view(2)))
    notes = []
    everything: list[Fact | StudyAssessed] = [*facts, FIRST, newer]
    for order in permutations(everything):
        file = NoteFile()
        for told in [one for one in order for _ in range(2)]:
            if isinstance(told, StudyAssessed):
                file = opened(file, told)
            else:
                file = take_fact(file, told, SITE)
        file = take_fact(file, signature_under(file), SITE)
        notes.append(standing(file))

    assert section_text(notes[0], "findings-mandible-left") == "last words"
    assert all(note == notes[0] for note in notes)


def test_facts_that_waited_for_their_study_count_in_the_order_in_which_they_occurred() -> None:
    words = amendment("Invented finding.")
    by_vet = signature_under(take_fact(opened(), words, SITE))

    for order in permutations([words, by_vet, addendum()]):
        file = NoteFile()
        for fact in order:
            file = take_fact(file, fact, SITE)
        file, refused = take_assessment(file, FIRST, SITE)

        assert refused == ()
        assert standing(file).state is NoteState.ADDENDED


def test_a_waiting_fact_that_does_not_fit_its_study_is_given_back() -> None:
    wrong = signature_under(opened(), sha256="0" * 64)
    file = take_fact(NoteFile(), wrong, SITE)

    file, refused = take_assessment(file, FIRST, SITE)

    assert [one.fact for one in refused] == [wrong]
    assert refused[0].error.field == "payload.note_sha256"
    assert standing(file).state is NoteState.DRAFT
    assert dict(file.facts) == {}
