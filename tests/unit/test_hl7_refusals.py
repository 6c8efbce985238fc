"""What of an HL7 v2 message cannot be used is refused at its place."""

from __future__ import annotations

import pytest

from services.intake.hl7_answers import Verdict, verdict_of
from services.intake.hl7_errors import ErrorCode, Hl7Refused
from tests.record_inputs.hl7_read import read, swapped, without
from tests.record_inputs.hl7_texts import adt, header, merge, obr, obx, omg, omi, orc, pid, segment

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


def test_one_wrong_order_refuses_the_whole_message() -> None:
    lines = [*omg(), orc(number="2"), obr("2", "OTHER")]

    with pytest.raises(Hl7Refused, match=r"OBR\(2\)-4.1"):
        read(lines)
