"""All services on one machine: one child process each, in one process group."""

import os
import subprocess
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from threading import Event

import structlog

from services.runtime.stop_signals import when_told_to_stop

log = structlog.get_logger(__name__)

_STOP_WAIT_S = 20.0
_STEADY_S = 30.0
_RESTART_WAITS_S = (0.5, 1.0, 2.0, 5.0, 15.0, 30.0)


@dataclass(slots=True)
class _Child:
    service: str
    health_port: int
    process: subprocess.Popen[bytes] | None = None
    started_at: float = 0.0
    failures: int = 0
    start_again_at: float = 0.0

    def start(self) -> None:
        port = str(self.health_port)
        command = [sys.executable, "-m", "services.runtime.cli.main", "start", self.service]
        arguments = ["--health-port", port, "--supervisor", str(os.getpid())]
        self.process = subprocess.Popen([*command, *arguments])  # noqa: S603 - ourselves
        self.started_at = time.monotonic()

    def has_ended(self) -> bool:
        return self.process is not None and self.process.poll() is not None


@dataclass(slots=True)
class Supervisor:
    """Starts the services, starts again what ends by itself, and stops all together."""

    services: Sequence[str]
    first_health_port: int
    stop: Event = field(default_factory=Event)

    def run(self) -> int:
        """Run until SIGTERM or SIGINT; 0 where every child ended in good order."""
        when_told_to_stop(lambda _by: self.stop.set())
        children = [
            _Child(service, self.first_health_port + index)
            for index, service in enumerate(self.services)
        ]
        for child in children:
            child.start()
        while not self.stop.wait(0.2):
            for child in children:
                self._look_after(child)
        return self._stop_all(children)

    def _look_after(self, child: _Child) -> None:
        now = time.monotonic()
        if child.has_ended() and child.process is not None:
            steady = now - child.started_at > _STEADY_S
            child.failures = 0 if steady else child.failures + 1
            wait_s = _RESTART_WAITS_S[min(child.failures, len(_RESTART_WAITS_S) - 1)]
            log.error(
                "service_ended_by_itself",
                service=child.service,
                exit_code=child.process.returncode,
                starts_again_in_s=wait_s,
            )
            child.process = None
            child.start_again_at = now + wait_s
        elif child.process is None and now >= child.start_again_at:
            child.start()

    def _stop_all(self, children: Sequence[_Child]) -> int:
        running = [child.process for child in children if child.process is not None]
        for process in running:
            if process.poll() is None:
                process.terminate()
        end = time.monotonic() + _STOP_WAIT_S
        for process in running:
            try:
                process.wait(max(0.1, end - time.monotonic()))
            except subprocess.TimeoutExpired:
                log.error("service_killed", pid=process.pid, waited_s=_STOP_WAIT_S)
                process.kill()
                process.wait()
        return 0 if all(process.returncode == 0 for process in running) else 1


def stop_without(supervisor: int, stop: Event) -> None:
    """Set ``stop`` once the supervisor is gone, however it ended: no orphan keeps a port."""
    while os.getppid() == supervisor:
        if stop.wait(1.0):
            return
    log.warning("supervisor_gone")
    stop.set()
