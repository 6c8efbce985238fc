"""Storage commitment: requests, verdicts and reports.

DICOM PS3.4 annex J: event type 1 where everything is kept, 2 where something is not; every
instance of the request is in the report, under its transaction UID (J.3.3.1.2, read). Failure
reasons of PS3.3 section C.14.1.1: meanings read, numbers from memory.
"""

from __future__ import annotations

import pytest
from pydicom.dataset import Dataset

from schemas.errors import InvalidInput
from schemas.facts import ImageStored
from services.intake.availability_notice import content_sha256, notice_of
from services.intake.commitment_rules import (
    CommitmentRequest,
    Reference,
    judge,
    read_request,
    report_of,
)
from services.intake.outgoing_waits import WAITS_S, wait_after

INTRAORAL, SECONDARY, CT = (
    "1.2.840.10008.5.1.4.1.1.1.3",
    "1.2.840.10008.5.1.4.1.1.7",
    "1.2.840.10008.5.1.4.1.1.2",
)
SUPPORTED = {INTRAORAL, SECONDARY}


def asked(*pairs: tuple[str, str], transaction_uid: str = "2.25.31") -> Dataset:
    told = Dataset()
    told.TransactionUID = transaction_uid
    told.ReferencedSOPSequence = []
    for sop_class, sop_instance in pairs:
        item = Dataset()
        item.ReferencedSOPClassUID = sop_class
        item.ReferencedSOPInstanceUID = sop_instance
        told.ReferencedSOPSequence.append(item)
    return told


def test_a_request_names_its_transaction_and_every_instance() -> None:
    request = read_request(asked((INTRAORAL, "2.25.1"), (SECONDARY, "2.25.2")))

    assert request == CommitmentRequest(
        "2.25.31", (Reference(INTRAORAL, "2.25.1"), Reference(SECONDARY, "2.25.2"))
    )


@pytest.mark.parametrize(
    ("told", "field"),
    [
        (asked((INTRAORAL, "2.25.1"), transaction_uid=""), "TransactionUID"),
        (asked(), "ReferencedSOPSequence"),
        (asked((INTRAORAL, "")), "ReferencedSOPInstanceUID"),
        (asked(("", "2.25.1")), "ReferencedSOPClassUID"),
        (asked((INTRAORAL, "no uid")), "ReferencedSOPInstanceUID"),
        (Dataset(), "TransactionUID"),
    ],
)
def test_a_request_that_is_not_whole_is_refused_by_name(told: Dataset, field: str) -> None:
    with pytest.raises(InvalidInput, match=field):
        read_request(told)


def test_the_order_of_a_request_does_not_make_it_another_one() -> None:
    pairs = ((INTRAORAL, "2.25.1"), (INTRAORAL, "2.25.2"))
    first, again = read_request(asked(*pairs)), read_request(asked(*reversed(pairs)))
    other = read_request(asked(pairs[0]))

    assert first.sha256 == again.sha256
    assert first.sha256 != other.sha256


@pytest.mark.parametrize(
    ("reference", "reason"),
    [
        (Reference(INTRAORAL, "2.25.1"), None),
        (Reference(INTRAORAL, "2.25.404"), 0x0112),
        (Reference(SECONDARY, "2.25.1"), 0x0119),
        (Reference(CT, "2.25.1"), 0x0122),
    ],
)
def test_each_instance_is_held_or_told_why_not(reference: Reference, reason: int | None) -> None:
    (verdict,) = judge([reference], {"2.25.1": {INTRAORAL}}, SUPPORTED, duplicate=False)

    assert verdict.failure_reason == reason


def test_nothing_is_committed_under_a_transaction_uid_in_use() -> None:
    held = {"2.25.1": {INTRAORAL}}

    (verdict,) = judge([Reference(INTRAORAL, "2.25.1")], held, SUPPORTED, duplicate=True)

    assert verdict.failure_reason == 0x0131


def test_a_report_where_all_is_held_is_of_event_type_1() -> None:
    verdicts = judge(
        [Reference(INTRAORAL, "1.2")], {"1.2": {INTRAORAL}}, SUPPORTED, duplicate=False
    )

    event_type, report = report_of("2.25.31", verdicts)

    assert event_type == 1
    assert report.TransactionUID == "2.25.31"
    assert [one.ReferencedSOPInstanceUID for one in report.ReferencedSOPSequence] == ["1.2"]
    assert "FailedSOPSequence" not in report


def test_a_report_with_failures_is_of_event_type_2_and_names_every_instance() -> None:
    references = [Reference(INTRAORAL, "1.2"), Reference(INTRAORAL, "1.3")]
    verdicts = judge(references, {"1.2": {INTRAORAL}}, SUPPORTED, duplicate=False)

    event_type, report = report_of("2.25.31", verdicts)

    assert event_type == 2
    assert [one.ReferencedSOPInstanceUID for one in report.ReferencedSOPSequence] == ["1.2"]
    (failed,) = report.FailedSOPSequence
    assert (failed.ReferencedSOPInstanceUID, failed.FailureReason) == ("1.3", 0x0112)


def test_a_report_where_nothing_is_held_has_failures_only() -> None:
    event_type, report = report_of(
        "2.25.31", judge([Reference(CT, "1.2")], {}, (), duplicate=False)
    )

    assert event_type == 2
    assert "ReferencedSOPSequence" not in report


def test_waits_grow_and_stay_at_the_longest() -> None:
    waits = [wait_after(attempts) for attempts in range(len(WAITS_S) + 3)]

    assert waits == sorted(waits)
    assert waits[: len(WAITS_S)] == sorted(set(WAITS_S))
    assert waits[-1] == max(WAITS_S)


def stored(number: int, series: str = "2.25.1002", sha256: str = "0" * 64) -> ImageStored:
    told = ImageStored.EXAMPLES[0] | {
        "sop_instance_uid": f"2.25.{number}",
        "series_instance_uid": series,
        "sha256": sha256,
        "acquired_at": "2026-03-02T09:20:03Z",
        "teeth": (),
    }
    return ImageStored.model_validate(told, strict=False)


def test_a_notice_names_each_instance_once_by_series_and_no_patient() -> None:
    # given: the second instance is there in two contents
    objects = [stored(1), stored(2), stored(2, sha256="1" * 64), stored(3, "2.25.9")]

    # when
    notice = notice_of("2.25.1001", objects, "ARCHIVE")

    # then: attributes of PS3.4 table R.3.2-1 (read); others are forbidden there
    assert {element.keyword for element in notice} == {
        "ReferencedPerformedProcedureStepSequence",
        "StudyInstanceUID",
        "ReferencedSeriesSequence",
    }
    told = {
        item.SeriesInstanceUID: [one.ReferencedSOPInstanceUID for one in item.ReferencedSOPSequence]
        for item in notice.ReferencedSeriesSequence
    }
    assert told == {"2.25.1002": ["2.25.1", "2.25.2"], "2.25.9": ["2.25.3"]}
    item = notice.ReferencedSeriesSequence[0].ReferencedSOPSequence[0]
    assert (item.InstanceAvailability, item.RetrieveAETitle) == ("ONLINE", "ARCHIVE")
    assert item.ReferencedSOPClassUID == INTRAORAL


def test_a_content_is_the_same_in_any_order_and_another_with_each_object() -> None:
    assert content_sha256([stored(1), stored(2)]) == content_sha256([stored(2), stored(1)])
    assert content_sha256([stored(1)]) != content_sha256([stored(1), stored(2)])
    assert content_sha256([stored(1)]) != content_sha256([stored(1, sha256="1" * 64)])
