"""The HL7 v2 adapter by the contract suite, against a stand-in record over real MLLP.

HL7 v2 cannot read back, so what the suite reads is looked up in the stand-in's own store. Every
message must please hl7apy's strict check there, or it is answered AE.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from schemas.conclusions import NoteState
from services.records.adapters.choose import open_record
from services.records.adapters.hl7 import Hl7Adapter
from services.records.port import (
    PatientRecord,
    RecordOptionError,
    RecordRefused,
    RecordUnavailable,
    Rejected,
)
from services.runtime.settings import RecordsSettings, Settings
from tests.certificates import Authority
from tests.contract.record_cases import RecordCases, accepted
from tests.contract.record_samples import (
    DAY,
    SITE,
    STUDY,
    charge_posting,
    correction_posting,
    credit,
    entry,
    note,
    note_posting,
)
from tests.record_stand_ins.mllp_server import MllpServer, read_by

MODES = ("enhanced", "original", "commit")


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[MllpServer]:
    made = MllpServer(tmp_path_factory.mktemp("mllp-record"))
    made.start()
    yield made
    made.kill()


@pytest.fixture
def mllp(server: MllpServer, tmp_path: Path) -> MllpServer:
    """The server, empty and well behaved again."""
    server.control(reset=True, wants_commit=False)
    server.folder = tmp_path
    return server


@pytest.fixture
def adapter(mllp: MllpServer) -> Iterator[Hl7Adapter]:
    made = mllp.adapter()
    yield made
    made.close()


class TestHl7Adapter(RecordCases):
    @pytest.fixture
    def record(self, mllp: MllpServer) -> Iterator[PatientRecord]:
        made = mllp.adapter(read_by(mllp))
        yield made
        made.close()

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


class TestOneConnection:
    def test_postings_share_a_connection_and_keep_their_order(
        self, mllp: MllpServer, adapter: Hl7Adapter
    ) -> None:
        for number in range(1, 6):
            accepted(adapter.post_charge(charge_posting(entry(number))))

        assert [one.posting_key for one in mllp.lines()] == [
            entry(number).posting_key for number in range(1, 6)
        ]
        assert mllp.control()["connections"] == 1

    def test_a_record_that_was_started_anew_is_reached_again(self, tmp_path: Path) -> None:
        server = MllpServer(tmp_path)
        server.start()
        adapter = server.adapter()
        try:
            accepted(adapter.post_charge(charge_posting(entry(1))))
            server.kill()
            with pytest.raises(RecordUnavailable):
                adapter.post_charge(charge_posting(entry(2)))
            assert not adapter.check().ok
            server.start()
            accepted(adapter.post_charge(charge_posting(entry(2))))
        finally:
            adapter.close()
            server.kill()


class TestAnswers:
    @pytest.mark.parametrize("mode", MODES)
    def test_each_mode_of_acknowledgement_takes_a_charge(self, mllp: MllpServer, mode: str) -> None:
        adapter = mllp.adapter(mode=mode)

        accepted(adapter.post_charge(charge_posting()))
        accepted(adapter.post_note(note_posting(note(1, NoteState.SIGNED))))
        adapter.close()

        wanted = {"enhanced": ["AL", "AL"], "original": ["", ""], "commit": ["AL", "NE"]}[mode]
        for lines in mllp.messages():
            assert lines[0].split("|")[14:16] == wanted

    @pytest.mark.parametrize("do", ["cut", "half", "cut_before", "stuck", "wrong_id_only"])
    def test_a_message_without_its_answer_goes_out_again_as_the_same(
        self, mllp: MllpServer, do: str
    ) -> None:
        adapter = mllp.adapter(timeout_s="1")
        mllp.fault(do)
        with pytest.raises(RecordUnavailable):
            adapter.post_charge(charge_posting())

        accepted(adapter.post_charge(charge_posting()))
        adapter.close()

        first, again = mllp.messages()
        assert first[0].split("|")[9] == again[0].split("|")[9]
        assert first[2:] == again[2:]
        assert len(mllp.lines()) == 1

    def test_a_commit_alone_is_no_answer_where_an_application_answer_was_asked_for(
        self, mllp: MllpServer
    ) -> None:
        adapter = mllp.adapter(timeout_s="1")
        mllp.fault("commit_only")
        with pytest.raises(RecordUnavailable, match="committed it, and gave no application answer"):
            adapter.post_charge(charge_posting())
        accepted(adapter.post_charge(charge_posting()))
        adapter.close()
        assert len(mllp.lines()) == 1

    @pytest.mark.parametrize("mode", MODES)
    @pytest.mark.parametrize("do", ["twice", "wrong_id", "noise"])
    def test_what_is_not_the_answer_to_a_message_is_not_taken_for_one(
        self, mllp: MllpServer, mode: str, do: str
    ) -> None:
        adapter = mllp.adapter(mode=mode)
        for number in range(1, 4):
            mllp.fault(do)
            accepted(adapter.post_charge(charge_posting(entry(number))))
        mllp.fault("refuse", code="CE" if mode == "commit" else "AE", words="no (invented)")

        assert isinstance(adapter.post_charge(charge_posting(entry(4))), Rejected)
        adapter.close()
        assert [one.posting_key for one in mllp.lines()] == [
            entry(number).posting_key for number in range(1, 4)
        ]

    @pytest.mark.parametrize("code", ["AE", "CE"])
    def test_a_refusal_is_told_in_the_records_words_and_released_under_a_new_id(
        self, mllp: MllpServer, adapter: Hl7Adapter, code: str
    ) -> None:
        mllp.fault("refuse", code=code, condition="103", words="code unknown here (invented)")

        answer = adapter.post_charge(charge_posting())

        assert isinstance(answer, Rejected)
        assert answer.words == f"DFT^P03: {code}: code unknown here (invented)"
        assert mllp.lines() == []
        # Released by a person: the stand-in would repeat its answer to the id that it refused.
        accepted(adapter.post_charge(charge_posting()))
        accepted(mllp.adapter().post_charge(charge_posting()))
        assert len(mllp.lines()) == 1

    @pytest.mark.parametrize(
        ("code", "condition", "error"),
        [
            ("AR", "207", RecordUnavailable),
            ("AR", "", RecordUnavailable),
            ("CR", "207", RecordUnavailable),
            ("AE", "206", RecordUnavailable),
            ("AR", "203", RecordRefused),
            ("CR", "202", RecordRefused),
        ],
    )
    def test_a_reject_that_is_not_for_the_content_only_delays(
        self,
        mllp: MllpServer,
        adapter: Hl7Adapter,
        code: str,
        condition: str,
        error: type[Exception],
    ) -> None:
        mllp.fault("refuse", code=code, condition=condition, words="not now (invented)")

        with pytest.raises(error, match=r"not now \(invented\)"):
            adapter.post_charge(charge_posting())

        assert mllp.lines() == []

    @pytest.mark.parametrize("code", ["AR", "CR"])
    def test_a_reject_for_the_content_goes_to_a_person(
        self, mllp: MllpServer, adapter: Hl7Adapter, code: str
    ) -> None:
        mllp.fault("refuse", code=code, condition="204", words="no such patient (invented)")
        answer = adapter.post_charge(charge_posting())
        assert answer == Rejected(f"DFT^P03: {code}: no such patient (invented)")

    def test_an_answer_that_asks_for_a_commit_gets_one(
        self, mllp: MllpServer, adapter: Hl7Adapter
    ) -> None:
        mllp.control(wants_commit=True)
        accepted(adapter.post_charge(charge_posting(entry(1))))
        accepted(adapter.post_charge(charge_posting(entry(2))))
        assert mllp.control()["courtesies"] >= 1


class TestARecordThatKnowsNothingAgain:
    """``resend: ask``: nothing leaves twice unless a person has released it."""

    @pytest.mark.parametrize("do", ["cut", "half", "cut_before", "commit_only", "wrong_id_only"])
    def test_a_charge_without_its_answer_goes_to_a_person(self, mllp: MllpServer, do: str) -> None:
        adapter = mllp.adapter(resend="ask", timeout_s="1")
        mllp.fault(do)
        with pytest.raises(RecordUnavailable):
            adapter.post_charge(charge_posting())

        again = mllp.adapter(resend="ask")
        answer = again.post_charge(charge_posting())

        assert isinstance(answer, Rejected)
        assert "release it again only if it does not" in answer.words
        assert len(mllp.messages()) == 1
        accepted(again.post_charge(charge_posting()))  # released
        first, second = (lines[0].split("|")[9] for lines in mllp.messages())
        assert first != second

    def test_what_it_has_taken_is_not_sent_again(self, mllp: MllpServer) -> None:
        for _ in range(3):
            adapter = mllp.adapter(resend="ask")
            accepted(adapter.post_charge(charge_posting()))
            adapter.close()
        assert len(mllp.messages()) == 1

    def test_what_it_has_put_off_or_never_got_is_sent_again(self, tmp_path: Path) -> None:
        server = MllpServer(tmp_path)
        adapter = server.adapter(resend="ask")
        with pytest.raises(RecordUnavailable):
            adapter.post_charge(charge_posting())
        server.start()
        try:
            server.fault("refuse", code="AR", condition="207", words="down (invented)")
            with pytest.raises(RecordUnavailable):
                adapter.post_charge(charge_posting())
            accepted(adapter.post_charge(charge_posting()))
        finally:
            adapter.close()
            server.kill()


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


@pytest.fixture(scope="module")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    return Authority(tmp_path_factory.mktemp("certificates") / "ca", "ca")


@pytest.fixture(scope="module")
def secured(authority: Authority, tmp_path_factory: pytest.TempPathFactory) -> Iterator[MllpServer]:
    files = (*authority.issue("record", "127.0.0.1"), authority.certificate)
    made = MllpServer(tmp_path_factory.mktemp("secured"), files)
    made.start()
    yield made
    made.kill()


class TestTls:
    def test_both_sides_show_a_certificate(self, authority: Authority, secured: MllpServer) -> None:
        certificate, key = authority.issue("gomphosis")
        adapter = secured.adapter(
            tls="yes",
            ca_file=str(authority.certificate),
            certificate_file=str(certificate),
            key_file=str(key),
        )
        assert adapter.check().ok, adapter.check().words
        for number in (1, 2):
            accepted(adapter.post_charge(charge_posting(entry(number))))
        adapter.close()
        assert len(secured.lines()) == 2

    def test_without_our_certificate_a_person_is_told(
        self, authority: Authority, secured: MllpServer
    ) -> None:
        adapter = secured.adapter(tls="yes", ca_file=str(authority.certificate))
        verdict = adapter.check()
        assert not verdict.ok
        assert "certificate_file" in verdict.words

    def test_a_record_of_another_authority_is_not_believed(
        self, secured: MllpServer, tmp_path: Path
    ) -> None:
        other = Authority(tmp_path / "other", "other")
        adapter = secured.adapter(tls="yes", ca_file=str(other.certificate))
        with pytest.raises(RecordRefused, match="ca_file"):
            adapter.post_charge(charge_posting())


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


class TestOptions:
    @pytest.mark.parametrize(
        ("option", "value"),
        [
            ("host", ""),
            ("host", "x" * 70),
            ("port", "0"),
            ("port", "2575.5"),
            ("mode", "INVENTED"),
            ("character_set", "8859/2"),
            ("processing_id", "X"),
            ("timeout_s", "soon"),
            ("tls", "maybe"),
            ("ca_file", "ca.pem"),
            ("codes", "/nowhere/codes.yaml"),
            ("invented", "1"),
        ],
    )
    def test_a_wrong_option_is_named(self, option: str, value: str) -> None:
        told = {"host": "record.invalid", "port": "2575"} | {option: value}
        with pytest.raises(RecordOptionError, match=rf"records\.options\.{option}"):
            Hl7Adapter(told)

    def test_the_settings_choose_it_by_name(self, tmp_path: Path) -> None:
        options = {"host": "record.invalid", "port": "2575"}
        settings = Settings(
            data_dir=tmp_path, records=RecordsSettings(adapter="hl7", options=options)
        )
        record = open_record(settings)
        assert isinstance(record, Hl7Adapter)
        record.close()


def test_a_credit_names_its_charge_and_its_type(mllp: MllpServer, adapter: Hl7Adapter) -> None:
    accepted(adapter.post_charge(charge_posting(entry(1))))
    accepted(adapter.reverse_charge(charge_posting(credit(2, entry(1).posting_key))))

    fields = next(one for one in mllp.messages("DFT")[1] if one.startswith("FT1")).split("|")
    assert (fields[6], fields[11]) == ("CD", "38.00&EUR")
    assert len(fields[2]) <= 12
