"""Finding and ending the processes that a private server started, each by its id."""

from __future__ import annotations

import os
import signal
from pathlib import Path

from tests.servers.polling import NeverCameTrueError, wait_until

PROC = Path("/proc")


def is_running(pid: int) -> bool:
    """Say whether this process lives. One that has ended but was not reaped counts as gone."""
    try:
        stat = (PROC / str(pid) / "stat").read_text()
    except (FileNotFoundError, ProcessLookupError):
        return False
    return stat.rpartition(")")[2].split()[0] not in {"Z", "X"}


def processes_of(folder: Path) -> list[int]:
    """Return the ids of all living processes that work in ``folder`` or were told of it.

    Looks at command line, environment and working folder, so that children and daemons count too.
    """
    needle = os.fsencode(str(folder))
    found = []
    for entry in PROC.iterdir():
        if not entry.name.isdigit() or int(entry.name) == os.getpid():
            continue
        if any(needle in told for told in _told(entry)) and is_running(int(entry.name)):
            found.append(int(entry.name))
    return sorted(found)


def end(pid: int, how: signal.Signals, timeout_s: float, what: str) -> None:
    """Send a signal and wait until the process is gone; after ``timeout_s`` kill it and raise.

    Raises
    ------
    NeverCameTrueError
        When it did not end by itself: that is a defect worth seeing, though it is killed as well.
    """
    if not is_running(pid):
        return
    _send(pid, how)
    try:
        wait_until(lambda: not is_running(pid), timeout_s, f"{what} (process {pid}) to end")
    except NeverCameTrueError:
        _send(pid, signal.SIGKILL)
        raise


def wait_until_gone(folder: Path, timeout_s: float, *, apart_from: frozenset[int]) -> None:
    """Wait until no process of ``folder`` lives, apart from those named."""
    wait_until(
        lambda: not set(processes_of(folder)) - apart_from,
        timeout_s,
        f"all processes of {folder.name} to end",
    )


def _told(entry: Path) -> list[bytes]:
    told = []
    for name in ("cmdline", "environ"):
        try:
            told.append((entry / name).read_bytes())
        except OSError:  # gone meanwhile, or another user's
            continue
    try:
        told.append(os.fsencode((entry / "cwd").readlink()))
    except OSError:
        return told
    return told


def _send(pid: int, how: signal.Signals) -> None:
    try:
        os.kill(pid, how)
    except ProcessLookupError:
        return
