"""A stand-in of ours, as a process of its own: started, told what to do, and killed by a test."""

from __future__ import annotations

import signal
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Self

import httpx

from tests.servers.polling import wait_until
from tests.servers.ports import LOOPBACK, free_port, port_is_open

ROOT = Path(__file__).parents[2]


class StandIn:
    """One process of a module of the tests, which listens on ``ports`` once it is ready."""

    def __init__(self, module: str, arguments: Sequence[str], ports: Sequence[int]) -> None:
        self._command = [sys.executable, "-m", module, *arguments]
        self._ports = ports
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        self._process = subprocess.Popen(self._command, cwd=ROOT)
        module = self._command[2]
        wait_until(lambda: all(map(port_is_open, self._ports)), 300, f"{module} to listen")

    def kill(self) -> None:
        if self._process is not None:
            self._process.send_signal(signal.SIGKILL)
            self._process.wait(30)
            self._process = None

    @contextmanager
    def running(self) -> Iterator[Self]:
        """Start it, and kill it in the end."""
        self.start()
        try:
            yield self
        finally:
            self.kill()


class HttpStandIn(StandIn):
    """One that speaks HTTP, keeps its state in a folder and is told what to do at ``/_control``."""

    def __init__(self, module: str, folder: Path) -> None:
        self.port = free_port()
        self.url = f"http://{LOOPBACK}:{self.port}"
        super().__init__(module, [str(self.port), str(folder)], [self.port])

    def control(self, **told: Any) -> None:
        httpx.post(f"{self.url}/_control", json=told, timeout=30).raise_for_status()

    def told(self) -> dict[str, Any]:
        """Give what it tells of itself: what it was asked, and more."""
        answer: dict[str, Any] = httpx.get(f"{self.url}/_control", timeout=30).json()
        return answer
