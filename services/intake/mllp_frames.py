"""Minimal lower layer protocol: where a message begins and ends in a stream. Pure.

A block is 0x0B, the message, 0x1C, 0x0D (HL7 v2, MLLP release 1; from memory). These three
bytes cannot occur inside a message but for the carriage return.
"""

from typing import Final

from schemas.errors import InvalidInput

START: Final = 0x0B
END: Final = b"\x1c\x0d"
_HEAD_BYTES: Final = 4_000
_MOST_NOISE_BYTES: Final = 1_024
_BETWEEN: Final = b"\r\n \x00"


class BrokenStream(InvalidInput):
    """A stream that is no MLLP, or a block beyond our bound. Nothing after it can be read.

    ``head`` is the beginning of the block, so that its sender can be answered.
    """

    def __init__(self, field: str, value: object, expected: str, head: bytes = b"") -> None:
        super().__init__(field, value, expected)
        self.head = head


def framed(message: bytes) -> bytes:
    """Put a message into a block."""
    return bytes([START]) + message + END


class FrameReader:
    """Collects bytes and gives the messages that are complete; holds one block at most."""

    def __init__(self, most_bytes: int) -> None:
        self._most_bytes = most_bytes
        self._buffer = bytearray()
        self._inside = False
        self._searched = 0
        self._noise_bytes = 0

    @property
    def begun(self) -> bool:
        """Whether a block has begun and not ended."""
        return self._inside

    def feed(self, received: bytes) -> list[bytes]:
        """Take bytes; give each message that they complete (BrokenStream)."""
        self._buffer += received
        messages: list[bytes] = []
        while True:
            if not self._inside and not self._find_start():
                return messages
            message = self._find_end()
            if message is None:
                return messages
            messages.append(message)

    def _find_start(self) -> bool:
        start = self._buffer.find(START)
        noise = self._buffer if start < 0 else self._buffer[:start]
        self._noise_bytes += len(bytes(noise).strip(_BETWEEN))
        if self._noise_bytes > _MOST_NOISE_BYTES:
            raise BrokenStream("stream", bytes(noise[:20]), "blocks that begin with 0x0B")
        if start < 0:
            self._buffer.clear()
            return False
        del self._buffer[: start + 1]
        self._inside = True
        self._searched = 0
        return True

    def _find_end(self) -> bytes | None:
        end = self._buffer.find(END[:1], self._searched)
        length = len(self._buffer) if end < 0 else end
        if length > self._most_bytes:
            head = bytes(self._buffer[:_HEAD_BYTES])
            expected = f"at most {self._most_bytes} bytes"
            raise BrokenStream("message", f"{length} bytes or more", expected, head)
        if start_again := self._buffer.find(START, 0, length) + 1:
            value = bytes(self._buffer[start_again - 1 : start_again + 8])
            raise BrokenStream("stream", value, "0x1C 0x0D before the next 0x0B")
        if end < 0 or len(self._buffer) < end + 2:
            self._searched = length
            return None
        if self._buffer[end : end + 2] != END:
            value = bytes(self._buffer[end : end + 8])
            raise BrokenStream("stream", value, "0x0D after 0x1C")
        message = bytes(self._buffer[:end])
        del self._buffer[: end + 2]
        self._inside = False
        self._noise_bytes = 0
        return message
