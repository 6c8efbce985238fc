"""Orders of an HL7 v2 message: ORC with OBR, TQ1, IPC and OBX of each. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final

from pydantic import TypeAdapter, ValidationError

from schemas.base import Uid
from schemas.facts import OrderCancelled, OrderPlaced
from schemas.group import Site
from schemas.mappings.record_codes import RecordCodes
from services.intake import order_identity, record_words
from services.intake.hl7_errors import ErrorCode, Hl7Refused, Place, missing
from services.intake.hl7_message import Hl7Message, Segment
from services.intake.hl7_patient import at, read_patient
from services.intake.hl7_times import moment

PLACING: Final = frozenset({"NW", "XO", "XX", "SN", "HD", "RL"})
CANCELLING: Final = frozenset({"CA", "OC", "DC", "OD"})
HEARD_ONLY: Final = frozenset({"SC", "SR", "NA", "OK"})
"""Order control codes (HL7 table 0119; from memory): new, changed and held orders are placed
(a held order may still be done, so it stays on the worklist), cancelled and discontinued ones
are cancelled; of a status or an answer we only take note, unless the status is cancelled."""

_UID: Final = TypeAdapter(Uid)


@dataclass(slots=True)
class OrderGroup:
    """The segments of one order."""

    orc: Segment
    others: list[Segment] = field(default_factory=list)

    def first(self, name: str) -> Segment | None:
        return next((segment for segment in self.others if segment.name == name), None)

    def all(self, name: str) -> list[Segment]:
        return [segment for segment in self.others if segment.name == name]


def order_groups(message: Hl7Message) -> tuple[list[Segment], list[OrderGroup]]:
    """Part a message into what stands before its first ORC, and one group from each ORC on."""
    before: list[Segment] = []
    groups: list[OrderGroup] = []
    for segment in message.segments:
        if segment.name == "ORC":
            groups.append(OrderGroup(segment))
        elif groups:
            groups[-1].others.append(segment)
        else:
            before.append(segment)
    return before, groups


def read_order(
    message: Hl7Message,
    group: OrderGroup,
    codes: RecordCodes,
    site: Site,
    told_at: datetime,
) -> OrderPlaced | OrderCancelled | None:
    """Read one order; None where its control code tells nothing that changes it.

    ``told_at`` is the message's time. The state's own time is ORC-9 where it is given; it
    becomes the revision. Raises Hl7Refused, or NotOurs.
    """
    orc = group.orc
    control = orc.required(1, expected="an order control code")
    if control in CANCELLING or (control == "SC" and orc.text(5) == "CA"):
        obr = group.first("OBR")
        if obr is not None:
            record_words.check_not_foreign(codes, "OBR-4", [obr.text(4), obr.text(4, 4)])
        reason = record_words.cut_text(orc.text(16, 2) or orc.text(16))
        return OrderCancelled(order_id=_order_id(group), reason=reason)
    if control in HEARD_ONLY:
        return None
    if control not in PLACING:
        known = ", ".join(sorted(PLACING | CANCELLING | HEARD_ONLY))
        raise Hl7Refused(orc.place(1), control, f"one of {known}")
    return _placed(message, group, codes, site, told_at)


def _placed(
    message: Hl7Message, group: OrderGroup, codes: RecordCodes, site: Site, told_at: datetime
) -> OrderPlaced:
    obr = group.first("OBR")
    if obr is None:
        raise missing(group.orc.place(1), "an OBR segment after the ORC of an order")
    told = [text for text in (obr.text(4), obr.text(4, 4)) if text]
    if not told:
        obr.required(4, expected="a code of what is ordered")
    with at(obr.place(4, 1)):
        plan = record_words.plan_of(codes, "OBR-4", told)
    observations = [segment for segment in message.segments if segment.name == "OBX"]
    patient = read_patient(message, codes, site, observations)
    order_id = _order_id(group)
    changed_at = moment(group.orc, 9, site.zone) or told_at
    ipc = group.first("IPC")
    return OrderPlaced(
        order_id=order_id,
        revision=order_identity.revision(changed_at),
        study_instance_uid=_study_uid(ipc) or order_identity.study_uid(site.name, order_id),
        accession_number=_accession_number(ipc) or order_identity.accession_number(order_id),
        patient=patient,
        plan=plan,
        room=_room(message, group, codes, site),
        scheduled_at=_start(group, obr, codes, site, changed_at),
        indication=_indication(obr),
        account=_account(message),
    )


def _order_id(group: OrderGroup) -> str:
    """Give the placer's number (ORC-2, OBR-2), or the filler's where there is none (ORC-3)."""
    obr = group.first("OBR")
    for segment, number in ((group.orc, 2), (obr, 2), (group.orc, 3), (obr, 3)):
        if segment is None or not segment.text(number):
            continue
        with at(segment.place(number), ErrorCode.DATA_TYPE):
            text = record_words.short_text(f"{segment.name}-{number}", segment.text(number))
        if text is not None:
            return text
    raise missing(group.orc.place(2), "the placer's order number")


def _study_uid(ipc: Segment | None) -> str | None:
    if ipc is None or not ipc.text(3):
        return None
    try:
        return _UID.validate_python(ipc.text(3))
    except ValidationError as error:
        expected = "a Study Instance UID: digits and dots, at most 64 characters"
        raise Hl7Refused(ipc.place(3), ipc.text(3), expected, ErrorCode.DATA_TYPE) from error


def _accession_number(ipc: Segment | None) -> str | None:
    if ipc is None or not ipc.text(1):
        return None
    text = ipc.text(1)
    if len(text) > order_identity.LONGEST_ACCESSION_NUMBER:
        expected = f"at most {order_identity.LONGEST_ACCESSION_NUMBER} characters"
        raise Hl7Refused(ipc.place(1), text, expected, ErrorCode.DATA_TYPE)
    return text


def _room(message: Hl7Message, group: OrderGroup, codes: RecordCodes, site: Site) -> str:
    """Map the step's location (IPC-8, IPC-7), else the patient's (PV1-3); the first told counts."""
    ipc, pv1 = group.first("IPC"), message.first("PV1")
    for segment, number in ((ipc, 8), (ipc, 7), (pv1, 3)):
        if segment is None:
            continue
        parts = [text for component in (1, 2, 3) if (text := segment.text(number, component))]
        if parts:
            with at(segment.place(number)):
                return record_words.room_of(codes, site, f"{segment.name}-{number}", parts)
    with at(Place("PV1", 3)):
        return record_words.room_of(codes, site, "PV1-3", [])


def _start(
    group: OrderGroup, obr: Segment, codes: RecordCodes, site: Site, changed_at: datetime
) -> datetime:
    """Find when it is planned: TQ1-7, ORC-7.4, OBR-27.4, OBR-36, OBR-6, in this order."""
    places: Sequence[tuple[Segment | None, int, int]] = (
        (group.first("TQ1"), 7, 1),
        (group.orc, 7, 4),
        (obr, 27, 4),
        (obr, 36, 1),
        (obr, 6, 1),
    )
    for segment, number, component in places:
        if segment is not None:
            start = moment(segment, number, site.zone, component, day_is_enough=True)
            if start is not None:
                return start
    if codes.start_when_none_told == "when_ordered":
        return changed_at
    raise missing(obr.place(36), "a planned start in TQ1-7, ORC-7.4, OBR-27.4, OBR-36 or OBR-6")


def _indication(obr: Segment) -> str | None:
    reasons = [
        obr.text(31, 2, repetition) or obr.text(31, 1, repetition)
        for repetition in range(1, obr.repetitions(31) + 1)
    ]
    return record_words.cut_text("; ".join(filter(None, reasons)) or obr.text(13))


def _account(message: Hl7Message) -> str | None:
    pid = message.one("PID")
    with at(pid.place(18), ErrorCode.DATA_TYPE):
        return record_words.short_text("PID-18", pid.text(18))
