"""The tests' private servers, each on a machine that can be bad."""

from __future__ import annotations

import os
import signal
import subprocess
from contextlib import suppress
from pathlib import Path

from tests.faults.bad_machine import BadMachine
from tests.servers.postgresql import PostgreSQL, require_postgresql
from tests.servers.rabbitmq import RabbitMQ

PATIENCE_S = 600.0
"""A machine that is under load and has a slow disk besides takes long to start a server."""

CONNECTIONS = "400"
"""Of a dozen processes that are killed again and again; each may have up to 25."""


class BadPostgreSQL(PostgreSQL):
    """A PostgreSQL that waits for its disk."""

    start_timeout_s = stop_timeout_s = PATIENCE_S

    def __init__(self, machine: BadMachine) -> None:
        super().__init__(require_postgresql(), outlives_power_cuts=True)
        self._machine = machine

    def freeze(self) -> None:
        """Stop every process of it where it stands, as a machine that hangs."""
        for pid in self.pids():
            with suppress(ProcessLookupError):
                os.kill(pid, signal.SIGSTOP)

    def thaw(self) -> None:
        """Let all of them go on."""
        for pid in self.pids():
            with suppress(ProcessLookupError):
                os.kill(pid, signal.SIGCONT)

    def _spawn(
        self, command: list[str], env: dict[str, str], cwd: Path, user: str | None = None
    ) -> subprocess.Popen[bytes]:
        more = ["-c", f"max_connections={CONNECTIONS}"]
        return super()._spawn(command + more, env | self._machine.environment, cwd, user)


class BadRabbitMQ(RabbitMQ):
    """A RabbitMQ on a machine that can be bad."""

    start_timeout_s = stop_timeout_s = PATIENCE_S

    def __init__(self, machine: BadMachine) -> None:
        super().__init__()
        self._machine = machine

    def _environment(self) -> dict[str, str]:
        return super()._environment() | self._machine.environment
