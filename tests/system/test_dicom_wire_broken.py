"""Over the wire what the upper layer does not allow, and images that end before their end."""

from __future__ import annotations

import itertools
import socket
from pathlib import Path

import pytest
from pynetdicom.sop_class import Verification

from tests.intake_support import HOST, Intake, association, make_image, running_intake, send
from tests.raw_dicom import (
    ABORT,
    BREAK_OFF,
    COMMAND,
    DATA,
    DATA_SET,
    GONE,
    LAST,
    RawPeer,
    association_request,
    echo_command,
    fragment,
    pdu,
    raw_peer,
    store_command,
)
from tests.servers.polling import wait_until
from tests.wire_image import IMAGE, UID_OF_IMAGE, assert_the_image_is_kept_once, whole_command


def assert_still_takes_images(intake: Intake) -> None:
    assert send(intake.dicom_port, make_image()).Status == 0x0000
    assert_the_image_is_kept_once(intake)


def test_a_request_without_a_data_set_cannot_be_understood(intake: Intake) -> None:
    with raw_peer(intake.dicom_port) as peer:
        peer.send(pdu(DATA, whole_command(data_set=0x0101)))

        assert peer.read_status() == 0xC000
        peer.release()


@pytest.mark.parametrize("instance", ["2.25. 70001", "2.25.x", "", "2." * 33])
def test_an_image_announced_by_no_uid_is_refused_for_good_and_put_to_a_person(
    intake: Intake, instance: str
) -> None:
    with raw_peer(intake.dicom_port) as peer:
        peer.send(pdu(DATA, whole_command(instance)), pdu(DATA, fragment(LAST, IMAGE)))
        assert peer.read_status() == 0xC000
        peer.release()

    (entry,) = intake.triage()
    assert entry.field == "SOPInstanceUID (0008,0018)"
    assert "UID" in entry.expected
    assert intake.kept_files() == []


@pytest.mark.filterwarnings("error::pytest.PytestUnhandledThreadExceptionWarning")
def test_nonsense_while_answers_are_due_ends_the_association_in_order(intake: Intake) -> None:
    # given: many requests, so that an answer waits to be sent when the nonsense is read
    echoes = [pdu(DATA, fragment(COMMAND | LAST, echo_command(number), 3)) for number in range(40)]
    for _ in range(10):
        with raw_peer(intake.dicom_port) as peer:
            peer.send(*echoes, pdu(DATA, b"\x00\x00\x00\x62\x00\x00"))
            while peer.read()[0] != GONE:
                continue

    assert_still_takes_images(intake)


@pytest.mark.filterwarnings("error::pytest.PytestUnhandledThreadExceptionWarning")
def test_a_request_with_an_impossible_context_ends_its_own_connection_only(intake: Intake) -> None:
    # given: contexts are numbered oddly (PS3.8 table 9-13; from memory), and this one is not
    request = association_request()
    at = request.index(b"\x20\x00", 74) + 4  # behind the titles
    assert request[at] == 1

    with socket.create_connection((HOST, intake.dicom_port), timeout=60) as connection:
        connection.sendall(request[:at] + b"\x02" + request[at + 1 :])
        assert RawPeer(connection).read()[0] in {GONE, ABORT}

    assert_still_takes_images(intake)


@pytest.mark.filterwarnings("error::pytest.PytestUnhandledThreadExceptionWarning")
@pytest.mark.parametrize(
    ("item", "odd"),
    [
        pytest.param(b"\x30\x00", b"\x40\x00", id="a context without an abstract syntax"),
        pytest.param(b"\x51\x00", b"\x30\x00", id="an abstract syntax in the user information"),
    ],
)
def test_a_request_of_misplaced_items_ends_its_own_connection_only(
    intake: Intake, item: bytes, odd: bytes
) -> None:
    request = association_request()
    at = request.index(item, 74)  # behind the titles

    with socket.create_connection((HOST, intake.dicom_port), timeout=60) as connection:
        connection.sendall(request[:at] + odd + request[at + 2 :])
        kind, _ = RawPeer(connection).read()
        assert kind in {GONE, ABORT}

    assert_still_takes_images(intake)


def test_an_image_in_the_context_of_another_class_is_refused(intake: Intake) -> None:
    with raw_peer(intake.dicom_port) as peer:
        echo_context = 3
        peer.send(
            pdu(DATA, fragment(COMMAND | LAST, store_command(UID_OF_IMAGE), echo_context)),
            pdu(DATA, fragment(LAST, IMAGE, echo_context)),
        )

        assert peer.read_status() == 0xA900
    assert intake.facts() == []


BROKEN: dict[str, bytes] = {
    "a data set before its command": pdu(DATA, fragment(LAST, IMAGE)),
    "a command in the middle of a data set": pdu(
        DATA, whole_command() + fragment(DATA_SET, IMAGE[:99]) + whole_command()
    ),
    "a data set in another context": pdu(DATA, whole_command() + fragment(LAST, IMAGE, 3)),
    "a command in two contexts": pdu(
        DATA,
        fragment(COMMAND, store_command("2.25.1")[:9])
        + fragment(COMMAND | LAST, store_command("2.25.1")[9:], 3),
    ),
    "a context that was not accepted": pdu(
        DATA, fragment(COMMAND | LAST, store_command(UID_OF_IMAGE), 99)
    ),
    "a fragment longer than its PDU": pdu(DATA, b"\x00\x00\xff\xff\x01\x03data"),
    "a fragment of no length": pdu(DATA, b"\x00\x00\x00\x00\x01\x03data"),
    "an empty PDU": pdu(DATA, b""),
    "a command that is none": pdu(DATA, fragment(COMMAND | LAST, b"no command at all")),
    "a command without end": b"".join(pdu(DATA, fragment(COMMAND, bytes(8_000))) for _ in range(4)),
    "a PDU of 4 GB": b"\x04\x00\xff\xff\xff\xff" + bytes(1000),
    "a PDU of no known type": b"\x99\x00\x00\x00\x00\x04data",
    "an answer that was not asked for": pdu(2, bytes(68)),
}


@pytest.mark.parametrize("broken", list(BROKEN))
def test_what_breaks_the_protocol_is_aborted_and_leaves_nothing(
    intake: Intake, broken: str
) -> None:
    with raw_peer(intake.dicom_port) as peer:
        # when
        peer.send(BROKEN[broken])

        # then
        kinds = set(itertools.takewhile(lambda kind: kind != GONE, iter(lambda: peer.read()[0], 0)))
        assert kinds <= {ABORT}
        assert kinds or broken == "a PDU of 4 GB"  # a reset may overtake the abort
    assert_nothing_is_left(intake)


@pytest.mark.parametrize("end", ["abort", "close", "reset", "release"])
def test_an_end_in_the_middle_of_an_image_leaves_nothing(intake: Intake, end: str) -> None:
    with raw_peer(intake.dicom_port) as peer:
        peer.send(pdu(DATA, whole_command() + fragment(DATA_SET, IMAGE[:1000])))
        wait_until(lambda: incoming(intake), 20, "the image to begin to arrive")

        if end == "abort":
            peer.send(BREAK_OFF)
        elif end == "release":
            peer.release()
        elif end == "reset":
            linger = b"\x01\x00\x00\x00\x00\x00\x00\x00"
            peer.connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, linger)
            peer.connection.close()
        else:
            peer.connection.shutdown(socket.SHUT_RDWR)
        wait_until(lambda: not incoming(intake), 20, "the half image to be removed")
    assert_nothing_is_left(intake)


def test_a_peer_that_drips_is_broken_off(tmp_path: Path) -> None:
    with running_intake(tmp_path / "data", idle_timeout_s=0.5) as intake:
        for request in (b"", association_request()):
            with socket.create_connection(("127.0.0.1", intake.dicom_port), timeout=60) as slow:
                slow.sendall(request)
                peer = RawPeer(slow)
                if request:
                    peer.read()
                    slow.sendall(pdu(DATA, whole_command()))
                    wait_until(lambda: incoming(intake), 20, "the image to begin to arrive")
                # when: a PDU of 60 kB, a byte at a time, always before the time-out
                dripped = drip(slow, b"\x04\x00\x00\x00\xea\x60" + bytes(60_000))

                # then
                assert dripped < 60_000
        assert_nothing_is_left(intake)


def drip(connection: socket.socket, data: bytes) -> int:
    """Send a byte every 10 ms until the other side ends it; give how many went."""
    connection.settimeout(0.01)
    for count, byte in enumerate(data):
        try:
            connection.sendall(bytes((byte,)))
            if connection.recv(100) == b"":
                return count
        except TimeoutError:
            continue
        except OSError:
            return count
    return len(data)


def incoming(intake: Intake) -> list[Path]:
    return list((intake.images / "incoming").iterdir())


def assert_nothing_is_left(intake: Intake) -> None:
    """No file, no fact; and the next station is served."""
    wait_until(lambda: not incoming(intake), 20, "the half image to be removed")
    assert intake.facts() == []
    assert intake.kept_files() == []
    with association(intake.dicom_port, Verification) as peer:
        assert peer.send_c_echo().Status == 0x0000
    assert send(intake.dicom_port, make_image()).Status == 0x0000
    assert_the_image_is_kept_once(intake)
