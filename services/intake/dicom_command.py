"""Command sets of C-STORE and the fragments that carry messages. Pure.

PS3.7 section 6.3.1: a command set is Implicit VR Little Endian, whatever was negotiated; section
9.3.1: the elements of C-STORE; PS3.8 section 9.3.5 and annex E: P-DATA-TF and its fragments (all
from memory, and checked against pynetdicom's and DCMTK's in the tests).
"""

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

P_DATA = 0x04
_C_STORE_RQ, _C_STORE_RSP = 0x0001, 0x8001
_NO_DATA_SET = 0x0101

_SOP_CLASS, _COMMAND, _MESSAGE_ID, _ANSWERED_ID = 0x0002, 0x0100, 0x0110, 0x0120
_DATA_SET_TYPE, _STATUS, _COMMENT, _SOP_INSTANCE = 0x0800, 0x0900, 0x0902, 0x1000

_ELEMENT = struct.Struct("<HHL")
_FRAGMENT = struct.Struct(">LBB")
_PDU = struct.Struct(">BxL")
_US = struct.Struct("<H")
_FRAGMENT_OVERHEAD = 6


class ProtocolViolation(ValueError):  # noqa: N818 - named after what the peer did
    """What came is no DICOM message: the association cannot go on."""


class Fragment(NamedTuple):
    """A presentation data value: a piece of a message's command set or of its data set."""

    context_id: int
    control: int
    data: memoryview

    @property
    def is_command(self) -> bool:
        return bool(self.control & 0x01)

    @property
    def is_last(self) -> bool:
        return bool(self.control & 0x02)


@dataclass(frozen=True, slots=True)
class StoreRequest:
    """A C-STORE request without its data set. UIDs are as they came, padding and all."""

    context_id: int
    message_id: int
    sop_class: bytes
    sop_instance: bytes
    has_data_set: bool

    @property
    def sop_class_uid(self) -> str:
        return _uid(self.sop_class)

    @property
    def sop_instance_uid(self) -> str:
        return _uid(self.sop_instance)


def fragments(body: memoryview) -> Iterator[Fragment]:
    """Split the body of a P-DATA-TF. Raises ProtocolViolation where a length cannot be true."""
    at = 0
    if not body:
        raise ProtocolViolation("P-DATA-TF: expected a fragment, found none")
    while at < len(body):
        if len(body) - at < _FRAGMENT.size:
            raise ProtocolViolation("P-DATA-TF: expected a whole fragment at its end")
        length, context_id, control = _FRAGMENT.unpack_from(body, at)
        end = at + 4 + length
        if length < 2 or end > len(body):
            raise ProtocolViolation(f"fragment length: expected what its PDU holds, got {length}")
        yield Fragment(context_id, control, body[at + _FRAGMENT.size : end])
        at = end


def read_store_request(context_id: int, command: bytes) -> StoreRequest | None:
    """Read a C-STORE request, or None where the command is another.

    Raises ProtocolViolation where the command set is none, or lacks what C-STORE needs.
    """
    elements = _elements(command)
    if _number(elements, _COMMAND) != _C_STORE_RQ:
        return None
    return StoreRequest(
        context_id,
        _number(elements, _MESSAGE_ID),
        elements.get(_SOP_CLASS, b""),
        elements.get(_SOP_INSTANCE, b""),
        _number(elements, _DATA_SET_TYPE) != _NO_DATA_SET,
    )


def store_response(
    request: StoreRequest, status: int, comment: str, max_pdu_bytes: int
) -> Iterator[bytes]:
    """Encode the answer as PDUs of at most ``max_pdu_bytes`` (0: the peer sets no limit)."""
    text = comment.encode("ascii", "replace")
    elements = [
        (_SOP_CLASS, request.sop_class),
        (_COMMAND, _US.pack(_C_STORE_RSP)),
        (_ANSWERED_ID, _US.pack(request.message_id)),
        (_DATA_SET_TYPE, _US.pack(_NO_DATA_SET)),
        (_STATUS, _US.pack(status)),
    ]
    if text:
        elements.append((_COMMENT, text + b" " * (len(text) % 2)))
    elements.append((_SOP_INSTANCE, request.sop_instance))
    body = b"".join(_ELEMENT.pack(0, tag, len(value)) + value for tag, value in elements)
    # The first element tells the length of all that follow.
    command = _ELEMENT.pack(0, 0, 4) + struct.pack("<L", len(body)) + body
    room = max(max_pdu_bytes - _FRAGMENT_OVERHEAD, 2) if max_pdu_bytes else len(command)
    for at in range(0, len(command), room):
        piece = command[at : at + room]
        control = 0x03 if at + room >= len(command) else 0x01
        fragment = _FRAGMENT.pack(len(piece) + 2, request.context_id, control) + piece
        yield _PDU.pack(P_DATA, len(fragment)) + fragment


def read_header(header: memoryview) -> tuple[int, int]:
    """Give a PDU's type and the length of what follows its six bytes."""
    kind, length = _PDU.unpack(header)
    return kind, length


def _elements(command: bytes) -> dict[int, bytes]:
    found: dict[int, bytes] = {}
    at = 0
    while at < len(command):
        if len(command) - at < _ELEMENT.size:
            raise ProtocolViolation("command set: expected a whole element at its end")
        group, element, length = _ELEMENT.unpack_from(command, at)
        at += _ELEMENT.size
        if group != 0 or length > len(command) - at:
            raise ProtocolViolation(f"command set: expected group 0000, got {group:04X},{length}")
        found[element] = command[at : at + length]
        at += length
    return found


def _number(elements: dict[int, bytes], element: int) -> int:
    value = elements.get(element, b"")
    if len(value) != _US.size:
        raise ProtocolViolation(f"(0000,{element:04X}): expected one number, got {len(value)} B")
    number: int = _US.unpack(value)[0]
    return number


def _uid(value: bytes) -> str:
    return value.rstrip(b"\x00 ").decode("ascii", "replace")
