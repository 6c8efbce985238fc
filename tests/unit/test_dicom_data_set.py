"""A request's data set is read whole, or refused by name in bounded memory.

Encodings of DICOM PS3.5 section 7 (from memory); the requests are pynetdicom's own.
"""

from __future__ import annotations

import struct
import tracemalloc
from io import BytesIO

import pytest
from pydicom.dataset import Dataset
from pydicom.uid import UID, ExplicitVRBigEndian, ExplicitVRLittleEndian, ImplicitVRLittleEndian
from pynetdicom import evt
from pynetdicom.dimse_primitives import C_FIND, N_ACTION, N_CREATE, N_SET
from pynetdicom.dsutils import encode
from pynetdicom.events import Event
from pynetdicom.presentation import PresentationContextTuple

from schemas.errors import InvalidInput
from services.intake.dicom_data_set import DEEPEST, read_data_set
from tests import performed_steps
from tests.fuzz.request_targets import query

PATIENT_NAME, ROWS = b"\x10\x00\x10\x00", b"\x28\x00\x10\x00"
STEPS, STEPS_NAME = b"\x40\x00\x00\x01", "ScheduledProcedureStepSequence (0040,0100)"
UNDEFINED = b"\xff\xff\xff\xff"
TOO_DEEP = 9
"""Deep enough that the trace of one bad value took 54 MB; each level more takes 2.6 times that."""
MOST_BYTES = 2_000_000


def request_of(content: bytes | None, syntax: UID = ExplicitVRLittleEndian) -> Event:
    request = C_FIND()
    if content is not None:
        request.Identifier = BytesIO(content)
    context = PresentationContextTuple(1, "1.2.840.10008.5.1.4.31", syntax)
    return Event(None, evt.EVT_C_FIND, {"request": request, "context": context})


def read(content: bytes | None, syntax: UID = ExplicitVRLittleEndian) -> Dataset:
    return read_data_set(request_of(content, syntax), "Identifier")


def refusal_of(content: bytes, syntax: UID = ExplicitVRLittleEndian) -> InvalidInput:
    """Read what must be refused, in bounded memory."""
    tracemalloc.start()
    try:
        with pytest.raises(InvalidInput) as refusal:
            read(content, syntax)
        peak_bytes = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak_bytes < MOST_BYTES
    return refusal.value


def item(content: bytes) -> bytes:
    return b"\xfe\xff\x00\xe0" + struct.pack("<L", len(content)) + content


def explicit(tag: bytes, vr: bytes, value: bytes) -> bytes:
    form = "<xxL" if vr in (b"SQ", b"UN", b"UC") else "<H"
    return tag + vr + struct.pack(form, len(value)) + value


def implicit(tag: bytes, value: bytes) -> bytes:
    return tag + struct.pack("<L", len(value)) + value


def nested_explicit(levels: int, vr: bytes = b"SQ") -> bytes:
    content = explicit(ROWS, b"US", b"odd")
    for _ in range(levels):
        content = explicit(STEPS, vr, item(content))
    return content


def nested_implicit(levels: int) -> bytes:
    content = implicit(ROWS, b"odd")
    for _ in range(levels):
        content = implicit(STEPS, item(content))
    return content


def nested_undefined(levels: int) -> bytes:
    begin, end = item(b"")[:4] + UNDEFINED, b"\xfe\xff\x0d\xe0\0\0\0\0\xfe\xff\xdd\xe0\0\0\0\0"
    return (STEPS + b"SQ\0\0" + UNDEFINED + begin) * levels + end * levels


def said_to_be_implicit() -> bytes:
    """Explicit VR that is whole as implicit VR as well: its first VR and length make one length."""
    rest = nested_explicit(TOO_DEEP)
    told = struct.unpack("<L", b"CS\0\0")[0]
    filler = explicit(b"\x10\x00\x00\x40", b"UC", b"x" * (told - len(rest) - 12))
    return b"\x08\x00\x05\x00CS\0\0" + rest + filler


@pytest.mark.parametrize(
    ("content", "syntax"),
    [
        pytest.param(nested_explicit(TOO_DEEP), ExplicitVRLittleEndian, id="explicit"),
        pytest.param(nested_implicit(TOO_DEEP), ImplicitVRLittleEndian, id="implicit"),
        pytest.param(nested_undefined(TOO_DEEP), ExplicitVRLittleEndian, id="undefined length"),
        pytest.param(nested_explicit(TOO_DEEP, b"UN"), ExplicitVRLittleEndian, id="unknown VR"),
        pytest.param(
            explicit(STEPS, b"UN", item(nested_implicit(TOO_DEEP))),
            ExplicitVRLittleEndian,
            id="implicit in unknown VR",
        ),
    ],
)
def test_a_data_set_nested_too_deep_is_refused_by_name(content: bytes, syntax: UID) -> None:
    refusal = refusal_of(content, syntax)

    assert refusal.field == STEPS_NAME
    assert refusal.value == str(DEEPEST + 1)
    assert refusal.expected == f"at most {DEEPEST} levels"


@pytest.mark.parametrize("levels", [20, 300, 1_500])
def test_nesting_in_an_unknown_vr_does_not_exhaust_the_stack(levels: int) -> None:
    hidden = explicit(STEPS, b"UN", item(nested_undefined(levels)))

    assert refusal_of(hidden).field == STEPS_NAME


def test_a_data_set_of_another_syntax_than_agreed_is_refused() -> None:
    refusal = refusal_of(said_to_be_implicit(), ImplicitVRLittleEndian)

    assert (refusal.field, refusal.expected) == ("data set", "no VR in this transfer syntax")


def test_a_delimiter_among_elements_is_refused() -> None:
    # given: the parser would read what follows as implicit VR
    content = b"\xfe\xff\xdd\xe0\0\0\0\0" + explicit(PATIENT_NAME, b"PN", b"Invented")

    assert "SequenceDelimitationItem (FFFE,E0DD)" in refusal_of(content).value


def test_a_value_that_cannot_be_read_is_refused_by_name() -> None:
    refusal = refusal_of(explicit(STEPS, b"SQ", item(explicit(ROWS, b"US", b"odd"))))

    assert refusal.field == "Rows (0028,0010)"
    assert refusal.expected == "a value that can be read"


def test_a_text_of_very_many_values_is_refused_by_name() -> None:
    # given: 900 kB that took 430 MB
    refusal = refusal_of(implicit(PATIENT_NAME, b"\\" * 900_000), ImplicitVRLittleEndian)

    assert refusal.field == "PatientName (0010,0010)"
    assert refusal.expected == "at most 20000 values"


def test_a_length_that_is_not_true_is_refused_by_name() -> None:
    cut = explicit(PATIENT_NAME, b"PN", b"Invented")[:-2]

    assert refusal_of(cut).field == "PatientName (0010,0010) length"


@pytest.mark.parametrize(
    "syntax", [ExplicitVRLittleEndian, ImplicitVRLittleEndian, ExplicitVRBigEndian]
)
@pytest.mark.parametrize(
    "told",
    [
        query(),
        performed_steps.creation(),
        performed_steps.completion(ExposureDoseSequence=[performed_steps.exposure()]),
        performed_steps.discontinuation(),
    ],
    ids=["worklist query", "creation", "completion", "discontinuation"],
)
def test_an_ordinary_data_set_is_read_as_it_was_told(told: Dataset, syntax: UID) -> None:
    content = encode(told, syntax.is_implicit_VR, syntax.is_little_endian)
    assert content is not None

    assert read(content, syntax) == told


def test_a_data_set_may_be_as_deep_as_the_bound_says() -> None:
    told = Dataset()
    told.PatientID = "P-1001"
    for _ in range(DEEPEST + 1):
        around = Dataset()
        around.ScheduledProcedureStepSequence = [told]
        told = around

    assert read(encode(told, False, True)) == told


def test_texts_are_read_by_the_character_set_around_them() -> None:
    told = query()
    told.PatientName = "J\u00fcrgen*"
    told.ScheduledProcedureStepSequence[0].ScheduledPerformingPhysicianName = "M\u00fcller"

    read_back = read(encode(told, False, True))

    assert read_back.PatientName == "J\u00fcrgen*"
    step = read_back.ScheduledProcedureStepSequence[0]
    assert step.ScheduledPerformingPhysicianName == "M\u00fcller"


def test_a_request_without_a_data_set_has_an_empty_one() -> None:
    assert read(None) == Dataset()


@pytest.mark.parametrize(
    ("request_kind", "attribute"),
    [
        (N_CREATE, "AttributeList"),
        (N_SET, "ModificationList"),
        (N_ACTION, "ActionInformation"),
    ],
)
def test_each_request_is_read_by_its_own_attribute(request_kind: type, attribute: str) -> None:
    event = request_of(None)
    told = request_kind()
    setattr(told, attribute, BytesIO(explicit(PATIENT_NAME, b"PN", b"Invented")))
    event.request = told

    assert read_data_set(event, attribute).PatientName == "Invented"
