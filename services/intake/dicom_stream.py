"""Images from the wire straight to the disk, in pieces, and bounded in every direction.

pynetdicom gathers a data set in memory, or in a temporary file elsewhere that an abort leaves
behind. Here a C-STORE's pieces go to a file of ours in the image folder, as they arrive.
"""

import socket
from collections.abc import Callable
from functools import partial
from io import BytesIO
from threading import Lock
from typing import Any

from pynetdicom.dimse import DIMSEServiceProvider
from pynetdicom.dimse_messages import C_STORE_RQ, DIMSEMessage
from pynetdicom.transport import AssociationSocket, RequestHandler, ThreadedAssociationServer

from services.intake.image_files import IncomingFile

_MOST_IDENTIFIER_BYTES = 1_000_000
_MOST_PDU_BYTES = 1_048_576

NewFile = Callable[[], IncomingFile]


class StreamedDataSet(BytesIO):
    """Stands where pynetdicom keeps a message's data set: an image goes to a file instead."""

    def __init__(self, message: Any, association: Any, provider: "StreamingProvider") -> None:
        super().__init__()
        self._message = message
        self._association = association
        self._provider = provider
        self.file: IncomingFile | None = None

    def write(self, data: Any) -> int:
        """Take a piece; errors of the disk are kept in the file's ``failure``."""
        if not isinstance(self._message, C_STORE_RQ):
            if self.tell() + len(data) > _MOST_IDENTIFIER_BYTES:
                raise ValueError(f"expected an identifier of at most {_MOST_IDENTIFIER_BYTES}")
            return super().write(data)
        if self.file is None:
            self.file = self._provider.open_file()
            command = self._message.command_set
            context = self._association._accepted_cx.get(self._message.context_id)
            if context is not None:  # else pynetdicom aborts once the message is whole
                self.file.begin(
                    str(command.get("AffectedSOPClassUID") or ""),
                    str(command.get("AffectedSOPInstanceUID") or ""),
                    str(context.transfer_syntax[0]),
                )
        self.file.write(data)
        return len(data)


class StreamingProvider(DIMSEServiceProvider):  # type: ignore[misc]
    """Receives messages; owns the files of an association until a handler claims them."""

    def __init__(self, association: Any, new_file: NewFile) -> None:
        super().__init__(association)
        self.message: Any
        self._new_file = new_file
        self._files: set[IncomingFile] = set()
        self._lock = Lock()
        self._closed = False

    def receive_primitive(self, primitive: Any) -> None:
        if self.message is None:
            message: Any = DIMSEMessage()
            message.data_set = StreamedDataSet(message, self._assoc, self)
            self.message = message
        super().receive_primitive(primitive)

    def open_file(self) -> IncomingFile:
        file = self._new_file()
        with self._lock:
            if self._closed:
                file.failure = ConnectionAbortedError("the association has ended")
            else:
                self._files.add(file)
        return file

    def claim(self, data_set: object) -> IncomingFile | None:
        """Hand a received file over to a handler, or None where there is none (any more)."""
        file = data_set.file if isinstance(data_set, StreamedDataSet) else None
        with self._lock:
            if file is None or file not in self._files:
                return None
            self._files.remove(file)
        return file

    def close(self) -> None:
        """Leave nothing of what no handler has claimed: the peer aborted or went away."""
        with self._lock:
            self._closed = True
            files, self._files = self._files, set()
        for file in files:
            file.failure = ConnectionAbortedError("the association has ended")
            file.discard()


class StreamingHandler(RequestHandler):  # type: ignore[misc]
    """Makes each association stream its images."""

    def _create_association(self) -> Any:
        association = super()._create_association()
        provider = StreamingProvider(association, self.server.new_file)
        association.dimse = provider
        wire = association.dul.socket
        # A peer that stops in the middle of a PDU must not hold its thread for ever.
        wire.socket.settimeout(self.server.idle_timeout_s)
        # Else a response waits for the acknowledgement of the one before (RFC 896).
        wire.socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        wire.recv = partial(_receive, wire)
        run = association.run

        def run_and_clean_up() -> None:
            try:
                run()
            finally:
                provider.close()

        association.run = run_and_clean_up
        return association


def _receive(wire: AssociationSocket, wanted_bytes: int) -> bytearray:
    """Read from the socket as pynetdicom does, but a PDU at once and none beyond bounds.

    A length is only a claim: memory is taken for at most 1 MiB, and the connection ends.
    """
    if wanted_bytes > _MOST_PDU_BYTES:
        raise OSError(f"PDU length: expected at most {_MOST_PDU_BYTES} bytes, got {wanted_bytes}")
    buffer = bytearray(wanted_bytes)
    view = memoryview(buffer)
    received = 0
    while received < wanted_bytes:
        count = wire.socket.recv_into(view[received:])
        if count == 0:
            view.release()
            del buffer[received:]
            return buffer
        received += count
    return buffer


class StreamingServer(ThreadedAssociationServer):  # type: ignore[misc]
    """The listener. Connections beyond twice the associations allowed are closed at once."""

    def __init__(self, *args: Any, new_file: NewFile, idle_timeout_s: float, **kwargs: Any) -> None:
        self.new_file = new_file
        self.idle_timeout_s = idle_timeout_s
        super().__init__(*args, request_handler=StreamingHandler, **kwargs)

    def verify_request(self, request: Any, client_address: Any) -> bool:
        del request, client_address
        return len(self.active_associations) < 2 * int(self.ae.maximum_associations)
