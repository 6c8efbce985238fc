"""The text of an HL7 v2 message: character sets, escapes, separators, and what is no message."""

from __future__ import annotations

import pytest

from services.intake.hl7_errors import ErrorCode, Hl7Refused
from services.intake.hl7_message import MOST_SEGMENTS, MOST_SEPARATORS, read_message
from services.intake.hl7_reading import read_facts
from tests.record_inputs.codes import codes, north
from tests.record_inputs.hl7_read import described, read, swapped
from tests.record_inputs.hl7_texts import adt, joined, pid


@pytest.mark.parametrize(
    ("character_set", "codec"), [("8859/1", "iso-8859-1"), ("UNICODE UTF-8", "utf-8")]
)
def test_a_name_is_read_in_the_character_set_that_is_told(character_set: str, codec: str) -> None:
    lines = swapped(adt(f18=character_set), "PID", pid(f5="Öwner^Mäxchen"))

    assert described(lines, codec).name == "Mäxchen Öwner"


def test_bytes_outside_the_character_set_are_refused() -> None:
    lines = swapped(adt(), "PID", pid(f5="Öwner"))

    with pytest.raises(Hl7Refused) as refusal:
        read(lines, "utf-8")
    assert (str(refusal.value.place), refusal.value.code) == ("MSH-18", ErrorCode.DATA_TYPE)


@pytest.mark.parametrize(
    ("told", "meant"),
    [
        (r"A\F\B", "A|B"),
        (r"A\S\B\T\C\R\D\E\E", "A^B&C~D\\E"),
        (r"A\X42\C", "ABC"),
        (r"A\X4243\C", "ABCC"),
        (r"A\H\B\N\C", "ABC"),
        (r"A\.br\B", "A B"),
        (r"A\.sp999999999\B", "A B"),
        (r"A\Zown\B", r"A\Zown\B"),
        (r"A\Q", r"A\Q"),
        ('""', None),
    ],
)
def test_escapes_are_read_as_the_characters_they_stand_for(told: str, meant: str | None) -> None:
    lines = swapped(adt(), "PID", pid(f36=f"^{told}"))

    assert described(lines).breed == meant


def test_escaped_bytes_that_are_no_text_are_refused_at_their_place() -> None:
    with pytest.raises(Hl7Refused, match="PID-36"):
        read(swapped(adt(f18="UNICODE UTF-8"), "PID", pid(f36=r"^\XFF\ ")), "utf-8")


@pytest.mark.parametrize("told", ["A\x00B", r"A\X00\B"])
def test_a_nul_character_is_refused_since_no_database_keeps_one(told: str) -> None:
    with pytest.raises(Hl7Refused, match="NUL"):
        read(swapped(adt(), "PID", pid(f36=f"^{told}")))


def test_other_separators_are_read_as_the_header_tells_them() -> None:
    lines = [
        line.replace("|", "!").replace("^", ":").replace("~", "*").replace("\\", "/")
        for line in adt()
    ]

    assert described(lines).name == "Pepper Owner"


@pytest.mark.parametrize(
    "start", [b"", b"PID|1", b"MSH", b"MSH|", b"MSH|^^^^", b"MSHaaaaa", b"MSH||||||"]
)
def test_what_is_no_message_is_refused(start: bytes) -> None:
    with pytest.raises(Hl7Refused):
        read_message(start)


def test_a_message_of_too_many_parts_is_refused_before_it_is_taken_apart() -> None:
    many_parts = joined([*adt(), "ZZZ|" + "&" * MOST_SEPARATORS])
    many_segments = joined(adt() + ["ZZZ"] * MOST_SEGMENTS)

    for body in (many_parts, many_segments):
        with pytest.raises(Hl7Refused, match="at most"):
            read_message(body)


def test_line_feeds_are_read_as_ends_of_segments() -> None:
    body = joined(adt()).replace(b"\r", b"\r\n")

    assert read_facts(read_message(body), codes(), north()).facts == read(adt()).facts
