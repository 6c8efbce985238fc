"""The answers that the sender of an HL7 v2 message gets."""

from __future__ import annotations

import pytest

from services.intake.hl7_answers import Verdict, answers
from services.intake.hl7_errors import Hl7Refused
from services.intake.hl7_message import header_of, read_message
from tests.record_inputs.hl7_read import AT, read, swapped
from tests.record_inputs.hl7_texts import adt, header, joined, pid


@pytest.mark.parametrize(
    ("accept", "application", "verdict_told", "expected"),
    [
        ("", "", Verdict.ACCEPT, ["AA"]),
        ("", "", Verdict.ERROR, ["AE"]),
        ("", "", Verdict.REJECT, ["AR"]),
        ("AL", "NE", Verdict.ACCEPT, ["CA"]),
        ("AL", "", Verdict.ERROR, ["CE"]),
        ("AL", "AL", Verdict.REJECT, ["CR", "AR"]),
        ("ER", "SU", Verdict.ACCEPT, ["AA"]),
        ("ER", "SU", Verdict.ERROR, ["CE"]),
        ("NE", "NE", Verdict.ERROR, []),
        ("", "AL", Verdict.ACCEPT, ["AA"]),
    ],
)
def test_the_sender_gets_the_answers_that_it_asked_for(
    accept: str, application: str, verdict_told: Verdict, expected: list[str]
) -> None:
    told = header_of(joined(adt(f15=accept, f16=application)))

    made = answers(told, verdict_told, [], AT)

    assert [read_message(one).one("MSA").text(1) for one in made] == expected
    assert {read_message(one).one("MSA").text(2) for one in made} <= {"INV-1"}


@pytest.mark.parametrize("told", ["\xd2x", "Z", "~", ""])
def test_an_answer_to_an_odd_processing_id_is_still_an_answer(told: str) -> None:
    asked = header_of(joined([header("ADT^A08", f11=told)], "iso-8859-1"))

    (answer,) = answers(asked, Verdict.REJECT, [], AT)

    assert read_message(answer).header.text(11) == "P"


def test_an_answer_is_written_in_the_sender_s_character_set() -> None:
    told = header_of(joined(adt(f18="8859/1")))
    with pytest.raises(Hl7Refused) as refusal:
        read(swapped(adt(f18="8859/1"), "PID", pid(f8="weiß")), "iso-8859-1")

    (made,) = answers(told, Verdict.ERROR, [refusal.value], AT)

    assert "weiß" in read_message(made).one("ERR").text(8)
