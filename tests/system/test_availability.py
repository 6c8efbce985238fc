"""Records that listen are told, once, when a closed study can be viewed."""

from __future__ import annotations

import json
from collections.abc import Iterator
from copy import deepcopy
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select

from schemas.envelope import Message, Source, new_id
from schemas.facts import StudyClosed
from schemas.messages import read_payload
from services.intake.accept import accept
from services.intake.store import AVAILABILITY, CLOSED_STUDY
from tests.dicom_station import ABORT, Listener, listening
from tests.intake_support import GROUP, Intake, make_image, running_intake, send
from tests.servers.polling import wait_until
from tests.servers.ports import free_port


def group_with_record(port: int) -> dict[str, Any]:
    group = deepcopy(GROUP)
    for device in group["sites"][0]["devices"]:
        if device["name"] == "record-north":
            device["ae_title"] = "RECORD"
            device["listens_at"] = {"host": "127.0.0.1", "port": port}
    return group


@pytest.fixture
def record(tmp_path: Path) -> Iterator[Listener]:
    with listening(Listener(tmp_path, free_port(), "RECORD")) as listener:
        yield listener


@pytest.fixture
def intake(tmp_path: Path, record: Listener) -> Iterator[Intake]:
    group = group_with_record(record.port)
    with running_intake(tmp_path / "data", group=group, retrieve_ae_title="ARCHIVE") as running:
        yield running


def close(intake: Intake, at: datetime | None = None) -> None:
    now = at or datetime.now(UTC)
    told = json.loads(json.dumps(StudyClosed.EXAMPLES[0]))
    message = Message(
        id=new_id(),
        group="invented-group",
        site="north",
        occurred_at=now,
        received_at=now,
        source=Source(kind="person", name="vet-1"),
        correlation_id="test-1",
        payload=read_payload(StudyClosed.KIND, StudyClosed.VERSION, told),
    )
    with intake.runtime.store.begin() as connection:
        accept(connection, "intake", [message])


def instances(notice: dict[str, Any]) -> list[str]:
    return [
        str(item.ReferencedSOPInstanceUID)
        for series in notice["data"].ReferencedSeriesSequence
        for item in series.ReferencedSOPSequence
    ]


def owed(intake: Intake) -> list[bool]:
    """Tell of each notice whether it is still to go."""
    with intake.runtime.store.read() as connection:
        return [
            one is not None for one in connection.execute(select(AVAILABILITY.c.due_at)).scalars()
        ]


def looked(intake: Intake) -> bool:
    with intake.runtime.store.read() as connection:
        due = connection.execute(select(CLOSED_STUDY.c.look_at)).scalars().all()
    return bool(due) and all(one is None for one in due)


def test_a_record_is_told_of_a_closed_study_with_all_its_images(
    intake: Intake, record: Listener
) -> None:
    # given
    record.start()
    for number in (1, 2):
        send(intake.dicom_port, make_image(number))

    # when
    close(intake)

    # then
    wait_until(record.told, 30, "the notice")
    wait_until(lambda: owed(intake) == [False], 30, "the notice to be noted")
    (notice,) = record.told()
    assert (notice["what"], notice["calling"]) == ("notice", "GOMPHOSIS")
    assert notice["data"].StudyInstanceUID == "2.25.1001"
    assert instances(notice) == ["2.25.70001", "2.25.70002"]
    item = notice["data"].ReferencedSeriesSequence[0].ReferencedSOPSequence[0]
    assert (item.InstanceAvailability, item.RetrieveAETitle) == ("ONLINE", "ARCHIVE")


def test_an_open_study_is_told_to_nobody(intake: Intake) -> None:
    send(intake.dicom_port, make_image())

    assert owed(intake) == []
    close(intake)
    wait_until(lambda: owed(intake) == [True], 30, "a notice to be owed once it is closed")


def test_a_study_closed_again_is_not_told_twice_but_a_further_image_is_told(
    intake: Intake, record: Listener
) -> None:
    # given
    record.start()
    send(intake.dicom_port, make_image(1))
    close(intake)
    wait_until(lambda: owed(intake) == [False], 30, "the first notice")

    # when
    close(intake)
    send(intake.dicom_port, make_image(1))
    wait_until(lambda: looked(intake), 30, "a further look")
    send(intake.dicom_port, make_image(2))

    # then
    wait_until(lambda: owed(intake) == [False, False], 30, "the second notice")
    first, second = record.told()
    assert instances(first) == ["2.25.70001"]
    assert instances(second) == ["2.25.70001", "2.25.70002"]
    assert first["uid"] != second["uid"]


def test_a_record_that_was_down_is_told_the_newest_content_only(
    intake: Intake, record: Listener
) -> None:
    # given
    send(intake.dicom_port, make_image(1))
    close(intake)
    wait_until(lambda: owed(intake) == [True], 30, "the first notice to be owed")
    send(intake.dicom_port, make_image(2))
    wait_until(lambda: sorted(owed(intake)) == [False, True], 30, "the second in its place")

    # when
    record.start()

    # then
    wait_until(lambda: owed(intake) == [False, False], 60, "the notice")
    assert [instances(one) for one in record.told()] == [["2.25.70001", "2.25.70002"]]


def test_a_notice_is_repeated_under_its_uid_until_it_is_taken(
    intake: Intake, tmp_path: Path, record: Listener
) -> None:
    # given: an abort at first, then the notice is known there already (0111)
    troubled = Listener(tmp_path, record.port, "RECORD", answers=[ABORT, 0x0111])
    with listening(troubled):
        troubled.start()
        send(intake.dicom_port, make_image())

        # when
        close(intake)
        wait_until(lambda: owed(intake) == [False], 60, "the notice to be taken")

    # then
    first, again = troubled.told()
    assert first["uid"] == again["uid"]


def test_a_study_that_is_not_whole_on_the_disk_is_not_told(
    intake: Intake, record: Listener
) -> None:
    # given
    record.start()
    for number in (1, 2):
        send(intake.dicom_port, make_image(number))
    next(intake.images.rglob("2.25.70002.dcm")).unlink()

    # when
    closed_at = datetime.now(UTC)
    close(intake)

    # then: it has been looked at and is looked at again later
    def put_off() -> bool:
        with intake.runtime.store.read() as connection:
            due_at = connection.execute(select(CLOSED_STUDY.c.look_at)).scalar_one()
        return due_at is not None and (due_at - closed_at).total_seconds() > 30

    wait_until(put_off, 30, "the look to be put off")
    assert owed(intake) == []
    assert record.told() == []


def test_nobody_is_told_where_no_title_to_retrieve_from_is_set(
    tmp_path: Path, record: Listener
) -> None:
    with running_intake(tmp_path / "data", group=group_with_record(record.port)) as intake:
        send(intake.dicom_port, make_image())
        close(intake)

        assert intake.facts("study_closed")
        assert owed(intake) == []
