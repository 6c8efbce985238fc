"""The patient of an HL7 v2 message: PID, NK1, and a weight among the OBX. Pure."""

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from datetime import datetime
from typing import Final

from schemas.errors import InvalidInput
from schemas.facts import Patient, Weight
from schemas.group import Site
from schemas.mappings.record_codes import RecordCodes
from services.intake import record_words
from services.intake.hl7_errors import ErrorCode, Hl7Refused, Place
from services.intake.hl7_message import Hl7Message, Segment
from services.intake.hl7_times import moment, whole_date

_NO_RESULT: Final = frozenset({"D", "W", "X"})
"""OBX-11 of HL7 table 0085: deleted, posted as wrong, cannot be obtained (from memory)."""


@contextmanager
def at(place: Place, code: ErrorCode = ErrorCode.TABLE_VALUE_NOT_FOUND) -> Iterator[None]:
    """Give an error of reading its place in the message."""
    try:
        yield
    except Hl7Refused:
        raise
    except InvalidInput as error:
        refused = Hl7Refused(place, "", error.expected, code)
        refused.value = error.value
        refused.args = (f"{place}: expected {error.expected}, got {error.value}",)
        raise refused from error


def read_patient(
    message: Hl7Message, codes: RecordCodes, site: Site, observations: Iterable[Segment]
) -> Patient:
    """Read the animal of a message. Raises Hl7Refused, or NotOurs by its species."""
    pid = message.one("PID")
    species_words = [text for text in (pid.text(35), pid.text(35, 2)) if text]
    if not species_words:
        pid.required(35, expected="a species")
    with at(pid.place(35)):
        species = record_words.species_of(codes, "PID-35", species_words)
    with at(pid.place(8)):
        sex, neutered = record_words.sex_of(codes, "PID-8", pid.text(8))
    with at(pid.place(36), ErrorCode.DATA_TYPE):
        breed = record_words.short_text("PID-36", pid.text(36, 2) or pid.text(36))
    return Patient(
        patient_id=identifier(pid, 3, codes),
        name=_name(pid, 5) or pid.required(5, expected="a name"),
        species=species,
        breed=breed,
        sex=sex,
        neutered=neutered,
        born_on=whole_date(pid, 7),
        weight=_weight(codes, site, observations),
        responsible_person=_responsible_person(message),
    )


def identifier(segment: Segment, field: int, codes: RecordCodes) -> str:
    """Give the patient identifier (CX) that counts: the only one, or that of our authority."""
    found = {}
    for repetition in range(1, segment.repetitions(field) + 1):
        number = segment.text(field, 1, repetition)
        if number:
            found[repetition] = number, segment.text(field, 4, repetition)
    place = segment.place(field)
    if not found:
        segment.required(field, expected="a patient identifier")
    wanted = codes.identifier_authorities
    numbers = {
        number
        for number, authority in found.values()
        if not wanted or authority in wanted or (not authority and len(found) == 1)
    }
    if len(numbers) != 1:
        expected = (
            "one identifier, or identifier_authorities in record_codes.yaml to choose by"
            if not wanted
            else f"one identifier whose authority (component 4) is {' or '.join(wanted)}"
        )
        shown = ", ".join(number for number, _ in found.values())
        raise Hl7Refused(place, shown, expected, ErrorCode.UNKNOWN_KEY)
    with at(place, ErrorCode.DATA_TYPE):
        text = record_words.short_text(str(place), numbers.pop())
    if text is None:
        raise Hl7Refused(place, "", "a patient identifier", ErrorCode.REQUIRED_FIELD_MISSING)
    return text


def _name(segment: Segment, field: int) -> str | None:
    """Join given and family name (XPN): for an animal the second is often its owner's."""
    parts = (segment.text(field, 2), segment.text(field, 1))
    with at(segment.place(field), ErrorCode.DATA_TYPE):
        return record_words.short_text(str(segment.place(field)), " ".join(parts))


def _responsible_person(message: Hl7Message) -> str | None:
    nk1 = message.first("NK1")
    return None if nk1 is None else _name(nk1, 2)


def _weight(codes: RecordCodes, site: Site, observations: Iterable[Segment]) -> Weight | None:
    """Read the newest weight; of several without a time, the last."""
    newest: tuple[datetime | None, Segment] | None = None
    for obx in observations:
        if obx.text(3) not in codes.weight_codes or obx.text(11) in _NO_RESULT:
            continue
        measured_at = moment(obx, 14, site.zone)
        if newest is None or newest[0] is None or (measured_at and measured_at >= newest[0]):
            newest = measured_at, obx
    if newest is None:
        return None
    obx = newest[1]
    value = obx.required(5, expected="a weight")
    unit = obx.required(6, expected="the unit of the weight")
    try:
        return record_words.weight_of(codes, "OBX-5", "OBX-6", value, unit)
    except record_words.NotMapped as error:
        raise Hl7Refused(obx.place(6), unit, error.expected) from error
    except InvalidInput as error:
        raise Hl7Refused(obx.place(5), value, error.expected, ErrorCode.DATA_TYPE) from error
