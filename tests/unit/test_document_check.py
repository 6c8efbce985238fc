"""A written report, checked before anything is promised: whole, bounded, what was announced."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydicom.uid import ExplicitVRLittleEndian, RLELossless

from schemas.errors import InvalidInput
from services.intake.document_check import MOST_BYTES, check_document
from services.intake.document_header import DocumentHeader
from services.intake.image_files import ImageFolder, IncomingFile
from services.intake.object_check import WrongSopClass
from tests.dose_reports import BASIC_TEXT, DOSE_REPORT, device_report
from tests.intake_support import encoded

ZONE = ZoneInfo("Europe/Vienna")
RECEIVED = datetime(2026, 3, 2, 10, 0, tzinfo=UTC)
WHOLE = encoded(device_report())


@contextmanager
def received(
    data: bytes,
    sop_class: str = DOSE_REPORT,
    sop_instance: str = "2.25.9001",
    syntax: str = ExplicitVRLittleEndian,
) -> Iterator[IncomingFile]:
    with TemporaryDirectory() as folder:
        file = ImageFolder(Path(folder), 0, 2 * MOST_BYTES).new_file()
        file.begin(sop_class, sop_instance, syntax)
        file.write(data)
        try:
            yield file
        finally:
            file.discard()


def check(file: IncomingFile) -> DocumentHeader:
    return check_document(file, ZONE, RECEIVED)


def test_a_whole_report_is_read() -> None:
    with received(WHOLE) as file:
        header = check(file)

    assert header.patient_id == "P-1001"
    assert header.content.name is not None
    assert header.content.name.value == "113701"
    assert header.acquired_at == datetime(2026, 3, 2, 9, 21, 30, tzinfo=UTC)


@given(cut=st.integers(min_value=0, max_value=len(WHOLE) - 1))
@settings(max_examples=150, deadline=None)
def test_a_report_cut_anywhere_is_refused(cut: int) -> None:
    with received(WHOLE[:cut]) as file, pytest.raises(InvalidInput):
        check(file)


@given(
    at=st.integers(min_value=0, max_value=len(WHOLE) - 1),
    put=st.binary(min_size=1, max_size=4),
)
@settings(max_examples=300, deadline=None)
@pytest.mark.filterwarnings("ignore")
def test_a_spoilt_report_is_read_or_refused_with_a_reason(at: int, put: bytes) -> None:
    spoilt = WHOLE[:at] + put + WHOLE[at + len(put) :]

    with received(spoilt) as file:
        try:
            header = check(file)
        except InvalidInput as refusal:
            reason = refusal
        else:
            assert header.sop_instance_uid == "2.25.9001"
            return
    assert reason.field
    assert reason.expected


def test_a_report_of_another_class_than_announced_is_told_apart() -> None:
    with received(WHOLE, sop_class=BASIC_TEXT) as file, pytest.raises(WrongSopClass):
        check(file)


def test_a_report_of_another_uid_than_announced_is_refused() -> None:
    with received(WHOLE, sop_instance="2.25.9002") as file, pytest.raises(InvalidInput) as refusal:
        check(file)

    assert refusal.value.expected == "2.25.9002, as announced"


def test_a_report_cannot_come_in_a_syntax_of_pixels() -> None:
    with received(WHOLE, syntax=RLELossless) as file, pytest.raises(InvalidInput) as refusal:
        check(file)

    assert refusal.value.field == "TransferSyntaxUID (0002,0010)"


def test_a_report_too_large_to_be_text_is_refused_unread() -> None:
    with received(bytes(MOST_BYTES)) as file, pytest.raises(InvalidInput) as refusal:
        check(file)

    assert refusal.value.expected == f"a report of at most {MOST_BYTES} bytes"
