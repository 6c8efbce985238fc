"""Several processes on one DICOM port: nothing is lost, and limits count over all of them."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from pathlib import Path

import pytest
from prometheus_client import REGISTRY
from pynetdicom import AE
from pynetdicom.sop_class import Verification

from services.intake.dicom_places import Places
from services.intake.dicom_processes import ListenerProcesses
from tests.intake_support import (
    HOST,
    Intake,
    association,
    make_image,
    rejection,
    running_intake,
    write_file,
)
from tests.servers.dcmtk import Dcmtk
from tests.servers.polling import wait_until

PROCESSES = 2


@pytest.fixture(scope="module")
def intake(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Intake]:
    """One for all tests: each process takes seconds to start."""
    with running_intake(
        tmp_path_factory.mktemp("intake") / "data", dicom_processes=PROCESSES, max_associations=6
    ) as running:
        yield running


def processes_of(intake: Intake) -> ListenerProcesses:
    (loop,) = (loop for loop in intake.service.loops if loop.name == "dicom-processes")
    processes: ListenerProcesses = loop.run.__self__  # type: ignore[attr-defined]
    return processes


def test_images_of_many_stations_at_once_are_each_kept_once_by_several_processes(
    intake: Intake, dcmtk: Dcmtk, tmp_path: Path
) -> None:
    # given
    senders, images_each = 6, 5
    titles = ["-aet", "STATION1", "-aec", "GOMPHOSIS", HOST, str(intake.dicom_port)]
    files = [
        [
            write_file(
                make_image(SOPInstanceUID=f"2.25.9{sender}{number:03}"),
                tmp_path / f"{sender}-{number}.dcm",
            )
            for number in range(images_each)
        ]
        for sender in range(1, senders + 1)
    ]

    # when: each station sends all of its own in one association
    with ThreadPoolExecutor(senders) as stations:
        sent = list(stations.map(lambda own: dcmtk.run("storescu", [*titles, *own]), files))

    # then
    assert [one.returncode for one in sent] == [0] * senders, [one.stdout for one in sent]
    assert len(intake.facts("image_stored")) == senders * images_each
    assert len(intake.kept_files()) == senders * images_each


def test_places_count_over_all_processes(intake: Intake) -> None:
    with ExitStack() as stack:
        for _ in range(6):
            peer = stack.enter_context(association(intake.dicom_port, Verification))
            assert peer.is_established

        entity = AE(ae_title="STATION1")
        entity.add_requested_context(Verification)
        for _ in range(4):
            assert rejection(entity.associate(HOST, intake.dicom_port, ae_title="GOMPHOSIS"))

    wait_until(lambda: associates(intake), 20, "the next association to be taken")


def test_a_process_that_is_killed_is_started_again_and_its_places_are_free(
    intake: Intake,
) -> None:
    # given
    with ExitStack() as stack:
        for _ in range(6):
            stack.enter_context(association(intake.dicom_port, Verification))
        killed = processes_of(intake).pids()

        # when
        for pid in killed:
            os.kill(pid, signal.SIGKILL)

        # then
        def all_are_new() -> bool:
            return processes_of(intake).ready() and not set(killed) & set(
                processes_of(intake).pids()
            )

        wait_until(all_are_new, 60, "the processes to be started again")
    wait_until(lambda: associates(intake), 20, "the next association to be taken")


def test_what_further_processes_count_is_seen_in_the_first(intake: Intake) -> None:
    # given
    labels = {"request": "C-ECHO", "status": "0000"}

    def echoes() -> float:
        return REGISTRY.get_sample_value("gomphosis_dicom_requests_total", labels) or 0.0

    before = echoes()

    # when
    with ExitStack() as stack:
        peers = [
            stack.enter_context(association(intake.dicom_port, Verification)) for _ in range(6)
        ]
        for peer in peers:
            assert peer.send_c_echo().Status == 0x0000

    # then
    wait_until(lambda: echoes() == before + 6, 20, "the counts of all processes")


def associates(intake: Intake) -> bool:
    with association(intake.dicom_port, Verification) as peer:
        return bool(peer.is_established)


def test_places_are_given_back_once_and_never_beyond_the_limit() -> None:
    slots = [0, 0]
    ours, theirs = Places(2, slots, 0), Places(2, slots, 1)

    assert [ours.enter(), theirs.enter(), ours.enter(), theirs.enter()] == [
        True,
        True,
        False,
        False,
    ]
    theirs.leave()
    assert ours.enter()
    assert (ours.taken(), slots) == (2, [2, 0])
