"""What we post by HL7 v2.5.1, held against two libraries that are not ours.

hl7apy carries the standard's structures, required fields and tables; python-hl7 reads values.
FT1-2 holds 12 characters and MSH-10 holds 20 (v2.5.1 chapters 6 and 2; from memory).
"""

from __future__ import annotations

from datetime import UTC, date, datetime

import hl7
import pytest
from hl7apy.v2_5_1.tables import TABLES
from hypothesis import example, given, settings
from hypothesis import strategies as st

from services.records.adapters import hl7_answer
from services.records.adapters.hl7_messages import (
    Outgoing,
    charge_message,
    document_message,
    report_message,
)
from services.records.adapters.hl7_options import Hl7Options, Mode, read_options
from services.records.adapters.hl7_text import CODECS, escaped, formatted, shortened, unescaped
from services.records.port import STATUS_OF_NOTE, Rejected
from services.records.suite.samples import charge_posting, credit, entry, note, note_posting
from tests.record_stand_ins.mllp_record import faults_of

AT = datetime(2026, 3, 2, 10, 0, 1, tzinfo=UTC)
WORDS = 'A|B^C~D\\E&F "quoted" Žuželka-犬\N{CAT FACE}\x1c\x0b (invented)'


def options(**changes: str) -> Hl7Options:
    return read_options(
        {"host": "record.invalid", "port": "2575", "patient_authority": "INV"} | changes
    )


def messages(**changes: str) -> list[Outgoing]:
    told = options(**changes)
    moved = charge_posting(entry(1, description=WORDS), moved_to=date(2026, 4, 1), patient_id=WORDS)
    long = charge_posting(entry(7, description=WORDS * 9))
    plain = charge_posting(entry(1), account=None, accession_number=None)
    notes = [
        note_posting(note(revision, state, text=WORDS))
        for revision, state in enumerate(STATUS_OF_NOTE, 1)
    ]
    return [
        charge_message(moved, "INV-1", told),
        charge_message(long, "INV-1", told),
        charge_message(plain, "INV-1", told),
        charge_message(charge_posting(credit(2, entry(1).posting_key)), "INV-1", told),
        *(report_message(one, told) for one in notes),
        *(document_message(one, told) for one in notes if one.note.signer),
    ]


@pytest.mark.parametrize("mode", Mode)
def test_every_message_is_valid_by_the_standards_structures(mode: Mode) -> None:
    for one in messages(mode=mode):
        body = one.written(options(mode=mode), AT).decode()
        assert faults_of(body) == [], body


def test_a_message_without_a_required_field_is_found_out() -> None:
    body = messages()[0].written(options(), AT).decode()
    for lost, put in (("|CG|", "||"), ("\rPID|1|", "\rPID|1||||"), ("|CG|", "|INVENTED|")):
        assert lost in body
        assert faults_of(body.replace(lost, put, 1)) != []


def test_the_other_library_reads_every_required_field_of_a_charge() -> None:
    read = hl7.parse(messages()[0].written(options(), AT).decode())
    msh, evn, pid, ft1 = (read.segment(name) for name in ("MSH", "EVN", "PID", "FT1"))
    assert (str(msh[9]), str(msh[12]), str(msh[18])) == (
        "DFT^P03^DFT_P03",
        "2.5.1",
        "UNICODE UTF-8",
    )
    assert len(str(msh[10])) == 20
    assert str(evn[2]) == "20260302100001+0000"
    assert read.unescape(str(pid[3][0][0])) == WORDS
    assert str(pid[3][0][3]) == "INV"
    assert len(str(ft1[2])) == 12
    assert [str(ft1[number]) for number in (4, 5, 6)] == ["20260302", "20260401", "CG"]
    assert str(ft1[7][0][0]) == "INV-1"
    assert read.unescape(str(ft1[7][0][1])) == WORDS
    assert (str(ft1[10]), str(ft1[11])) == ("1", "38.00&EUR")


def test_codes_are_of_the_standards_tables() -> None:
    in_table = {number: set(TABLES[f"HL7{number}"][1]) for number in ("0008", "0211", "0357")}
    assert in_table["0008"] == hl7_answer.CODES
    assert set(CODECS) <= in_table["0211"]
    conditions = hl7_answer._OF_CONTENT | hl7_answer._OF_SET_UP
    assert conditions | {"206"} <= in_table["0357"]
    for number, code in (("0017", "CG"), ("0017", "CD"), ("0270", "DI"), ("0271", "AU")):
        assert code in TABLES[f"HL7{number}"][1]
    for number in ("0085", "0123"):
        assert {"P", "F", "C"} <= set(TABLES[f"HL7{number}"][1])
    assert "AV" in TABLES["HL70273"][1]


@settings(max_examples=60, deadline=None)
@given(text=st.text(st.characters(codec="utf-8"), max_size=40))
@example(text=WORDS)
@example(text='""')
@example(text="\\X41\\ a\\F\\b")
def test_any_text_is_read_back_as_it_was(text: str) -> None:
    written = escaped(text)
    assert not set("|^~&\r\n\x0b\x1c") & set(written)
    assert unescaped(written) == text
    assert hl7.parse("MSH|^~\\&|A\r").unescape(written) == text
    assert len(shortened(text, 20)) <= 20


@settings(max_examples=150, deadline=None)
@given(
    at=st.integers(0, 120),
    put=st.binary(max_size=6),
    lost=st.integers(0, 40),
)
def test_no_bytes_of_an_answer_break_its_reader(at: int, put: bytes, lost: int) -> None:
    body = (ACK.format(code="AE") + "ERR||PID^1^3|204^Unknown^HL70357|E||||Words\r").encode()
    told = hl7_answer.read_answer(body[:at] + put + body[at + lost :])
    assert told is None or told.code in hl7_answer.CODES


@pytest.mark.parametrize("text", [WORDS, '""', "\r\n", "\\X41\\", "a\\F\\b", " kept "])
def test_escaped_text_is_read_by_the_other_library_as_it_was(text: str) -> None:
    written = escaped(text)
    assert not set("|^~&\r\n\x0b\x1c") & set(written)
    assert hl7.parse("MSH|^~\\&|A\r").unescape(written) == text
    assert unescaped(written) == text
    assert unescaped(formatted(text)) == text.replace("\r\n", "\n")


def test_the_same_content_has_one_id_and_any_other_content_another() -> None:
    ids = [one.control_id() for one in messages()]
    assert ids == [one.control_id() for one in messages()]
    assert len(set(ids)) == len(ids)
    assert messages()[0].control_id(1) not in ids
    mapped = charge_message(charge_posting(entry(1)), "INV-2", options(patient_authority="INV-2"))
    plain = charge_message(charge_posting(entry(1)), "INV-1", options())
    assert mapped.control_id() == plain.control_id()


ACK = "MSH|^~\\&|INV|||||||INV-1|P|2.5.1||||||UNICODE UTF-8\rMSA|{code}|ID-1|Not so\\F\\\r"


def test_an_answer_of_the_standards_form_is_read() -> None:
    body = (
        ACK.format(code="AE")
        + "ERR||PID^1^3|204^Unknown key identifier^HL70357|E||||Kein Tier: Bär\r"
    )
    told = hl7_answer.read_answer(body.encode())
    assert told is not None
    assert (told.code, told.control_id, told.conditions) == ("AE", "ID-1", ("204",))
    assert told.refusal() == Rejected("AE: Not so|; Kein Tier: Bär")


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"MSH|^~\\&",
        b"MSH|^~\\&|\rMSA",
        b"MSH|^~\\&|\rMSA|AA",
        b"MSH|^~\\&|\rMSA|XX|ID-1",
        b"MSH|^~\\&|\r" + b"|" * 5_000,
        b"\xff" * 100,
        ACK.format(code="AA").replace("MSA", "MSB").encode(),
    ],
)
def test_what_is_no_answer_is_none(body: bytes) -> None:
    assert hl7_answer.read_answer(body) is None
