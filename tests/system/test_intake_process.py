"""Intake as a process of its own: killed, started again, and ended in an orderly way."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from pathlib import Path
from threading import Event, Thread

import pytest
from pydicom import dcmread

from tests.intake_process import IntakeProcess
from tests.intake_support import INTRAORAL, association, make_image
from tests.servers.ports import port_is_open
from tests.soak.kill_intake import Campaign


@pytest.fixture
def intake(tmp_path: Path) -> Iterator[IntakeProcess]:
    process = IntakeProcess(tmp_path)
    process.start()
    yield process
    process.close()


def send_until_it_dies(intake: IntakeProcess, acknowledged: list[str], enough: Event) -> None:
    with association(intake.dicom_port, INTRAORAL) as peer:
        for number in range(10_000):
            image = make_image(SOPInstanceUID=f"2.25.5{number:05}")
            if not peer.is_established:
                return
            answer = peer.send_c_store(image)
            if answer.get("Status") != 0x0000:
                return
            acknowledged.append(str(image.SOPInstanceUID))
            if len(acknowledged) == 20:
                enough.set()


def test_a_killed_node_has_kept_every_image_that_it_acknowledged(intake: IntakeProcess) -> None:
    # given
    acknowledged: list[str] = []
    enough = Event()
    sender = Thread(target=send_until_it_dies, args=(intake, acknowledged, enough))
    sender.start()
    assert enough.wait(60)

    # when
    intake.end(signal.SIGKILL)
    sender.join(60)
    intake.start()

    # then
    kept = intake.images()
    assert set(acknowledged) <= set(kept)
    for uid, path in kept.items():
        assert dcmread(path).SOPInstanceUID == uid
    assert list((intake.settings.images_dir / "incoming").iterdir()) == []


def test_sigterm_ends_it_in_an_orderly_way_while_a_station_is_connected(
    intake: IntakeProcess,
) -> None:
    with association(intake.dicom_port, INTRAORAL) as peer:
        assert peer.send_c_store(make_image()).Status == 0x0000

        assert intake.end(signal.SIGTERM) == 0

    assert not port_is_open(intake.dicom_port)
    assert len(intake.images()) == 1


@pytest.mark.drill
def test_kills_at_random_moments_lose_and_double_nothing(tmp_path: Path) -> None:
    """The short form of tests/soak/kill_intake.py, with two processes on the DICOM port."""
    campaign = Campaign(tmp_path, kills=5, senders=4, posters=2, processes=2, seed=20260302)

    outcome = campaign.run()

    assert outcome.wrong == []
    assert outcome.images > 0
    assert outcome.facts > 0
