"""Notes on their way to a patient record: what overtakes what."""

from __future__ import annotations

import pytest

from schemas.conclusions import NoteState
from schemas.envelope import Payload
from schemas.errors import InvalidInput
from services.records.suite.samples import STUDY, note
from tests.contract.records_line import Line


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


def test_a_draft_that_was_overtaken_on_its_way_is_known_to_be_in_the_record(line: Line) -> None:
    line.take(note(1))
    line.record.meanwhile.append(lambda: line.take(note(2)))

    line.post_all()

    assert line.states() == {f"note:{STUDY}:1": "posted", f"note:{STUDY}:2": "posted"}
    assert len(line.answers()) == 2


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
