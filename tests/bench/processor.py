"""Processor seconds by part of the system: a busy machine stretches them less than the clock."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping
from pathlib import Path

from tests.bench.program import COMMAND, Program
from tests.bench.workplace import Workplace
from tests.servers.postgresql import PostgreSQL
from tests.servers.rabbitmq import RabbitMQ

DATABASE, BROKER = "database", "broker"
_TICKS_A_SECOND = os.sysconf("SC_CLK_TCK")


class Processors:
    """Reads what each service, the database and the broker have taken of the processors so far.

    Children count with their parents, also those that have ended, as soon as they were waited for.
    Servers that were given and not started here are not seen.
    """

    def __init__(self, place: Workplace, program: Program) -> None:
        self._roots: dict[str, list[int]] = {}
        for pid in _tree([child.process.pid for child in (program.child, *program.further)]):
            service = _service_of(pid)
            if service is not None:
                self._roots.setdefault(service, []).append(pid)
        if isinstance(place.database_in_use, PostgreSQL):
            self._roots[DATABASE] = place.database_in_use.pids()
        if isinstance(place.broker_in_use, RabbitMQ):
            self._roots[BROKER] = place.broker_in_use.pids()

    def seconds(self) -> dict[str, float]:
        """Return user and system seconds by part, since each began."""
        return {name: processor_seconds(pids) for name, pids in self._roots.items()}


def processor_seconds(pids: Iterable[int]) -> float:
    """Return user and system seconds of these processes and all that descend from them."""
    return sum(map(_seconds, _tree(pids)))


def spent(before: Mapping[str, float], after: Mapping[str, float]) -> dict[str, float]:
    """Return what each part took between two readings."""
    return {name: after[name] - before[name] for name in after}


def _service_of(pid: int) -> str | None:
    words = Path(f"/proc/{pid}/cmdline").read_text().split("\0")
    if COMMAND not in words or "start" not in words:
        return None
    following = words[words.index("start") + 1 :]
    return following[0] if following and following[0] != "all" else None


def _tree(roots: Iterable[int]) -> set[int]:
    """Give the living processes among these and all that descend from them."""
    children: dict[int, list[int]] = {}
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            fields = _stat(int(entry.name))
            if fields is not None:
                children.setdefault(int(fields[1]), []).append(int(entry.name))
    found: set[int] = set()
    due = list(roots)
    while due:
        pid = due.pop()
        if pid not in found:
            found.add(pid)
            due += children.get(pid, [])
    return found


def _seconds(pid: int) -> float:
    """proc(5): utime, stime, and of children that were waited for cutime, cstime, in ticks."""
    fields = _stat(pid)
    return 0.0 if fields is None else sum(int(field) for field in fields[11:15]) / _TICKS_A_SECOND


def _stat(pid: int) -> list[str] | None:
    """Return the fields after the name, which may hold spaces; None where it has ended."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    except (FileNotFoundError, ProcessLookupError):
        return None
