"""Images over the wire, cut and mixed in every way that the upper layer allows."""

from __future__ import annotations

import socket
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest

from services.intake.dicom_receive import StoreReceiver
from services.intake.dicom_store import StoreAnswer
from services.intake.dicom_wire import Stalled, Wire, WireError
from services.intake.image_files import ImageFolder, IncomingFile
from tests.intake_support import INTRAORAL, Intake
from tests.raw_dicom import (
    COMMAND,
    DATA,
    DATA_SET,
    LAST,
    association_request,
    echo_command,
    fragment,
    pdu,
    raw_peer,
    store_command,
)
from tests.wire_image import IMAGE, UID_OF_IMAGE, assert_the_image_is_kept_once, whole_command


class Pieces:
    """The reading side of a socket that hands out what it was given in given pieces."""

    def __init__(self, pieces: list[bytes]) -> None:
        self._pieces = pieces

    def settimeout(self, timeout_s: float) -> None:
        assert timeout_s > 0

    def recv_into(self, room: memoryview) -> int:
        if not self._pieces:
            return 0
        piece = self._pieces.pop(0)
        room[: len(piece)] = piece
        return len(piece)


def receive(pieces: list[bytes], folder: ImageFolder) -> list[tuple[str, bytes]]:
    """Receive from pieces until they end; give each image's UID and data set."""
    received: list[tuple[str, bytes]] = []

    def answer(_association: Any, file: IncomingFile | None, _context: str) -> StoreAnswer:
        assert file is not None
        content = file.path.read_bytes()[file.data_set_at :]
        received.append((file.sop_instance_uid, content))
        file.discard()
        return StoreAnswer(0x0000)

    context = SimpleNamespace(abstract_syntax=INTRAORAL, transfer_syntax=["1.2.840.10008.1.2.1"])
    peer = SimpleNamespace(
        _accepted_cx={1: context},
        dimse=SimpleNamespace(message=None),
        requestor=SimpleNamespace(maximum_length=16_384),
        dul=SimpleNamespace(socket=SimpleNamespace(send=bytes)),
    )
    wire = Wire(cast("socket.socket", Pieces(pieces)), 60, 60)
    receiver = StoreReceiver(peer, wire, folder.new_file, answer)
    try:
        while receiver.take_pdu():
            continue
    except WireError:
        assert receiver.is_idle
    return received


def test_images_are_the_same_however_the_network_cuts_them(tmp_path: Path) -> None:
    # given: two images, of several fragments, in several PDUs
    folder = ImageFolder(tmp_path, 0, 1_000_000)
    first, second = b"\x01\x02" * 20, b"\x03\x04" * 7
    stream = (
        pdu(DATA, whole_command("2.25.1") + fragment(DATA_SET, first[:10]))
        + pdu(DATA, fragment(DATA_SET, first[10:11]) + fragment(LAST, first[11:]))
        + pdu(DATA, fragment(COMMAND, store_command("2.25.2")[:50]))
        + pdu(DATA, fragment(COMMAND | LAST, store_command("2.25.2")[50:]))
        + pdu(DATA, fragment(DATA_SET, second))
        + pdu(DATA, fragment(LAST, b""))
    )
    wanted = [("2.25.1", first), ("2.25.2", second)]

    # when, then: cut at every place, and into pieces of every length
    for at in range(1, len(stream)):
        assert receive([stream[:at], stream[at:]], folder) == wanted, at
    for length in range(1, 60):
        pieces = [stream[at : at + length] for at in range(0, len(stream), length)]
        assert receive(pieces, folder) == wanted, length
    assert list((tmp_path / "incoming").iterdir()) == []


def test_a_pdu_longer_than_the_buffer_is_received(tmp_path: Path) -> None:
    folder = ImageFolder(tmp_path, 0, 10_000_000)
    data = bytes(range(256)) * 4_000
    stream = pdu(DATA, whole_command("2.25.1")) + pdu(DATA, fragment(LAST, data))
    pieces = [stream[at : at + 100_000] for at in range(0, len(stream), 100_000)]

    assert receive(pieces, folder) == [("2.25.1", data)]


@pytest.mark.parametrize("length", [1, 2, 7, 500, 16_378])
def test_an_image_in_fragments_of_any_length_is_kept(intake: Intake, length: int) -> None:
    with raw_peer(intake.dicom_port) as peer:
        # when
        command = store_command(UID_OF_IMAGE)
        for at in range(0, len(command), length):
            last = LAST if at + length >= len(command) else 0
            peer.send(pdu(DATA, fragment(COMMAND | last, command[at : at + length])))
        for at in range(0, len(IMAGE), length):
            last = LAST if at + length >= len(IMAGE) else 0
            peer.send(pdu(DATA, fragment(last, IMAGE[at : at + length])))

        # then
        assert peer.read_status() == 0x0000
        peer.release()
    assert_the_image_is_kept_once(intake)


def test_a_whole_image_in_one_pdu_and_several_at_once_are_answered_each(intake: Intake) -> None:
    with raw_peer(intake.dicom_port) as peer:
        whole = [
            pdu(DATA, whole_command(message_id=number) + fragment(LAST, IMAGE))
            for number in range(1, 6)
        ]

        peer.send(*whole)

        for number in range(1, 6):
            answer = peer.read_message()
            assert answer[0x0120] == number.to_bytes(2, "little")
            assert answer[0x0900] == b"\x00\x00"
        peer.release()
    assert_the_image_is_kept_once(intake)


def test_other_messages_between_images_are_served_by_their_own_service(intake: Intake) -> None:
    with raw_peer(intake.dicom_port) as peer:
        for _ in range(3):
            peer.send(pdu(DATA, whole_command() + fragment(LAST, IMAGE)))
            assert peer.read_status() == 0x0000
            echo = echo_command()
            peer.send(
                pdu(DATA, fragment(COMMAND, echo[:20], 3)),
                pdu(DATA, fragment(COMMAND | LAST, echo[20:], 3)),
            )
            assert peer.read_status() == 0x0000
        peer.release()
    assert_the_image_is_kept_once(intake)


def test_a_peer_that_takes_only_tiny_pdus_gets_its_answer_in_pieces(intake: Intake) -> None:
    with raw_peer(intake.dicom_port, association_request(max_pdu_bytes=32)) as peer:
        peer.send(pdu(DATA, whole_command() + fragment(LAST, IMAGE)))

        assert peer.read_status() == 0x0000


def test_a_wire_says_why_it_gives_up() -> None:
    ours, theirs = socket.socketpair()
    with ours, theirs:
        theirs.sendall(b"abc")
        stalled = Wire(ours, 0.05, 60)
        assert bytes(stalled.peek(3)) == b"abc"
        with pytest.raises(Stalled):
            stalled.peek(4)
        assert stalled.recv(10) == b"abc"
