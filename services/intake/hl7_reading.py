"""An HL7 v2 message read into facts, by the group's table. Pure: no clock, no store, no socket."""

from dataclasses import dataclass
from datetime import datetime
from typing import Final

from schemas.envelope import Payload
from schemas.facts import PatientDescribed, PatientMerged
from schemas.group import Site
from schemas.mappings.record_codes import RecordCodes
from services.intake.hl7_errors import ErrorCode, Hl7Refused, Place, missing
from services.intake.hl7_message import Hl7Message, Segment
from services.intake.hl7_orders import order_groups, read_order
from services.intake.hl7_patient import identifier, read_patient
from services.intake.hl7_times import moment
from services.intake.record_words import NotOurs

VERSIONS: Final = (
    "2.3",
    "2.3.1",
    "2.4",
    "2.5",
    "2.5.1",
    "2.6",
    "2.7",
    "2.7.1",
    "2.8",
    "2.8.1",
    "2.8.2",
)
"""Versions whose fields that are read here stand at the same places (from memory)."""

ORDERS: Final = {"ORM": "O01", "OMG": "O19", "OMI": "O23"}
DESCRIBING: Final = ("A01", "A04", "A08")
MERGING: Final = "A40"


@dataclass(frozen=True, slots=True)
class ReadFacts:
    """What a message told, when by its own clock, and that clock's reading as it was told."""

    facts: tuple[Payload, ...]
    occurred_at: datetime
    source_clock: str
    not_ours: int = 0


def read_facts(message: Hl7Message, codes: RecordCodes, site: Site) -> ReadFacts:
    """Read every fact of a message, all or none.

    Raises Hl7Refused, naming the place and the standard's code. What the group has listed as
    not ours makes no fact and is counted.
    """
    header = message.header
    kind, event = check_header(header)
    if kind != "ADT":
        told_at = _told_at(header, 7, site)
        return _read_orders(message, codes, site, told_at)
    evn = message.one("EVN")
    segment, field = (evn, 2) if evn.text(2) else (header, 7)
    occurred_at = _told_at(segment, field, site)
    clock = segment.text(field)[:64]
    if event == MERGING:
        return ReadFacts(_merges(message, codes), occurred_at, clock)
    observations = list(message.all("OBX"))
    try:
        patient = read_patient(message, codes, site, observations)
    except NotOurs:
        return ReadFacts((), occurred_at, clock, not_ours=1)
    return ReadFacts((PatientDescribed(patient=patient),), occurred_at, clock)


def check_header(header: Segment) -> tuple[str, str]:
    """Check type, event, processing id and version; give the first two (Hl7Refused)."""
    kind, event = header.required(9, expected="a message type"), header.text(9, 2)
    if kind not in {"ADT", *ORDERS}:
        raise Hl7Refused(
            header.place(9, 1),
            kind,
            f"one of ADT, {', '.join(ORDERS)}",
            ErrorCode.UNSUPPORTED_MESSAGE_TYPE,
        )
    events = (*DESCRIBING, MERGING) if kind == "ADT" else (ORDERS[kind],)
    if event not in events:
        expected = f"for {kind} one of {', '.join(events)}"
        raise Hl7Refused(header.place(9, 2), event, expected, ErrorCode.UNSUPPORTED_EVENT)
    if header.text(11) != "P":
        expected = "P: only production messages are taken here"
        raise Hl7Refused(
            header.place(11), header.text(11), expected, ErrorCode.UNSUPPORTED_PROCESSING_ID
        )
    if header.text(12) not in VERSIONS:
        expected = f"one of {', '.join(VERSIONS)}"
        raise Hl7Refused(header.place(12), header.text(12), expected, ErrorCode.UNSUPPORTED_VERSION)
    header.required(10, expected="a message control id")
    return kind, event


def _read_orders(
    message: Hl7Message, codes: RecordCodes, site: Site, told_at: datetime
) -> ReadFacts:
    _, groups = order_groups(message)
    if not groups:
        message.one("ORC")
    facts: list[Payload] = []
    not_ours = 0
    for group in groups:
        try:
            fact = read_order(message, group, codes, site, told_at)
        except NotOurs:
            not_ours += 1
        else:
            facts += [] if fact is None else [fact]
    return ReadFacts(tuple(facts), told_at, message.header.text(7)[:64], not_ours)


def _told_at(segment: Segment, field: int, site: Site) -> datetime:
    at = moment(segment, field, site.zone)
    if at is None:
        raise missing(segment.place(field), "the time of the message")
    return at


def _merges(message: Hl7Message, codes: RecordCodes) -> tuple[Payload, ...]:
    """Pair each PID with the MRG after it: the kept and the retired record."""
    facts: list[Payload] = []
    pid: Segment | None = None
    for segment in message.segments:
        if segment.name == "PID":
            pid = segment
        elif segment.name == "MRG":
            if pid is None:
                raise Hl7Refused(
                    segment.place(1), "", "a PID before it", ErrorCode.SEGMENT_SEQUENCE
                )
            kept, retired = identifier(pid, 3, codes), identifier(segment, 1, codes)
            if kept == retired:
                raise Hl7Refused(segment.place(1), retired, "another identifier than PID-3")
            facts.append(PatientMerged(kept_patient_id=kept, retired_patient_id=retired))
            pid = None
    if not facts:
        raise missing(Place("MRG", 1), "the retired identifier")
    return tuple(facts)
