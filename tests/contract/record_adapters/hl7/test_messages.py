"""What the messages to an HL7 v2 record say."""

from __future__ import annotations

import pytest

from schemas.conclusions import NoteState
from services.records.adapters.hl7 import Hl7Adapter
from services.records.port import (
    Rejected,
)
from services.records.suite import accepted
from services.records.suite.samples import STUDY, charge_posting, credit, entry, note, note_posting
from tests.record_stand_ins.mllp_server import MllpServer


class TestNotes:
    @pytest.mark.parametrize(
        ("state", "status", "kinds"),
        [
            (NoteState.DRAFT, "P", ["ORU"]),
            (NoteState.SIGNED, "F", ["ORU", "MDM"]),
            (NoteState.ADDENDED, "C", ["ORU", "MDM"]),
        ],
    )
    def test_a_note_is_reported_by_its_state_and_a_signed_one_is_a_document_too(
        self,
        mllp: MllpServer,
        adapter: Hl7Adapter,
        state: NoteState,
        status: str,
        kinds: list[str],
    ) -> None:
        text = "Line | one ^ two\n\\ ~ & Zahn犬 (invented)\n" * 900
        posting = note_posting(note(2, state, text=text))

        reference = accepted(adapter.post_note(posting))

        held = mllp.control()["notes"]
        assert [one["kind"] for one in held] == kinds
        assert (held[0]["status"], held[0]["observed"]) == (status, status)
        for one in held:
            assert one["text"].replace("\r", "\n") == text  # python-hl7 reads a line break so
            assert (one["number"], one["study_instance_uid"]) == (reference, STUDY)
        for document in held[1:]:
            assert (document["status"], document["availability"]) == ("AU", "AV")

    def test_a_record_that_takes_no_documents_gets_the_report_alone(self, mllp: MllpServer) -> None:
        adapter = mllp.adapter(documents="no")
        accepted(adapter.post_note(note_posting(note(1, NoteState.SIGNED))))
        adapter.close()
        assert [one["kind"] for one in mllp.control()["notes"]] == ["ORU"]


class TestCharacterSets:
    def test_latin_1_is_told_and_kept(self, mllp: MllpServer) -> None:
        adapter = mllp.adapter(character_set="8859/1")
        accepted(adapter.post_charge(charge_posting(entry(description="Zähne (invented)"))))
        adapter.close()
        (held,) = mllp.control()["lines"]
        assert held["description"] == "Zähne (invented)"
        assert mllp.messages()[0][0].split("|")[17] == "8859/1"

    def test_what_the_character_set_lacks_is_not_sent_garbled(self, mllp: MllpServer) -> None:
        adapter = mllp.adapter(character_set="8859/1")
        answer = adapter.post_charge(charge_posting(patient_id="P-犬"))
        adapter.close()
        assert isinstance(answer, Rejected)
        assert "8859/1 lacks '犬'" in answer.words
        assert mllp.messages() == []


def test_a_credit_names_its_charge_and_its_type(mllp: MllpServer, adapter: Hl7Adapter) -> None:
    accepted(adapter.post_charge(charge_posting(entry(1))))
    accepted(adapter.reverse_charge(charge_posting(credit(2, entry(1).posting_key))))

    fields = next(one for one in mllp.messages("DFT")[1] if one.startswith("FT1")).split("|")
    assert (fields[6], fields[11]) == ("CD", "38.00&EUR")
    assert len(fields[2]) <= 12
