"""Storage commitment: asked by a process, reported to a process that may be down at first."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from copy import deepcopy
from pathlib import Path
from typing import Any

import pytest
import yaml
from pydicom.dataset import Dataset
from sqlalchemy import select

from services.intake.store import COMMITMENT
from tests.dicom_station import Listener, ask_commitment, listening
from tests.intake_process import IntakeProcess
from tests.intake_support import (
    CT,
    GROUP,
    INTRAORAL,
    Intake,
    association,
    make_image,
    running_intake,
    send,
)
from tests.servers.polling import wait_until
from tests.servers.ports import free_port

TRANSACTION = "2.25.31"
SECONDARY = "1.2.840.10008.5.1.4.1.1.7"


def group_with_listener(port: int) -> dict[str, Any]:
    """The group, its first station listening on a port of its own."""
    group = deepcopy(GROUP)
    group["sites"][0]["devices"][0]["listens_at"] = {"host": "127.0.0.1", "port": port}
    return group


def asked(*pairs: tuple[str, str], transaction_uid: str = TRANSACTION) -> Dataset:
    information = Dataset()
    information.TransactionUID = transaction_uid
    information.ReferencedSOPSequence = []
    for sop_class, sop_instance in pairs:
        item = Dataset()
        item.ReferencedSOPClassUID = sop_class
        item.ReferencedSOPInstanceUID = sop_instance
        information.ReferencedSOPSequence.append(item)
    return information


def held(report: Dataset) -> list[str]:
    return [str(one.ReferencedSOPInstanceUID) for one in report.get("ReferencedSOPSequence", [])]


def failures(report: Dataset) -> dict[str, int]:
    return {
        str(one.ReferencedSOPInstanceUID): int(one.FailureReason)
        for one in report.get("FailedSOPSequence", [])
    }


def is_settled(intake: Intake) -> bool:
    with intake.runtime.store.read() as connection:
        due = connection.execute(select(COMMITMENT.c.due_at)).scalars().all()
    return bool(due) and all(one is None for one in due)


@pytest.fixture
def station(tmp_path: Path) -> Iterator[Listener]:
    with listening(Listener(tmp_path, free_port(), "STATION1")) as listener:
        yield listener


@pytest.fixture
def intake(tmp_path: Path, station: Listener) -> Iterator[Intake]:
    with running_intake(tmp_path / "data", group=group_with_listener(station.port)) as running:
        yield running


def the_report(station: Listener) -> dict[str, Any]:
    wait_until(station.told, 30, "the report")
    (report,) = station.told()
    return report


def test_what_is_held_is_committed_on_an_association_of_ours(
    intake: Intake, station: Listener
) -> None:
    # given
    station.start()
    for number in (1, 2):
        send(intake.dicom_port, make_image(number))

    # when
    (answer,) = ask_commitment(
        intake.dicom_port, asked((INTRAORAL, "2.25.70001"), (INTRAORAL, "2.25.70002"))
    )

    # then
    assert answer["status"] == 0x0000
    report = the_report(station)
    assert (report["what"], report["event_type"], report["calling"]) == ("report", 1, "GOMPHOSIS")
    assert report["data"].TransactionUID == TRANSACTION
    assert held(report["data"]) == ["2.25.70001", "2.25.70002"]
    wait_until(lambda: is_settled(intake), 30, "the delivery to be noted")


def test_a_station_that_stays_gets_its_report_on_its_own_association(
    intake: Intake, station: Listener
) -> None:
    # given: the station's own listener is down
    send(intake.dicom_port, make_image())

    # when
    answer, report = ask_commitment(
        intake.dicom_port, asked((INTRAORAL, "2.25.70001")), wait_for_report=True
    )

    # then
    assert answer["status"] == 0x0000
    assert report["event_type"] == 1
    assert held(Dataset.from_json(report["data"])) == ["2.25.70001"]
    wait_until(lambda: is_settled(intake), 30, "the delivery to be noted")
    station.start()
    assert station.told() == []


def test_the_association_can_be_used_while_its_report_is_on_the_way(intake: Intake) -> None:
    # given: a station that asks, stays and goes on storing, and answers reports late or never
    with association(intake.dicom_port, "1.2.840.10008.1.20.1", INTRAORAL) as peer:
        first = make_image()
        assert peer.send_c_store(first).Status == 0x0000
        status, _ = peer.send_n_action(
            asked((INTRAORAL, "2.25.70001")),
            1,
            "1.2.840.10008.1.20.1",
            "1.2.840.10008.1.20.1.1",
        )
        assert status.Status == 0x0000

        # when, then
        for number in range(2, 40):
            assert peer.send_c_store(make_image(number)).Status == 0x0000


def test_what_is_not_held_is_reported_with_its_reason(intake: Intake, station: Listener) -> None:
    # given: one held, one whose file was cut off, one that is gone from the disk
    station.start()
    for number in (1, 2, 3):
        send(intake.dicom_port, make_image(number))
    paths = {path.stem: path for path in intake.images.rglob("*.dcm")}
    paths["2.25.70002"].write_bytes(paths["2.25.70002"].read_bytes()[:-2])
    paths["2.25.70003"].unlink()

    # when
    ask_commitment(
        intake.dicom_port,
        asked(
            (INTRAORAL, "2.25.70001"),
            (INTRAORAL, "2.25.70002"),
            (INTRAORAL, "2.25.70003"),
            (INTRAORAL, "2.25.404"),
            (CT, "2.25.405"),
        ),
    )

    # then
    report = the_report(station)
    assert report["event_type"] == 2
    assert held(report["data"]) == ["2.25.70001"]
    assert failures(report["data"]) == {
        "2.25.70002": 0x0112,
        "2.25.70003": 0x0112,
        "2.25.404": 0x0112,
        "2.25.405": 0x0122,
    }


def test_an_instance_of_another_class_is_a_conflict(intake: Intake, station: Listener) -> None:
    station.start()
    send(intake.dicom_port, make_image())

    ask_commitment(intake.dicom_port, asked((SECONDARY, "2.25.70001")))

    assert failures(the_report(station)["data"]) == {"2.25.70001": 0x0119}


def test_an_image_of_another_site_is_not_committed(intake: Intake, station: Listener) -> None:
    station.start()
    image = make_image()
    assert send(intake.dicom_port, image, calling="STATION9", called="GOMPH_SOUTH").Status == 0

    ask_commitment(intake.dicom_port, asked((INTRAORAL, "2.25.70001")))

    assert failures(the_report(station)["data"]) == {"2.25.70001": 0x0112}


def test_another_request_under_a_transaction_uid_in_use_fails_as_a_duplicate(
    intake: Intake, station: Listener
) -> None:
    # given
    station.start()
    for number in (1, 2):
        send(intake.dicom_port, make_image(number))
    ask_commitment(intake.dicom_port, asked((INTRAORAL, "2.25.70001")))
    the_report(station)

    # when
    ask_commitment(intake.dicom_port, asked((INTRAORAL, "2.25.70002")))

    # then
    wait_until(lambda: len(station.told()) == 2, 30, "the second report")
    assert failures(station.told()[1]["data"]) == {"2.25.70002": 0x0131}


def test_a_request_repeated_word_for_word_is_reported_again(
    intake: Intake, station: Listener
) -> None:
    station.start()
    send(intake.dicom_port, make_image())

    for _ in range(2):
        ask_commitment(intake.dicom_port, asked((INTRAORAL, "2.25.70001")))
        wait_until(lambda: is_settled(intake), 30, "the delivery to be noted")

    assert [held(one["data"]) for one in station.told()] == [["2.25.70001"]] * 2


@pytest.mark.parametrize(
    ("changes", "status"),
    [
        ({"information": asked()}, 0x0115),
        ({"information": asked((INTRAORAL, "no uid"))}, 0x0115),
        ({"action_type": 2}, 0x0123),
        ({"instance": "2.25.9"}, 0x0112),
    ],
)
def test_a_request_that_makes_no_sense_is_refused(
    intake: Intake, changes: dict[str, Any], status: int
) -> None:
    told = {"information": asked((INTRAORAL, "2.25.70001"))} | changes

    (answer,) = ask_commitment(intake.dicom_port, told.pop("information"), **told)

    assert answer["status"] == status
    assert not is_settled(intake)


def test_a_report_is_tried_until_a_station_that_was_down_takes_it(
    intake: Intake, tmp_path: Path, station: Listener
) -> None:
    # given: down at first, then up but in trouble once (0110), then well
    send(intake.dicom_port, make_image())
    ask_commitment(intake.dicom_port, asked((INTRAORAL, "2.25.70001")))
    wait_until(lambda: attempts(intake) >= 1, 30, "a first attempt in vain")
    troubled = Listener(tmp_path, station.port, "STATION1", answers=[0x0110])

    # when
    with listening(troubled):
        troubled.start()
        wait_until(lambda: is_settled(intake), 60, "the delivery to be noted")

    # then
    reports = troubled.told()
    assert len(reports) == 2
    assert [held(one["data"]) for one in reports] == [["2.25.70001"]] * 2


def attempts(intake: Intake) -> int:
    with intake.runtime.store.read() as connection:
        return max(connection.execute(select(COMMITMENT.c.attempts)).scalars(), default=0)


def test_a_report_still_comes_after_intake_was_killed(tmp_path: Path, station: Listener) -> None:
    # given: asked and acknowledged while the station does not listen
    process = IntakeProcess(tmp_path / "intake")
    group_file = process.folder / "group" / "group.yaml"
    group_file.write_text(yaml.safe_dump(group_with_listener(station.port)), encoding="utf-8")
    process.start()
    try:
        send(process.dicom_port, make_image())
        (answer,) = ask_commitment(process.dicom_port, asked((INTRAORAL, "2.25.70001")))
        assert answer["status"] == 0x0000

        # when
        process.end(signal.SIGKILL)
        station.start()
        assert station.told() == []
        process.start()

        # then
        assert held(the_report(station)["data"]) == ["2.25.70001"]
    finally:
        process.close()
