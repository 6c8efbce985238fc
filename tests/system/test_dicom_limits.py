"""Connections that come to nothing hold no place, no thread and no descriptor for long."""

from __future__ import annotations

import gc
import re
import socket
import threading
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import ExitStack, suppress
from pathlib import Path
from typing import Any

import pytest
from pynetdicom.sop_class import Verification
from structlog.testing import capture_logs

from tests.intake_support import HOST, Intake, association, encoded, make_image, running_intake
from tests.raw_dicom import (
    BREAK_OFF,
    COMMAND,
    DATA,
    DATA_SET,
    LAST,
    RawPeer,
    association_request,
    fragment,
    pdu,
    raw_peer,
    store_command,
)
from tests.servers.polling import NeverCameTrueError, wait_until

PROBES = 3_600  # one a second for an hour
STORE_FILE = re.compile(r"\.sqlite(-wal|-shm|-journal)?$")


def descriptors() -> Counter[str]:
    """Count by kind, less the store's files: its pool opens one more connection when it likes."""
    kinds = (re.sub(r":\[\d+\]$", "", target) for target in _open_targets())
    return Counter(kind for kind in kinds if not STORE_FILE.search(kind))


def left_over(before: Counter[str]) -> Counter[str]:
    """Count what is open beyond ``before``, once what an ended thread left is collected."""
    gc.collect()
    return descriptors() - before


def _open_targets() -> Iterator[str]:
    for number in Path("/proc/self/fd").iterdir():
        with suppress(FileNotFoundError):  # closed since, as is the one that listing them took
            yield str(number.readlink())


def assert_nothing_leaks(intake: Intake, work: Callable[[], None]) -> None:
    """Threads and descriptors are as many after the work as before."""
    assert echoes(intake)
    wait_until(lambda: standing(intake) == 0, 20, "the first association to be over")
    gc.collect()
    threads, files = threading.active_count(), descriptors()

    work()

    wait_until(lambda: standing(intake) == 0, 60, "every connection to be over")
    wait_until(lambda: threading.active_count() <= threads, 60, "every thread to end")
    with suppress(NeverCameTrueError):
        wait_until(lambda: left_over(files) == Counter(), 60, "every descriptor to be closed")
    assert left_over(files) == Counter()
    assert echoes(intake)


def standing(intake: Intake) -> int:
    (loop,) = (loop for loop in intake.service.loops if loop.name == "dicom")
    node: Any = loop.run.__self__  # type: ignore[attr-defined]
    return sum(server.connections for server in node._servers)


def echoes(intake: Intake) -> bool:
    with association(intake.dicom_port, Verification) as peer:
        return bool(peer.is_established) and peer.send_c_echo().Status == 0x0000


@pytest.mark.drill
def test_an_hour_of_bare_probes_leaves_nothing_behind(tmp_path: Path) -> None:
    with running_intake(tmp_path / "data") as intake:

        def probe() -> None:
            for number in range(PROBES):
                socket.create_connection((HOST, intake.dicom_port), timeout=60).close()
                if number % 50 == 49:  # else the kernel drops some, and tries again in a second
                    wait_until(lambda: standing(intake) == 0, 60, "the probes to be over")

        assert_nothing_leaks(intake, probe)


def test_silent_connections_are_ended_and_take_no_associations_place(tmp_path: Path) -> None:
    with running_intake(tmp_path / "data", max_associations=2, associate_timeout_s=0.5) as intake:

        def stay_silent() -> None:
            with ExitStack() as stack:
                silent = [
                    stack.enter_context(
                        socket.create_connection((HOST, intake.dicom_port), timeout=60)
                    )
                    for _ in range(12)
                ]
                for one in silent[::2]:
                    one.sendall(association_request()[:40])
                assert echoes(intake)
                for one in silent:
                    assert is_ended(one)

        assert_nothing_leaks(intake, stay_silent)


def test_more_connections_than_allowed_are_refused_and_audited(tmp_path: Path) -> None:
    with running_intake(tmp_path / "data", max_associations=1, associate_timeout_s=1.0) as intake:
        with capture_logs() as logs, ExitStack() as stack:
            for _ in range(40):
                stack.enter_context(socket.create_connection((HOST, intake.dicom_port), timeout=60))
            wait_until(lambda: refusals(logs), 20, "a connection to be refused")
        assert refusals(logs)[0]["audit"] is True
        wait_until(lambda: echoes(intake), 20, "the next association to be taken")


def refusals(logs: list[Any]) -> list[Any]:
    return [line for line in logs if line["event"] == "connection_refused"]


def test_aborted_and_broken_associations_leave_nothing_behind(tmp_path: Path) -> None:
    image = encoded(make_image())
    with running_intake(tmp_path / "data") as intake:

        def abort() -> None:
            for number in range(150):
                with raw_peer(intake.dicom_port) as peer:
                    if number % 3:
                        begun = fragment(COMMAND | LAST, store_command("2.25.70001"))
                        peer.send(pdu(DATA, begun + fragment(DATA_SET, image[:900])))
                    if number % 2:
                        peer.send(BREAK_OFF)

        assert_nothing_leaks(intake, abort)
        assert intake.kept_files() == []


def test_an_association_without_traffic_is_aborted(tmp_path: Path) -> None:
    with running_intake(tmp_path / "data", idle_timeout_s=0.5) as intake:

        def stay_idle() -> None:
            with raw_peer(intake.dicom_port) as peer:
                assert peer.read()[0] in {7, 0}  # A-ABORT, or the end where a reset overtakes it

        assert_nothing_leaks(intake, stay_idle)


def test_an_association_with_little_traffic_goes_on(tmp_path: Path) -> None:
    with (
        running_intake(tmp_path / "data", idle_timeout_s=1.0) as intake,
        raw_peer(intake.dicom_port) as peer,
    ):
        image = encoded(make_image())
        pieces = [image[at : at + 300] for at in range(0, len(image), 300)]
        peer.send(pdu(DATA, fragment(COMMAND | LAST, store_command("2.25.70001"))))
        for number, piece in enumerate(pieces, 1):
            peer.send(pdu(DATA, fragment(LAST if number == len(pieces) else DATA_SET, piece)))
        assert peer.read_status() == 0x0000
        peer.release()


def test_a_peer_that_never_reads_its_answers_is_let_go(tmp_path: Path) -> None:
    with running_intake(tmp_path / "data", idle_timeout_s=1.0) as intake:

        def never_read() -> None:
            with socket.socket() as connection:
                connection.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4_096)
                connection.settimeout(60)
                connection.connect((HOST, intake.dicom_port))
                peer = RawPeer(connection)
                peer.send(association_request())
                peer.read()
                request = store_command("2.25.1", data_set=0x0101)
                requests = pdu(DATA, fragment(COMMAND | LAST, request)) * 100
                with pytest.raises(ConnectionError):
                    send_without_end(peer, requests)

        assert_nothing_leaks(intake, never_read)


def send_without_end(peer: RawPeer, data: bytes) -> None:
    while True:
        peer.send(data)


def is_ended(connection: socket.socket) -> bool:
    try:
        while connection.recv(1000):
            continue
    except ConnectionResetError:
        return True
    return True
