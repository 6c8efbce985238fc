"""A small process that clears up after a test run that was killed and could not do it itself.

It reads the server's folder from its first line of input and then waits for the end of its input,
which comes when the test run closes it or dies, by SIGKILL too. Then it kills what is left of
the server and removes the folder.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path

from tests.servers.polling import NeverCameTrueError
from tests.servers.processes import processes_of, wait_until_gone

ROOT = Path(__file__).parents[2]
CLEAR_UP_TIMEOUT_S = 100  # a database server leaves very many files


class Reaper:
    """The test run's end of it: holds the reaper's input open for as long as the run lives."""

    def __init__(self, folder: Path) -> None:
        # The folder goes by input, not by argument, so the reaper is none of the folder's own.
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.servers.reaper"],
            stdin=subprocess.PIPE,
            cwd=ROOT,
            start_new_session=True,
        )
        assert self._process.stdin is not None
        self._process.stdin.write(f"{folder}\n".encode())
        self._process.stdin.flush()

    def finish(self) -> None:
        """Let it clear up, and wait for that."""
        self._process.communicate(timeout=CLEAR_UP_TIMEOUT_S)


def clear_up(folder: Path) -> None:
    """Kill every process of the folder and remove it."""
    while left := processes_of(folder):
        for pid in left:
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        with contextlib.suppress(NeverCameTrueError):  # new ones may have come: look again
            wait_until_gone(folder, 1.0, apart_from=frozenset())
    shutil.rmtree(folder, ignore_errors=True)


if __name__ == "__main__":
    told = sys.stdin.readline().strip()
    sys.stdin.read()
    if told:
        clear_up(Path(told))
