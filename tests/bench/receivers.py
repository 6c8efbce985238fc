"""The receivers of images that are compared, each in processes of its own, each empty at first."""

from __future__ import annotations

import os
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from sqlalchemy import func, select

from demo.hospital import __file__ as demo_hospital
from services.intake.store import FACT
from services.runtime.store import Store
from tests.bench.figures import BenchError
from tests.bench.program import EMBEDDED, GROUP, Program, running_program
from tests.bench.workplace import Child, Workplace, python_module
from tests.servers.dcmtk import TIMEOUT_S, Dcmtk, dcmtk_environment
from tests.servers.polling import wait_until
from tests.servers.ports import LOOPBACK, free_port

PROCESSES = max(2, len(os.sched_getaffinity(0)))
SEVERAL = f"gomphosis, SQLite, {PROCESSES} listener processes"
SEVERAL_GROUP = f"gomphosis, PostgreSQL, {PROCESSES} listener processes"
BARE = "bare pynetdicom, no sync"
CHUNKED = "bare pynetdicom streaming to disk, no sync"
STORESCP = "DCMTK storescp tuned, no sync"
OURS = {
    EMBEDDED: (EMBEDDED, 1),
    GROUP: (GROUP, 1),
    SEVERAL: (EMBEDDED, PROCESSES),
    SEVERAL_GROUP: (GROUP, PROCESSES),
}
"""Backend and number of processes that accept images."""

RECEIVERS = (*OURS, BARE, CHUNKED, STORESCP)
CALLING, CALLED = "INVSTATION1", "GOMPHOSIS"
GROUP_DIR = Path(demo_hospital).with_name("group")

# For both ends: without the first, DCMTK waits for delayed TCP acknowledgements (DCMTK,
# config/docs/envvars.txt); 131072 bytes is the largest PDU that it takes.
TUNED = {"TCP_NODELAY": "1", "TCP_BUFFER_LENGTH": str(1 << 20)}
MAX_PDU = "131072"


class Receiver(ABC):
    """A running receiver and how to see what it has kept."""

    def __init__(self, port: int, child: Child) -> None:
        self.port = port
        self._child = child

    def cpu_ms(self) -> float:
        """Add up the processor time of the receiver and all processes that it started."""
        return _cpu_ms(self._child.process.pid)

    @abstractmethod
    def kept(self) -> int:
        """Count the images that are kept whole by now."""


class _Folder(Receiver):
    def __init__(self, port: int, child: Child, folder: Path) -> None:
        super().__init__(port, child)
        self._folder = folder

    def kept(self) -> int:
        return sum(path.stat().st_size > 2_000_000 for path in self._folder.iterdir())


class _Intake(Receiver):
    def __init__(self, program: Program) -> None:
        super().__init__(program.dicom_port, program.child)
        self._program = program

    def kept(self) -> int:
        """Count images that have both a file and a fact."""
        store = Store(self._program.backend.store_url)
        try:
            with store.read() as connection:
                images = select(func.count()).where(FACT.c.kind == "image_stored")
                facts = int(connection.scalar(images) or 0)
        finally:
            store.close()
        files = sum(1 for _ in (self._program.data_dir / "images").rglob("*.dcm"))
        return min(facts, files)


@contextmanager
def running_receiver(place: Workplace, name: str, folder: Path) -> Iterator[Receiver]:
    """Start a receiver that keeps its images in ``folder``; return once it answers C-ECHO."""
    if name in OURS:
        backend, processes = OURS[name]
        more = {"GOMPHOSIS_INTAKE__DICOM_PROCESSES": str(processes)}
        with running_program(place, backend, folder, GROUP_DIR, "intake", more) as program:
            _wait_for_echo(place.dcmtk(), program.dicom_port, program.child.check)
            yield _Intake(program)
        return
    port, received = free_port(), folder / "received"
    received.mkdir()
    command, environment = _command(place, name, port, received)
    child = Child("receiver", command, environment, folder)
    try:
        _wait_for_echo(place.dcmtk(), port, child.check)
        yield _Folder(port, child, received)
        child.check()
    finally:
        child.stop()


def _command(
    place: Workplace, name: str, port: int, received: Path
) -> tuple[list[str], dict[str, str]]:
    if name in {BARE, CHUNKED}:
        module = "tests.bench.peers.bare_receiver"
        way = "chunked" if name == CHUNKED else "whole"
        return python_module(module, str(port), str(received), way), {}
    if name == STORESCP:
        storescp = str(place.dcmtk().path("storescp"))
        # --fork: else it serves one association after the other.
        options = ["--quiet", "--fork", "--max-pdu", MAX_PDU, "+B", "--aetitle", CALLED]
        return [storescp, *options, "--output-directory", str(received), str(port)], TUNED
    raise BenchError(f"receiver {name}: expected one of {', '.join(RECEIVERS)}")


def _cpu_ms(pid: int) -> float:
    """Read proc(5): user and system time, of ended children too where they were waited for."""
    try:
        fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
        tasks = list(Path(f"/proc/{pid}/task").iterdir())
        children = [child for task in tasks for child in (task / "children").read_text().split()]
    except (FileNotFoundError, ProcessLookupError):  # it has ended meanwhile
        return 0.0
    own_ms = sum(map(int, fields[11:15])) * 1000 / os.sysconf("SC_CLK_TCK")
    return own_ms + sum(_cpu_ms(int(child)) for child in children)


def _wait_for_echo(dcmtk: Dcmtk, port: int, check: Callable[[], None]) -> None:
    def answers() -> bool:
        check()
        return dcmtk.run("echoscu", echo_arguments(port)).returncode == 0

    wait_until(answers, TIMEOUT_S, "the receiver to answer C-ECHO")


def echo_arguments(port: int) -> list[str]:
    """Return echoscu's arguments."""
    return ["--timeout", "2", "--aetitle", CALLING, "--call", CALLED, LOOPBACK, str(port)]


def sender(dcmtk: Dcmtk, port: int, images: Path, calling: str = CALLING) -> list[str | Path]:
    """Return the command that sends a folder over one association; the same for all receivers."""
    options = ["--quiet", "--required", "--max-pdu", MAX_PDU, "--aetitle", calling]
    place = ["--call", CALLED, LOOPBACK, str(port)]
    return [dcmtk.path("storescu"), *options, *place, "+sd", images]


def sender_environment() -> dict[str, str]:
    """Return the sender's environment."""
    return dcmtk_environment() | TUNED
