"""The HL7 v2 adapter by the contract suite, and by what HL7 v2 cannot do.

HL7 v2 cannot read back, so what the suite reads is looked up in the stand-in's own store. Every
message must please hl7apy's strict check there, or it is answered AE.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from schemas.conclusions import NoteState
from services.records.adapters.hl7 import Hl7Adapter
from services.records.port import (
    ChargePosting,
    NotePosting,
    PatientRecord,
    RecordRefused,
    Rejected,
)
from services.records.suite import RecordCases, accepted
from services.records.suite.given import Away, Open, Refuse
from services.records.suite.samples import (
    DAY,
    SITE,
    STUDY,
    charge_posting,
    correction_posting,
    entry,
    note,
    note_posting,
)
from tests.record_stand_ins.mllp_server import MllpServer, read_by


class TestHl7Adapter(RecordCases):
    @pytest.fixture
    def open_record(self, mllp: MllpServer) -> Open:
        return lambda: mllp.adapter(read_by(mllp))

    @pytest.fixture
    def refuse(self, mllp: MllpServer) -> Refuse:
        def refuse_next(_posting: ChargePosting | NotePosting, words: str) -> None:
            mllp.fault("refuse", code="AE", condition="103", words=words)

        return refuse_next

    @pytest.fixture
    def away(self, mllp: MllpServer) -> Away:
        @contextmanager
        def down() -> Iterator[None]:
            mllp.kill()
            yield
            mllp.start()

        return down

    @pytest.fixture
    def lose_next_answer(self, mllp: MllpServer) -> Callable[[], None]:
        return lambda: mllp.fault("cut")

    def test_while_the_record_is_away_nothing_is_said_of_what_it_holds(
        self, record: PatientRecord, away: Away
    ) -> None:
        pytest.skip("HL7 v2 never says what the record holds; see TestWhatHl7CannotDo")

    def test_a_correction_is_held_beside_the_line_that_it_corrects_and_once(
        self, record: PatientRecord
    ) -> None:
        """Only a record that is read back is ever corrected; this one says so, and sends none."""
        answer = record.correct_charge(correction_posting("L-1"))

        assert isinstance(answer, Rejected)
        assert "put L-1 right in the record by hand" in answer.words

    def test_a_correction_with_other_content_under_the_same_key_is_rejected(
        self, record: PatientRecord
    ) -> None:
        for _ in range(2):
            assert isinstance(record.correct_charge(correction_posting("L-1")), Rejected)
        assert list(record.read_lines(SITE, DAY, DAY)) == []


class TestWhatHl7CannotDo:
    def test_reading_back_is_refused_in_plain_words(self, adapter: Hl7Adapter) -> None:
        with pytest.raises(RecordRefused, match="HL7 v2 has no question for them"):
            adapter.read_charges(study_instance_uid=STUDY)
        with pytest.raises(RecordRefused, match="cannot"):
            adapter.read_lines(SITE, DAY, DAY)
        assert adapter.find_charge(charge_posting()) is None
        assert "cannot be read back" in adapter.check().words

    def test_a_credit_that_names_no_charge_is_not_sent(
        self, mllp: MllpServer, adapter: Hl7Adapter
    ) -> None:
        assert isinstance(adapter.reverse_charge(charge_posting(entry(1))), Rejected)
        assert mllp.messages() == []

    def test_a_code_that_the_record_has_no_name_for_goes_to_a_person(
        self, mllp: MllpServer, tmp_path: Path
    ) -> None:
        codes = tmp_path / "codes.yaml"
        codes.write_text(
            "charges: {INV-OTHER: INV-1}\nsites: {north: INV-N}\nstaff: {vet-1: S-1}\n"
        )
        adapter = mllp.adapter(codes=str(codes))
        answer = adapter.post_charge(charge_posting())
        assert isinstance(answer, Rejected)
        assert "no code for INV-IO-FIRST" in answer.words
        accepted(adapter.post_charge(charge_posting(entry(code="INV-OTHER"))))
        accepted(adapter.post_note(note_posting(note(1, NoteState.SIGNED))))
        adapter.close()
        (line,) = mllp.control()["lines"]
        assert (line["code"], line["site"]) == ("INV-1", "INV-N")
        (txa,) = [one for one in mllp.messages("MDM")[0] if one.startswith("TXA")]
        assert txa.split("|")[9] == "S-1"
        assert list(adapter.unmapped(["INV-IO-FIRST"], ["vet-2"], ["south"])) == [
            "charges.INV-IO-FIRST",
            "staff.vet-2",
            "sites.south",
        ]
