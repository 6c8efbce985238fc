"""What a record does with the revisions of a note: each has its own place, once."""

from __future__ import annotations

import pytest

from schemas.conclusions import NoteState
from services.records.port import PatientRecord, Rejected
from services.records.suite.given import Given, accepted
from services.records.suite.samples import note, note_posting


class NoteCases(Given):
    """``post_note``."""

    @pytest.mark.parametrize("state", [NoteState.DRAFT, NoteState.SIGNED, NoteState.ADDENDED])
    def test_a_note_is_taken_once_however_often_it_comes(
        self, record: PatientRecord, state: NoteState
    ) -> None:
        posting = note_posting(note(1, state))

        references = {accepted(record.post_note(posting)) for _ in range(3)}

        assert len(references) == 1

    def test_each_revision_of_a_note_has_its_own_place(self, record: PatientRecord) -> None:
        references = {
            accepted(record.post_note(note_posting(note(revision, state))))
            for revision, state in ((1, NoteState.DRAFT), (2, NoteState.SIGNED))
        }

        assert len(references) == 2

    def test_a_note_with_other_content_at_the_same_revision_is_rejected(
        self, record: PatientRecord
    ) -> None:
        signed = note_posting(note(2, NoteState.SIGNED))
        reference = accepted(record.post_note(signed))

        answer = record.post_note(note_posting(note(2, NoteState.SIGNED, text="Something else")))

        assert isinstance(answer, Rejected)
        assert accepted(record.post_note(signed)) == reference
