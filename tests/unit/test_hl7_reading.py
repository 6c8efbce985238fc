"""HL7 v2 messages read into facts: what is told, what is refused and where, and no crash ever."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from schemas.facts import OrderCancelled, OrderPlaced, PatientDescribed
from schemas.facts.order import Patient
from services.intake.hl7_answers import Verdict, answers, verdict_of
from services.intake.hl7_errors import ErrorCode, Hl7Refused
from services.intake.hl7_message import MOST_SEGMENTS, MOST_SEPARATORS, header_of, read_message
from services.intake.hl7_reading import ReadFacts, read_facts
from tests.record_inputs.codes import codes, north
from tests.record_inputs.hl7_texts import (
    PV1,
    adt,
    header,
    joined,
    merge,
    obr,
    obx,
    omg,
    omi,
    orc,
    orm,
    pid,
    segment,
)

AT = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)


def read(lines: list[str], codec: str = "ascii", **changes: Any) -> ReadFacts:
    return read_facts(read_message(joined(lines, codec)), codes(**changes), north())


def placed(lines: list[str], **changes: Any) -> OrderPlaced:
    (fact,) = read(lines, **changes).facts
    assert isinstance(fact, OrderPlaced)
    return fact


def described(lines: list[str], codec: str = "ascii", **changes: Any) -> Patient:
    (fact,) = read(lines, codec, **changes).facts
    assert isinstance(fact, PatientDescribed)
    return fact.patient


def swapped(lines: list[str], name: str, new: str) -> list[str]:
    return [new if line.startswith(name) else line for line in lines]


def without(lines: list[str], name: str) -> list[str]:
    return [line for line in lines if not line.startswith(name)]


REFUSED: list[tuple[str, list[str], str, ErrorCode]] = [
    (
        "order code",
        swapped(omg(), "OBR", obr(code="OTHER")),
        "OBR-4.1",
        ErrorCode.TABLE_VALUE_NOT_FOUND,
    ),
    (
        "no order code",
        swapped(omg(), "OBR", obr(code="")),
        "OBR-4",
        ErrorCode.REQUIRED_FIELD_MISSING,
    ),
    ("species", swapped(adt(), "PID", pid(f35="GOAT")), "PID-35", ErrorCode.TABLE_VALUE_NOT_FOUND),
    ("no species", swapped(adt(), "PID", pid(f35="")), "PID-35", ErrorCode.REQUIRED_FIELD_MISSING),
    ("sex", swapped(adt(), "PID", pid(f8="Q")), "PID-8", ErrorCode.TABLE_VALUE_NOT_FOUND),
    ("no id", swapped(adt(), "PID", pid(f3="")), "PID-3", ErrorCode.REQUIRED_FIELD_MISSING),
    ("two ids", swapped(adt(), "PID", pid(f3="P-1^^^A~P-2^^^B")), "PID-3", ErrorCode.UNKNOWN_KEY),
    ("long id", swapped(adt(), "PID", pid("P" * 65)), "PID-3", ErrorCode.DATA_TYPE),
    ("no name", swapped(adt(), "PID", pid(f5="")), "PID-5", ErrorCode.REQUIRED_FIELD_MISSING),
    ("birth date", swapped(adt(), "PID", pid(f7="20191399")), "PID-7", ErrorCode.DATA_TYPE),
    ("unit", swapped(adt(), "OBX", obx(unit="stone")), "OBX-6", ErrorCode.TABLE_VALUE_NOT_FOUND),
    ("weight", swapped(adt(), "OBX", obx("-3")), "OBX-5", ErrorCode.DATA_TYPE),
    ("weight text", swapped(adt(), "OBX", obx("heavy")), "OBX-5", ErrorCode.DATA_TYPE),
    ("weight nan", swapped(adt(), "OBX", obx("nan")), "OBX-5", ErrorCode.DATA_TYPE),
    ("control", omg("RP"), "ORC-1", ErrorCode.TABLE_VALUE_NOT_FOUND),
    (
        "no number",
        swapped(swapped(omg(), "ORC", "ORC|NW"), "OBR", obr(f2="")),
        "ORC-2",
        ErrorCode.REQUIRED_FIELD_MISSING,
    ),
    ("no detail", without(omg(), "OBR"), "ORC-1", ErrorCode.REQUIRED_FIELD_MISSING),
    ("no order", without(without(omg(), "OBR"), "ORC"), "ORC", ErrorCode.REQUIRED_FIELD_MISSING),
    ("no patient", without(omg(), "PID"), "PID", ErrorCode.REQUIRED_FIELD_MISSING),
    ("room", swapped(omg(), "PV1", "PV1|1|O|ELSEWHERE"), "PV1-3", ErrorCode.TABLE_VALUE_NOT_FOUND),
    ("no room", swapped(omg(), "PV1", "PV1|1|O"), "PV1-3", ErrorCode.TABLE_VALUE_NOT_FOUND),
    (
        "no visit",
        without(omg(), "PV1"),
        "PV1-3",
        ErrorCode.TABLE_VALUE_NOT_FOUND,
    ),
    (
        "no start",
        without(swapped(omg(), "OBR", obr(f36="")), "TQ1"),
        "OBR-36",
        ErrorCode.REQUIRED_FIELD_MISSING,
    ),
    ("start", swapped(omg(), "TQ1", segment("TQ1", {7: "tomorrow"})), "TQ1-7", ErrorCode.DATA_TYPE),
    (
        "study uid",
        swapped(omi(), "IPC", segment("IPC", {1: "A", 3: "1.2.x"})),
        "IPC-3",
        ErrorCode.DATA_TYPE,
    ),
    (
        "accession",
        swapped(omi(), "IPC", segment("IPC", {1: "A" * 17})),
        "IPC-1",
        ErrorCode.DATA_TYPE,
    ),
    ("no event time", swapped(adt(), "EVN", "EVN|A08|soon"), "EVN-2", ErrorCode.DATA_TYPE),
    (
        "merge with itself",
        swapped(merge(), "MRG", "MRG|P-1001"),
        "MRG-1",
        ErrorCode.TABLE_VALUE_NOT_FOUND,
    ),
    ("merge with nothing", without(merge(), "MRG"), "MRG-1", ErrorCode.REQUIRED_FIELD_MISSING),
    (
        "type",
        swapped(adt(), "MSH", header("SIU^S12")),
        "MSH-9.1",
        ErrorCode.UNSUPPORTED_MESSAGE_TYPE,
    ),
    ("event", swapped(adt(), "MSH", header("ADT^A99")), "MSH-9.2", ErrorCode.UNSUPPORTED_EVENT),
    ("processing id", adt(f11="T"), "MSH-11", ErrorCode.UNSUPPORTED_PROCESSING_ID),
    ("version", adt(f12="3.0"), "MSH-12", ErrorCode.UNSUPPORTED_VERSION),
    ("no control id", adt(control_id=""), "MSH-10", ErrorCode.REQUIRED_FIELD_MISSING),
    ("character set", adt(f18="EBCDIC"), "MSH-18", ErrorCode.TABLE_VALUE_NOT_FOUND),
    ("batch", [*adt(), header("ADT^A08")], "MSH(2)", ErrorCode.TABLE_VALUE_NOT_FOUND),
    ("segment name", [*adt(), "pid|1"], "MSH", ErrorCode.SEGMENT_SEQUENCE),
]


@pytest.mark.parametrize(
    ("lines", "place", "code"),
    [case[1:] for case in REFUSED],
    ids=[case[0] for case in REFUSED],
)
def test_what_cannot_be_used_is_refused_at_its_place(
    lines: list[str], place: str, code: ErrorCode
) -> None:
    with pytest.raises(Hl7Refused) as refusal:
        read(lines)

    assert (str(refusal.value.place), refusal.value.code) == (place, code)
    assert refusal.value.field == place
    assert refusal.value.expected


def test_only_what_is_not_for_us_at_all_is_rejected() -> None:
    rejected = {name for name, lines, _, code in REFUSED if verdict(lines) is Verdict.REJECT}

    assert rejected == {"type", "event", "processing id", "version"}


def verdict(lines: list[str]) -> Verdict:
    with pytest.raises(Hl7Refused) as refusal:
        read(lines)
    return verdict_of(refusal.value)


def test_what_is_listed_as_not_ours_is_heard_and_makes_no_fact() -> None:
    horse = read(swapped(adt(), "PID", pid(f35="EQUINE^Horse")))
    thorax = read(swapped(omg(), "OBR", obr(code="INV-THORAX")))

    assert (horse.facts, horse.not_ours) == ((), 1)
    assert (thorax.facts, thorax.not_ours) == ((), 1)


def test_one_message_may_carry_several_orders_and_each_has_its_own_start() -> None:
    lines = [
        header("OMG^O19^OMG_O19"),
        pid(),
        PV1,
        orc(number="1"),
        obr("1"),
        orc(number="2"),
        segment("TQ1", {7: "202603031000"}),
        obr("2"),
        orc("CA", number="3"),
        obr("3"),
    ]

    first, second, third = read(lines).facts

    assert isinstance(first, OrderPlaced)
    assert isinstance(second, OrderPlaced)
    assert (first.order_id, first.scheduled_at.day) == ("1", 2)
    assert (second.order_id, second.scheduled_at.day) == ("2", 3)
    assert third == OrderCancelled(order_id="3")


def test_one_wrong_order_refuses_the_whole_message() -> None:
    lines = [*omg(), orc(number="2"), obr("2", "OTHER")]

    with pytest.raises(Hl7Refused, match=r"OBR\(2\)-4.1"):
        read(lines)


def test_a_changed_order_has_a_higher_revision_in_whatever_order_it_comes() -> None:
    # given: the record's own times of the two states, to the tenth of a millisecond
    first = placed(swapped(omg(), "ORC", orc(f9="20260302090000.1234")))
    changed = placed(swapped(omg("XO"), "ORC", orc("XO", f9="20260302090000.1235")))

    # then
    assert changed.revision - first.revision == 100
    assert (
        first.revision == placed(swapped(omg(), "ORC", orc(f9="20260302080000.1234+0000"))).revision
    )
    assert changed.study_instance_uid == first.study_instance_uid


def test_two_sites_give_the_same_order_number_two_studies() -> None:
    ours = placed(omg())
    theirs_at = replace_site_name("south")
    message = read_message(joined(omg()))
    (theirs,) = read_facts(message, codes(), theirs_at).facts

    assert isinstance(theirs, OrderPlaced)
    assert theirs.study_instance_uid != ours.study_instance_uid


def replace_site_name(name: str) -> Any:
    return north().model_copy(update={"name": name})


def test_a_long_order_number_gets_a_short_accession_number_of_its_own() -> None:
    numbers = [
        placed([line.replace("1001^INVREC", f"{'9' * 20}{end}^INVREC") for line in omg()])
        for end in "12"
    ]

    assert len({order.accession_number for order in numbers}) == 2
    assert {len(order.accession_number) for order in numbers} == {16}


@pytest.mark.parametrize(
    ("control", "status", "facts"), [("SC", "CA", 1), ("SC", "IP", 0), ("SR", "", 0), ("NA", "", 0)]
)
def test_a_status_cancels_only_where_it_says_so(control: str, status: str, facts: int) -> None:
    told = read(swapped(omg(), "ORC", orc(control, f5=status)))

    assert len(told.facts) == facts


def test_the_newest_weight_counts_and_a_wrong_one_does_not() -> None:
    lines = [
        *without(adt(), "OBX"),
        obx("12", "kg", "202603011000", number=1),
        obx("11", "kg", "202602281000", number=2),
        segment("OBX", {2: "NM", 3: "29463-7", 5: "99", 6: "kg", 11: "W", 14: "202603021000"}),
    ]

    weight = described(lines).weight

    assert weight is not None
    assert (weight.value, weight.unit) == (12.0, "kg")


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


MESSAGES = [joined(lines()) for lines in (adt, merge, orm, omg, omi)]


@settings(max_examples=400, deadline=None)
@given(data=st.data())
def test_no_mutation_of_a_message_makes_reading_fail_otherwise_than_by_refusal(
    data: st.DataObject,
) -> None:
    body = bytearray(data.draw(st.sampled_from(MESSAGES)))
    for _ in range(data.draw(st.integers(1, 6))):
        place = data.draw(st.integers(0, len(body)))
        end = place + data.draw(st.integers(0, 12))
        body[place:end] = data.draw(
            st.one_of(
                st.binary(max_size=8),
                st.sampled_from([b"|", b"^", b"~", b"\\", b"&", b"\r", b"\\X", b"\\F\\", b'""']),
            )
        )
    try:
        told = read_facts(read_message(bytes(body)), codes(), north())
    except Hl7Refused as refusal:
        made = answers(None, verdict_of(refusal), [refusal], AT)
        assert read_message(made[0]).one("MSA").text(1) in {"AE", "AR"}
    else:
        for fact in told.facts:
            assert type(fact).model_validate_json(fact.model_dump_json()) == fact
            assert "\\u0000" not in fact.model_dump_json()
