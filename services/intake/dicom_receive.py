"""The fast way of an image: from the socket's buffer to the disk, and its answer back.

pynetdicom takes about 12 ms of processor time for an image of 2 MB: each PDU is copied several
times, queued as an event, and waited for in steps of 1 ms. Here fragments go from one buffer to
the file and to the hash. All that is no C-STORE is handed on to pynetdicom.
"""

from collections.abc import Callable
from typing import Any

import structlog
from pynetdicom import pdu_primitives

from services.intake.dicom_command import (
    P_DATA,
    Fragment,
    ProtocolViolation,
    StoreRequest,
    fragments,
    read_header,
    read_store_request,
    store_response,
)
from services.intake.dicom_store import StoreAnswer
from services.intake.dicom_wire import HEADER_BYTES, MOST_PDU_BYTES, PduTooLong, Wire
from services.intake.image_files import IncomingFile

log = structlog.get_logger(__name__)

_MOST_COMMAND_BYTES = 16_384
_MOST_PIECES = 512

NewFile = Callable[[], IncomingFile]
AnswerStore = Callable[[Any, IncomingFile | None, str], StoreAnswer]
"""Takes the association, the written file (or None) and the context's abstract syntax."""


class StoreReceiver:
    """Receives the messages of one association. Used by its DUL thread alone."""

    def __init__(
        self, association: Any, wire: Wire, new_file: NewFile, answer: AnswerStore
    ) -> None:
        self._association = association
        self._wire = wire
        self._new_file = new_file
        self._answer = answer
        self._command = bytearray()
        self._command_context = 0
        self._request: StoreRequest | None = None
        self._file: IncomingFile | None = None
        self._pieces: list[memoryview] = []  # of the file, not written yet
        self.is_answering = False

    @property
    def is_idle(self) -> bool:
        """Whether no message is under way."""
        under_way = self._request is not None or self._command or self.is_answering
        return not under_way and not self._is_handing_on

    @property
    def _is_handing_on(self) -> bool:
        return self._association.dimse.message is not None

    def take_pdu(self) -> bool:
        """Read and work off the next PDU if it carries data; else leave it and give False.

        What else was read of a data set along with it is worked off too: written at once, it
        needs fewer calls to the system. Raises ProtocolViolation or WireError.
        """
        if self.is_idle:
            self._wire.begin()
        if not self._take_next():
            return False
        try:
            while self._file is not None and self._next_is_here():
                if not self._take_next():
                    break
        finally:
            self._write()  # before the next call to the wire: the pieces are views of its buffer
        return True

    def _take_next(self) -> bool:
        kind, length = read_header(self._wire.peek(HEADER_BYTES))
        if kind != P_DATA:
            return False
        if length > MOST_PDU_BYTES:
            raise PduTooLong(f"PDU: expected at most {MOST_PDU_BYTES} bytes, got {length}")
        for fragment in fragments(self._wire.take(HEADER_BYTES + length)[HEADER_BYTES:]):
            self._take(fragment)
        return True

    def _next_is_here(self) -> bool:
        """Say whether a whole PDU is buffered, so that taking it reads nothing."""
        if self._wire.buffered < HEADER_BYTES:
            return False
        _, length = read_header(self._wire.peek(HEADER_BYTES))
        return self._wire.buffered >= HEADER_BYTES + length

    def _write(self) -> None:
        pieces, self._pieces = self._pieces, []
        if pieces and self._file is not None:
            self._file.write(*pieces)

    def close(self) -> None:
        """Leave nothing of an image that is not whole: the peer aborted or went away."""
        file, self._file = self._file, None
        self._pieces.clear()
        if file is not None:
            file.discard()

    def _take(self, fragment: Fragment) -> None:
        if self._is_handing_on:
            self._hand_on(fragment.context_id, fragment.control, fragment.data)
        elif fragment.is_command:
            self._take_command(fragment)
        else:
            self._take_data(fragment)

    def _take_command(self, fragment: Fragment) -> None:
        if self._request is not None:
            raise ProtocolViolation("expected the rest of a data set, got a command")
        if self._command and fragment.context_id != self._command_context:
            raise ProtocolViolation("expected a command in one presentation context")
        if len(self._command) + len(fragment.data) > _MOST_COMMAND_BYTES:
            raise ProtocolViolation(f"command: expected at most {_MOST_COMMAND_BYTES} bytes")
        self._command += fragment.data
        self._command_context = fragment.context_id
        if not fragment.is_last:
            return
        command = bytes(self._command)
        self._command.clear()
        request = read_store_request(fragment.context_id, command)
        if request is None:
            self._hand_on(fragment.context_id, 0x03, command)
        else:
            self._begin(request)

    def _begin(self, request: StoreRequest) -> None:
        context = self._association._accepted_cx.get(request.context_id)
        if context is None:
            raise ProtocolViolation(f"context {request.context_id}: expected an accepted one")
        if not request.has_data_set:
            self._finish(request, None)
            return
        self._request = request
        self._file = self._new_file()
        self._file.begin(
            request.sop_class_uid, request.sop_instance_uid, str(context.transfer_syntax[0])
        )

    def _take_data(self, fragment: Fragment) -> None:
        if self._request is None or self._file is None:
            raise ProtocolViolation("expected a command, got a data set")
        if fragment.context_id != self._request.context_id:
            raise ProtocolViolation("expected the data set in the context of its command")
        self._pieces.append(fragment.data)
        if fragment.is_last or len(self._pieces) >= _MOST_PIECES:
            self._write()
        if fragment.is_last:
            request, file = self._request, self._file
            self._request = self._file = None
            self._finish(request, file)

    def _finish(self, request: StoreRequest, file: IncomingFile | None) -> None:
        context = self._association._accepted_cx[request.context_id]
        self.is_answering = True
        try:
            answer = self._answer(self._association, file, str(context.abstract_syntax))
        finally:
            self.is_answering = False
        peer_takes = self._association.requestor.maximum_length or 0
        for pdu in store_response(request, answer.status, answer.comment, peer_takes):
            self._association.dul.socket.send(pdu)

    def _hand_on(self, context_id: int, control: int, data: bytes | memoryview) -> None:
        primitive = pdu_primitives.P_DATA()
        primitive.presentation_data_value_list = [[context_id, bytes((control,)) + bytes(data)]]
        self._association.dimse.receive_primitive(primitive)
