"""A sender of HL7 v2 over MLLP, written for the tests; also a process of its own.

``python -m tests.record_inputs.mllp_client HOST PORT FILE...`` sends each file and prints the
answers as JSON, one line for each file.
"""

from __future__ import annotations

import json
import socket
import sys
from pathlib import Path
from types import TracebackType
from typing import Self

START, END = b"\x0b", b"\x1c\x0d"


class MllpClient:
    """One connection. ``receive`` gives None where the other side has closed it."""

    def __init__(self, port: int, host: str = "127.0.0.1", sock: socket.socket | None = None):
        self.socket = sock or socket.create_connection((host, port), timeout=30)
        self.socket.settimeout(30)
        self._buffer = b""

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.socket.close()

    def send(self, body: bytes) -> None:
        self.socket.sendall(START + body + END)

    def receive(self) -> bytes | None:
        while END not in self._buffer:
            try:
                piece = self.socket.recv(65_536)
            except ConnectionResetError:
                return None
            if not piece:
                return None
            self._buffer += piece
        answer, _, self._buffer = self._buffer.partition(END)
        assert answer.startswith(START)
        return answer[1:]

    def ask(self, body: bytes) -> bytes | None:
        self.send(body)
        return self.receive()


def main(host: str, port: str, *files: str) -> None:
    with MllpClient(int(port), host) as client:
        for file in files:
            answer = client.ask(Path(file).read_bytes())
            sys.stdout.write(json.dumps(answer and answer.decode("utf-8")) + "\n")


if __name__ == "__main__":
    main(*sys.argv[1:])
