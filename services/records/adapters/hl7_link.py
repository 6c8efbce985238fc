"""One MLLP connection to the record: a message out, its own answer in, one at a time.

A block is 0x0B, the message, 0x1C, 0x0D (MLLP release 1; from memory). An answer counts only
under the control id of the message in hand: one that came twice, or another's, is no answer. After
any trouble the connection is given up, so that nothing late on it can be taken for an answer.
"""

import select
import socket
import ssl
import time
from collections.abc import Callable
from threading import Lock
from typing import Final

import structlog

from services.records.adapters.hl7_answer import Acknowledgement, read_answer
from services.records.adapters.hl7_options import Hl7Options, Mode
from services.records.port import (
    RecordBarred,
    RecordError,
    RecordOptionError,
    RecordUnavailable,
)
from services.runtime.tls_faults import PeerFault, look_for_fault, tls_fault, unreadable_files

log = structlog.get_logger(__name__)

START: Final = b"\x0b"
END: Final = b"\x1c\x0d"
_MOST_BYTES: Final = 65_536
_RECEIVE_BYTES: Final = 16_384
_LOOK_S: Final = 0.3
_BROKEN: Final = (ConnectionError, ssl.SSLError)


def framed(message: bytes) -> bytes:
    """Put a message into a block."""
    return START + message + END


class MllpLink:
    """Connects when it is first needed, and again after trouble. Safe to use from any thread.

    ``answer_to`` writes the commit answer that a record may ask for its own answers.
    Raises RecordOptionError at first for PEM files that cannot be used; later, and for
    certificates that are not taken, RecordBarred.
    """

    def __init__(self, options: Hl7Options, answer_to: Callable[[Acknowledgement], bytes]) -> None:
        self._options = options
        if options.tls:
            _see_that_files_are_read(options)
        self._answer_to = answer_to
        self._last_words = {"AA", "AE", "AR", "CE", "CR"}
        if options.mode is Mode.COMMIT:
            self._last_words.add("CA")
        self._where = f"{options.host}:{options.port}"
        self._lock = Lock()
        self._socket: socket.socket | None = None
        self._buffer = bytearray()

    def ask(
        self, message: bytes, control_id: str, before_sending: Callable[[], None] = lambda: None
    ) -> Acknowledgement:
        """Send a message and give the record's last word on it.

        ``before_sending`` is called once a connection stands and before anything leaves.
        Raises RecordUnavailable where none came: the message may have arrived all the same.
        """
        with self._lock:
            deadline = time.monotonic() + self._options.timeout_s
            try:
                connection = self._ready()
                before_sending()
                connection.settimeout(self._options.timeout_s)
                connection.sendall(framed(message))
                return self._answer(connection, control_id, deadline)
            except RecordError:
                self._drop()
                raise
            except OSError as error:  # TLS errors and timeouts too
                self._drop()
                raise self._told(error) from error

    def look(self) -> None:
        """Connect if need be, and see that the record does not hang up. Raises as ``ask``."""
        with self._lock:
            try:
                connection = self._ready()
                connection.settimeout(_LOOK_S)
                try:
                    received = connection.recv(_RECEIVE_BYTES)
                except TimeoutError:
                    return
                self._drop()
                if not received:
                    raise RecordUnavailable(f"record at {self._where} hangs up at once")
            except OSError as error:
                self._drop()
                raise self._told(error) from error

    def close(self) -> None:
        """Let go of the connection. Safe to repeat."""
        with self._lock:
            self._drop()

    def _answer(
        self, connection: socket.socket, control_id: str, deadline: float
    ) -> Acknowledgement:
        committed = False
        while True:
            block = self._block(connection, deadline, committed=committed)
            told = read_answer(block)
            if told is None or told.control_id != control_id:
                of = told.control_id if told is not None else None
                log.warning("answer_not_ours", wanted=control_id, told=of, bytes=len(block))
                continue
            if told.wants_answer:
                connection.sendall(framed(self._answer_to(told)))
            if told.code in self._last_words:
                return told
            committed = True

    def _block(self, connection: socket.socket, deadline: float, *, committed: bool) -> bytes:
        """Wait for one whole block."""
        while (end := self._buffer.find(END)) < 0:
            if len(self._buffer) > _MOST_BYTES:
                raise RecordUnavailable(
                    f"record at {self._where}: no end after {_MOST_BYTES} bytes"
                )
            left_s = deadline - time.monotonic()
            try:
                connection.settimeout(max(left_s, 0.001))
                received = connection.recv(_RECEIVE_BYTES) if left_s > 0 else None
            except TimeoutError:
                received = None
            if received is None:
                so_far = "committed it, and gave no application answer" if committed else "silent"
                raise RecordUnavailable(
                    f"record at {self._where}: {so_far} within {self._options.timeout_s:g} s"
                )
            if not received:
                half = " within an answer" if self._buffer else ""
                raise RecordUnavailable(f"record at {self._where} closed the connection{half}")
            self._buffer += received
        block = bytes(self._buffer[:end])
        del self._buffer[: end + len(END)]
        # What stands before the last start is the rest of an answer that was never ended.
        return block[block.rfind(START) + 1 :]

    def _ready(self) -> socket.socket:
        """Give the connection; a new one where the record has left, or has spoken unasked."""
        if self._socket is not None and (
            self._buffer or select.select([self._socket], [], [], 0)[0]
        ):
            self._drop()
        if self._socket is None:
            self._socket = self._connected()
        return self._socket

    def _connected(self) -> socket.socket:
        options = self._options
        connection = socket.create_connection((options.host, options.port), options.timeout_s)
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        if not options.tls:
            return connection
        try:
            secured = self._context().wrap_socket(connection, server_hostname=options.host)
        except BaseException:
            connection.close()
            raise
        if options.asks_before_resend:
            self._see_that_we_are_taken(secured)
        return secured

    def _see_that_we_are_taken(self, secured: ssl.SSLSocket) -> None:
        """Wait for what a record of TLS 1.3 says of our certificate after the handshake.

        What has left must be told apart from what has not where nothing may be sent twice.
        """
        secured.settimeout(_LOOK_S)
        try:
            self._buffer += secured.recv(_RECEIVE_BYTES)
        except TimeoutError:
            return
        except BaseException:
            secured.close()
            raise

    def _drop(self) -> None:
        self._buffer.clear()
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def _told(self, error: OSError) -> RecordError:
        fault = tls_fault(error)
        if fault is None and self._options.tls and isinstance(error, _BROKEN):
            fault = self._lost_fault()
        if fault is not None:
            return self._barred(fault)
        words = error.strerror or error or type(error).__name__
        return RecordUnavailable(f"record at {self._where}: {words}")

    def _lost_fault(self) -> PeerFault | None:
        options = self._options
        return look_for_fault(options.host, options.port, self._context(), options.timeout_s)

    def _barred(self, fault: PeerFault) -> RecordBarred:
        return RecordBarred(
            fault.name, f"record at {self._where}: {fault.words}", fault.next_action
        )

    def _context(self) -> ssl.SSLContext:
        """Read the files anew for each connection: they may have been mended."""
        try:
            return _context(self._options)
        except OSError as error:  # TLS errors too
            raise self._barred(unreadable_files(error)) from error


def _context(options: Hl7Options, *, own: bool = True) -> ssl.SSLContext:
    context = ssl.create_default_context(cafile=options.ca_file)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    if own and options.certificate_file is not None:
        context.load_cert_chain(options.certificate_file, options.key_file)
    return context


def _see_that_files_are_read(options: Hl7Options) -> None:
    for option, file, own in (
        ("ca_file", options.ca_file, False),
        ("certificate_file", options.certificate_file, True),
    ):
        try:
            _context(options, own=own)
        except OSError as error:
            expected = f"a PEM file that can be read ({error})"
            raise RecordOptionError(option, str(file or ""), expected) from error
