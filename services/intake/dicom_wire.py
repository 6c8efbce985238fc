"""The bytes of one connection: read many at a time, bounded in size and in time."""

import select
import socket
import ssl
import time

import structlog

log = structlog.get_logger(__name__)

MOST_PDU_BYTES = 1_048_576
_READ_BYTES = 524_288
_LEAST_BYTES_PER_S = 1_000
HEADER_BYTES = 6


class WireError(OSError):
    """Nothing more can be read: the peer went away, or kept us waiting too long."""


class Stalled(WireError):  # noqa: N818 - a state of the peer
    """The peer stopped, or dripped, in the middle of what it sends."""


class PduTooLong(WireError):  # noqa: N818
    """A PDU claims to be longer than any that we asked for."""


class Wire:
    """Reads from a connected socket into one buffer that is used again.

    A length is only a claim: memory is taken for at most 1 MiB. Until ``open_up`` everything must
    be there within ``first_s``; from then on, whatever has begun must bring 1 kB for each
    second of every ``idle_s``, so that a dripping peer does not hold its place.
    """

    def __init__(self, peer: socket.socket, first_s: float, idle_s: float) -> None:
        self.socket = peer
        self._first_s = first_s
        self._idle_s = idle_s
        self._buffer = bytearray(_READ_BYTES)
        self._start = self._end = 0
        self._deadline: float | None = time.monotonic() + first_s
        self._window_ends = 0.0
        self._window_bytes = 0
        self._timeout_s: float | None = None
        self._poll: select.poll | None = None

    @property
    def buffered(self) -> int:
        """How many bytes were read and not yet taken."""
        return self._end - self._start

    def open_up(self) -> None:
        """The association stands: from here on progress counts, not a deadline."""
        self._deadline = None

    def close_down(self) -> None:
        """The association ends: what is still to come must come soon."""
        if self._deadline is None:
            self._deadline = time.monotonic() + self._first_s

    def cut(self) -> None:
        """End the connection now; whoever waits for the peer, in any thread, hears of it."""
        try:
            self.socket.shutdown(socket.SHUT_RDWR)
        except OSError as error:
            log.debug("connection_gone_before", reason=str(error))

    def close(self) -> None:
        """Give the descriptor and the buffer back. Safe to repeat."""
        self.socket.close()
        self._start = self._end = 0
        self._buffer = bytearray()

    def begin(self) -> None:
        """A message begins: from now on count what the peer brings."""
        self._window_ends = time.monotonic() + self._idle_s
        self._window_bytes = 0

    def wait(self, waker: int, timeout_s: float) -> bool:
        """Wait until there is something to read, or the waker's descriptor is; tell the first."""
        if self.buffered or (isinstance(self.socket, ssl.SSLSocket) and self.socket.pending()):
            return True
        if self.socket.fileno() < 0:  # closed under us
            return False
        if self._poll is None:
            self._poll = select.poll()
            self._poll.register(waker, select.POLLIN)
            self._poll.register(self.socket, select.POLLIN)
        found = self._poll.poll(timeout_s * 1000)
        return any(descriptor != waker for descriptor, _ in found)

    def peek(self, count: int) -> memoryview:
        """Give the next bytes without taking them. The view holds until the next call."""
        while self.buffered < count:
            self._read(count)
        return memoryview(self._buffer)[self._start : self._start + count]

    def take(self, count: int) -> memoryview:
        """Give and take the next bytes. The view holds until the next call."""
        view = self.peek(count)
        self._start += count
        return view

    def recv(self, count: int) -> bytearray:
        """Read as pynetdicom's socket does; what it gets may end early."""
        try:
            return bytearray(self.take(count))
        except WireError:
            return bytearray(self.take(min(self.buffered, count)))

    def _read(self, wanted: int) -> None:
        if wanted > MOST_PDU_BYTES + HEADER_BYTES:
            raise PduTooLong(f"PDU: expected at most {MOST_PDU_BYTES} bytes, got {wanted}")
        if self._start == self._end:
            self._start = self._end = 0
        if self._start + wanted > len(self._buffer):
            self._make_room(wanted)
        try:
            patience_s = self._patience_s()
            if patience_s != self._timeout_s:  # each setting is a call to the system
                self.socket.settimeout(patience_s)
                self._timeout_s = patience_s
            with memoryview(self._buffer)[self._end :] as room:
                count = self.socket.recv_into(room)
        except TimeoutError as error:
            raise Stalled("expected the rest of a PDU, and it did not come") from error
        except (OSError, ValueError) as error:
            raise WireError(str(error)) from error
        if count == 0:
            raise WireError("the peer closed the connection")
        self._end += count
        self._window_bytes += count
        self._check_progress()

    def _make_room(self, wanted: int) -> None:
        rest = bytes(self._buffer[self._start : self._end])
        if wanted > len(self._buffer):
            # A new one: views of the old one may still be held.
            self._buffer = bytearray(wanted)
        self._buffer[: len(rest)] = rest
        self._start, self._end = 0, len(rest)

    def _patience_s(self) -> float:
        if self._deadline is None:
            return self._idle_s
        left_s = self._deadline - time.monotonic()
        if left_s <= 0:
            raise Stalled("expected the whole request by now")
        return left_s

    def _check_progress(self) -> None:
        now = time.monotonic()
        if self._deadline is not None or now < self._window_ends:
            return
        if self._window_bytes < _LEAST_BYTES_PER_S * self._idle_s:
            raise Stalled(
                f"expected {_LEAST_BYTES_PER_S} bytes a second, "
                f"got {self._window_bytes} in {self._idle_s:g} s"
            )
        self.begin()
