"""The processes of the program, and who starts them again as systemd would."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from threading import Event, Lock, Thread
from urllib.error import URLError
from urllib.request import urlopen

from tests.bench.workplace import Child, python_module
from tests.faults.bad_machine import BadMachine
from tests.servers.ports import LOOPBACK

RESTART_S = 0.5
LOOK_S = 0.1
STOP_S = 300.0


@dataclass(frozen=True, slots=True)
class Ended:
    """An end of a process that nobody of ours asked for."""

    name: str
    code: int
    said: str


@dataclass(eq=False)
class Member:
    """One process of a service. ``asked`` says that its next end is our doing."""

    kind: str
    name: str
    health_port: int
    environment: Mapping[str, str]
    machine: BadMachine
    folder: Path
    child: Child | None = None
    asked: bool = False
    start_at: float = 0.0
    starts: int = 0
    ended: list[Ended] = field(default_factory=list)

    def start(self) -> None:
        command = python_module("services.runtime.cli.main", "start", self.kind)
        environment = {**self.environment, **self.machine.environment}
        self.child = Child(self.name, command, environment, self.folder)
        self.starts += 1
        self.asked = False

    def signal(self, how: signal.Signals) -> None:
        """Send a signal to the process itself, not to its children."""
        if self.child is not None and self.child.process.poll() is None:
            if how in {signal.SIGKILL, signal.SIGTERM}:
                self.asked = True
            with suppress(ProcessLookupError):
                os.kill(self.child.process.pid, how)

    def is_ready(self) -> bool:
        try:
            with urlopen(f"http://{LOOPBACK}:{self.health_port}/readyz", timeout=5) as answer:
                return bool(answer.status == 200)
        except (URLError, OSError):
            return False


class Supervisor:
    """Starts again what has ended, after ``RESTART_S``."""

    def __init__(self, members: list[Member]) -> None:
        self.members = members
        self._stop = Event()
        self._lock = Lock()
        self._thread = Thread(target=self._run, name="supervisor", daemon=True)

    def start(self) -> None:
        """Start all, and look after them from now on."""
        for member in self.members:
            member.start()
        self._thread.start()

    def ended(self) -> list[Ended]:
        """Give the ends that nobody asked for."""
        return [one for member in self.members for one in member.ended]

    def stop(self) -> None:
        """End all in good order. What does not end is killed."""
        self._stop.set()
        self._thread.join()
        for member in self.members:
            member.signal(signal.SIGTERM)
        for member in self.members:
            if member.child is not None:
                member.child.stop(STOP_S)

    def kill(self) -> None:
        """End all at once."""
        self._stop.set()
        for member in self.members:
            if member.child is not None:
                member.child.kill()

    def _run(self) -> None:
        while not self._stop.wait(LOOK_S):
            for member in self.members:
                self._look_after(member)

    def _look_after(self, member: Member) -> None:
        now = time.monotonic()
        if member.child is not None:
            code = member.child.process.poll()
            if code is None:
                return
            if not member.asked:
                said = member.child.last_words().splitlines()
                member.ended.append(Ended(member.name, code, said[-1] if said else ""))
            member.child, member.start_at = None, now + RESTART_S
        elif now >= member.start_at:
            member.start()
