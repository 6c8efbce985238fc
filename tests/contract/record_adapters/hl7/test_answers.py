"""What an HL7 v2 record answers, in each mode of acknowledgement, and what is sent again."""

from __future__ import annotations

from pathlib import Path

import pytest

from schemas.conclusions import NoteState
from services.records.adapters.hl7 import Hl7Adapter
from services.records.port import (
    RecordRefused,
    RecordUnavailable,
    Rejected,
)
from services.records.suite import accepted
from services.records.suite.samples import charge_posting, entry, note, note_posting
from tests.record_stand_ins.mllp_server import MllpServer

MODES = ("enhanced", "original", "commit")


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
