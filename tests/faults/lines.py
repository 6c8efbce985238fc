"""The lines of a campaign, told what to do: see ``proxy``."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from threading import Lock
from typing import Any

ROOT = Path(__file__).parents[2]


class Lines:
    """The proxy's process. Safe to use from several threads."""

    def __init__(self, seed: int) -> None:
        self._lock = Lock()
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.faults.proxy", str(seed)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            cwd=ROOT,
            start_new_session=True,
        )

    def open(self, line: str, *to: int) -> int:
        """Lead a port of the loopback address to one of others; give it."""
        return int(self._tell(do="open", line=line, to=to)["port"])

    def cut(self, line: str, count: int, within: int = 1) -> None:
        """Cut so many connections, each in the middle of one of its next messages.

        Where fewer are open, those that come next are cut too.
        """
        self._tell(do="cut", line=line, count=count, within=within)

    def refuse(self, line: str, *, on: bool) -> None:
        """Cut all connections and let nobody in, or let in again."""
        self._tell(do="refuse", line=line, on=on)

    def stall(self, line: str, *, on: bool) -> None:
        """Carry nothing, without a word to either end, or let all of it flow."""
        self._tell(do="stall", line=line, on=on)

    def slow(self, line: str, delay_s: float) -> None:
        """Hold each piece for so long; 0: no more."""
        self._tell(do="slow", line=line, delay_s=delay_s)

    def told(self, line: str) -> dict[str, Any]:
        """Give how many connections are open and how many were cut in mid-message."""
        return self._tell(do="look", line=line)

    def close(self) -> None:
        """End the proxy's process."""
        assert self._process.stdin is not None
        self._process.stdin.close()
        self._process.wait(10)

    def _tell(self, **told: Any) -> dict[str, Any]:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        with self._lock:
            self._process.stdin.write(json.dumps(told).encode() + b"\n")
            self._process.stdin.flush()
            answer: dict[str, Any] = json.loads(self._process.stdout.readline())
            return answer
