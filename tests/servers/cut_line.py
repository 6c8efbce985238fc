"""A TCP line between two parties that a test can cut, at once or in mid-sentence."""

from __future__ import annotations

import contextlib
import socket
import struct
from collections.abc import Iterator
from contextlib import contextmanager
from threading import Lock, Thread

from tests.servers.ports import LOOPBACK

_PIECE_BYTES = 4_096
_RESET = struct.pack("ii", 1, 0)  # SO_LINGER: close by RST, and forget what was not sent


class CutLine:
    """Carries bytes between ``port`` and a port behind it, until it is cut."""

    def __init__(self, behind: int) -> None:
        self._behind = behind
        self._lock = Lock()
        self._ends: set[socket.socket] = set()
        self._is_cut = False
        self._left: int | None = None
        self._from_far = False
        self.cuts = 0
        self._listener = socket.create_server((LOOPBACK, 0))
        self.port = int(self._listener.getsockname()[1])

    @contextmanager
    def running(self) -> Iterator[CutLine]:
        """Carry until the end of the block."""
        thread = Thread(target=self._accept, daemon=True)
        thread.start()
        try:
            yield self
        finally:
            self.cut()
            self._listener.shutdown(socket.SHUT_RDWR)
            self._listener.close()
            thread.join()

    def cut(self) -> None:
        """Break every connection off, and let none through until ``heal``."""
        with self._lock:
            self._is_cut, self._left = True, None
            self.cuts += 1
            ends, self._ends = self._ends, set()
        for end in ends:
            _reset(end)

    def cut_after(self, count: int, *, of_answers: bool = False) -> None:
        """Cut once so many bytes have gone there, or, ``of_answers``, have come back."""
        with self._lock:
            self._left, self._from_far = count, of_answers

    def heal(self) -> None:
        """Let connections through again."""
        with self._lock:
            self._is_cut = False

    @property
    def is_cut(self) -> bool:
        return self._is_cut

    def _accept(self) -> None:
        while True:
            try:
                near, _ = self._listener.accept()
            except OSError:
                return
            try:
                if self._is_cut:
                    raise ConnectionError("cut")
                far = socket.create_connection((LOOPBACK, self._behind), timeout=10)
                far.settimeout(None)
            except OSError:
                _reset(near)
                continue
            with self._lock:
                self._ends |= {near, far}
            for source, target in ((near, far), (far, near)):
                Thread(
                    target=self._carry, args=(source, target, source is far), daemon=True
                ).start()

    def _carry(self, source: socket.socket, target: socket.socket, answers: bool) -> None:
        with contextlib.suppress(OSError):
            while piece := source.recv(_PIECE_BYTES):
                over = False
                with self._lock:
                    if self._left is not None and self._from_far == answers:
                        over = len(piece) > self._left
                        piece = piece[: self._left]
                        self._left -= len(piece)
                if piece:
                    target.sendall(piece)
                if over:
                    self.cut()
                    return
            target.shutdown(socket.SHUT_WR)


def _reset(end: socket.socket) -> None:
    with contextlib.suppress(OSError):
        end.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _RESET)
        end.shutdown(socket.SHUT_RD)  # wakes the thread that reads from it
    end.close()
