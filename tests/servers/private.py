"""What every private server has in common."""

from __future__ import annotations

import os
import subprocess
import tempfile
from abc import ABC, abstractmethod
from pathlib import Path
from types import TracebackType
from typing import Self

from tests.servers.processes import processes_of
from tests.servers.reaper import Reaper

LOG_TAIL_LINES = 25


class ServerStartError(RuntimeError):
    """A private server ended or stayed silent during its start; its last words are in the text."""

    def __init__(self, name: str, log_tail: str) -> None:
        self.name = name
        self.log_tail = log_tail
        super().__init__(f"the private {name} did not start; it said:\n{log_tail or '(nothing)'}")


class PrivateServer(ABC):
    """A server of this test run alone, on free loopback ports, with all its files in one folder.

    ``start``, ``stop``, ``restart`` and ``kill`` keep the data; ``close`` also removes it.
    """

    name: str

    def __init__(self) -> None:
        self.folder = Path(tempfile.mkdtemp(prefix=f"gomphosis-{self.name}-"))
        self._process: subprocess.Popen[bytes] | None = None
        self._reaper = Reaper(self.folder)

    @property
    @abstractmethod
    def url(self) -> str:
        """The address to connect to."""

    @abstractmethod
    def start(self) -> None:
        """Start, and return once connections are served; if it runs already, do nothing."""

    @abstractmethod
    def stop(self) -> None:
        """End in good order and wait until every process is gone; the data stays."""

    @abstractmethod
    def kill(self) -> None:
        """End by SIGKILL, then start again on the same data."""

    def restart(self) -> None:
        """End in good order, then start again on the same data and ports."""
        self.stop()
        self.start()

    def close(self) -> None:
        """Stop, and remove the data; what would not stop is killed."""
        try:
            self.stop()
        finally:
            self._reaper.finish()

    def pids(self) -> list[int]:
        """Return the ids of all living processes of this server, children and daemons included."""
        return processes_of(self.folder)

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    @property
    def log_file(self) -> Path:
        """Where the server's output goes."""
        return self.folder / "server.log"

    def _spawn(
        self, command: list[str], env: dict[str, str], cwd: Path, user: str | None = None
    ) -> subprocess.Popen[bytes]:
        """Start a process away from the terminal, so that Ctrl-C reaches only the test runner."""
        with self.log_file.open("ab") as log:
            return subprocess.Popen(
                command,
                env=env,
                cwd=cwd,
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=subprocess.STDOUT,
                start_new_session=True,
                user=user,
                group=user,
                extra_groups=None if user is None else [],
            )

    def _reap(self) -> None:
        if self._process is not None:
            self._process.wait(timeout=10)
            self._process = None

    def _runs(self) -> bool:
        return self._process is not None and self._process.poll() is None

    def _still_runs(self) -> None:
        if not self._runs():
            raise ServerStartError(self.name, self._log_tail())

    def _log_tail(self) -> str:
        if not self.log_file.exists():
            return ""
        return "\n".join(self.log_file.read_text(errors="replace").splitlines()[-LOG_TAIL_LINES:])


def plain_environment() -> dict[str, str]:
    """Return the few variables a server needs, so that nobody's settings reach it by chance."""
    return {
        "PATH": os.environ.get("PATH", "") + os.pathsep + "/usr/sbin:/usr/bin:/sbin:/bin",
        "LANG": "C.UTF-8",
    }
