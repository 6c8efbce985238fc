"""A peer that speaks DICOM's upper layer byte by byte, to say what no library would.

Layouts of PS3.8 section 9.3 (from memory); association requests are encoded by pynetdicom.
"""

from __future__ import annotations

import socket
import struct
from collections.abc import Iterator
from contextlib import contextmanager

from pydicom.uid import UID, ExplicitVRLittleEndian
from pynetdicom.pdu import A_ASSOCIATE_RQ
from pynetdicom.pdu_primitives import (
    A_ASSOCIATE,
    ImplementationClassUIDNotification,
    MaximumLengthNotification,
)
from pynetdicom.presentation import build_context

from tests.intake_support import HOST, INTRAORAL

ACCEPT, REJECT, DATA, RELEASE_REQUEST, RELEASE_RESPONSE, ABORT = 2, 3, 4, 5, 6, 7
COMMAND, DATA_SET, LAST = 0x01, 0x00, 0x02
CONTEXT = 1
GONE = 0

RELEASE = b"\x05\x00\x00\x00\x00\x04\x00\x00\x00\x00"
BREAK_OFF = b"\x07\x00\x00\x00\x00\x04\x00\x00\x00\x00"


def pdu(kind: int, body: bytes) -> bytes:
    return struct.pack(">BxL", kind, len(body)) + body


def fragment(control: int, data: bytes, context: int = CONTEXT) -> bytes:
    return struct.pack(">LBB", len(data) + 2, context, control) + data


def element(number: int, value: bytes) -> bytes:
    return struct.pack("<HHL", 0, number, len(value)) + value


def number(value: int) -> bytes:
    return struct.pack("<H", value)


def uid(value: str) -> bytes:
    return value.encode() + b"\x00" * (len(value) % 2)


def command_set(*elements: bytes) -> bytes:
    body = b"".join(elements)
    return element(0, struct.pack("<L", len(body))) + body


def store_command(
    instance: str, sop_class: str = INTRAORAL, message_id: int = 1, data_set: int = 1
) -> bytes:
    return command_set(
        element(0x0002, uid(sop_class)),
        element(0x0100, number(0x0001)),
        element(0x0110, number(message_id)),
        element(0x0700, number(0)),
        element(0x0800, number(data_set)),
        element(0x1000, uid(instance)),
    )


def echo_command(message_id: int = 9) -> bytes:
    return command_set(
        element(0x0002, uid("1.2.840.10008.1.1")),
        element(0x0100, number(0x0030)),
        element(0x0110, number(message_id)),
        element(0x0800, number(0x0101)),
    )


def association_request(
    classes: tuple[str, ...] = (INTRAORAL, "1.2.840.10008.1.1"),
    calling: str = "STATION1",
    called: str = "GOMPHOSIS",
    max_pdu_bytes: int = 16_384,
) -> bytes:
    """Encode an A-ASSOCIATE-RQ; contexts are numbered 1, 3, 5 and so on."""
    request = A_ASSOCIATE()
    request.application_context_name = UID("1.2.840.10008.3.1.1.1")
    request.calling_ae_title, request.called_ae_title = calling, called
    longest = MaximumLengthNotification()
    longest.maximum_length_received = max_pdu_bytes
    maker = ImplementationClassUIDNotification()
    maker.implementation_class_uid = UID("2.25.1")
    request.user_information = [longest, maker]
    contexts = [build_context(one, ExplicitVRLittleEndian) for one in classes]
    for index, context in enumerate(contexts):
        context.context_id = 2 * index + 1
    request.presentation_context_definition_list = contexts
    encoded: bytes = A_ASSOCIATE_RQ(request).encode()
    return encoded


class RawPeer:
    """A connection that has associated."""

    def __init__(self, connection: socket.socket) -> None:
        self.connection = connection

    def send(self, *parts: bytes) -> None:
        self.connection.sendall(b"".join(parts))

    def read(self) -> tuple[int, bytes]:
        """Read a PDU: its type and its body. The type is 0 where the connection has ended."""
        header = self._exactly(6)
        if len(header) < 6:
            return GONE, b""
        kind, length = struct.unpack(">BxL", header)
        return kind, self._exactly(length)

    def read_message(self) -> dict[int, bytes]:
        """Read a command and give its elements by number."""
        command = b""
        while True:
            kind, body = self.read()
            assert kind == DATA, kind
            length, _, control = struct.unpack_from(">LBB", body)
            command += body[6 : 4 + length]
            if control & LAST:
                break
        found = {}
        while command:
            _, name, length = struct.unpack_from("<HHL", command)
            found[name] = command[8 : 8 + length]
            command = command[8 + length :]
        return found

    def read_status(self) -> int:
        status: int = struct.unpack("<H", self.read_message()[0x0900])[0]
        return status

    def release(self) -> None:
        self.send(RELEASE)
        assert self.read()[0] == RELEASE_RESPONSE

    def _exactly(self, count: int) -> bytes:
        data = b""
        while len(data) < count:
            try:
                piece = self.connection.recv(count - len(data))
            except ConnectionResetError:
                return data
            if not piece:
                return data
            data += piece
        return data


@contextmanager
def raw_peer(port: int, request: bytes | None = None) -> Iterator[RawPeer]:
    """Associate, and close the connection at the end, whatever has become of it."""
    with socket.create_connection((HOST, port), timeout=60) as connection:
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        peer = RawPeer(connection)
        peer.send(request or association_request())
        kind, _ = peer.read()
        assert kind == ACCEPT, kind
        yield peer
