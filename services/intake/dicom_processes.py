"""Further processes that accept from the same port, where one interpreter is not enough.

All accept from one listening socket, so a process that is busy leaves the next connection to the
others (SO_REUSEPORT would deal them out blindly, and would let a second program take the port).
Each has its own store, and its own slot in the count of associations. None outlives the first,
which may be killed at any moment: whoever holds the socket keeps the port from its successor.
"""

import ctypes
import os
import signal
import socket
import time
from collections.abc import Callable, MutableSequence
from contextlib import suppress
from dataclasses import dataclass
from multiprocessing import connection as waiting
from multiprocessing import get_context, reduction
from multiprocessing.connection import Connection
from multiprocessing.context import SpawnProcess
from threading import Event, Thread
from typing import Any

import structlog
from prometheus_client import Counter

from services.intake.dicom_node import DicomNode, Listeners
from services.intake.dicom_places import Places
from services.runtime.logs import configure_logs
from services.runtime.metrics import DICOM_REQUESTS, FACTS_KEPT
from services.runtime.service import Runtime, open_runtime
from services.runtime.settings import Settings

log = structlog.get_logger(__name__)

_SPAWN = get_context("spawn")
_COUNTERS = (DICOM_REQUESTS, FACTS_KEPT)
_REPORT_S = 1.0
_PR_SET_PDEATHSIG = 1  # prctl(2): a signal for us when the thread that has started us is gone
_ASKS = "asks for the sockets"
_END_S = 20.0

MakeNode = Callable[[Runtime, Listeners, Places], DicomNode]
"""A function of a module: the new process imports it by its name."""

Counts = dict[tuple[int, tuple[tuple[str, str], ...]], float]


def shared_slots(processes: int) -> MutableSequence[int]:
    """Make the count of associations that all processes see, a slot for each."""
    slots: Any = _SPAWN.RawArray("i", processes)
    return slots  # type: ignore[no-any-return]


@dataclass(slots=True)
class _Child:
    number: int
    process: SpawnProcess
    pipe: Connection
    ready: bool = False
    started_at: float = 0.0


class ListenerProcesses:
    """Starts the further processes, starts again what dies, and adds up what they count."""

    def __init__(
        self,
        service: str,
        settings: Settings,
        listeners: Listeners,
        slots: MutableSequence[int],
        make_node: MakeNode,
    ) -> None:
        self._service = service
        self._settings = settings
        self._listeners = listeners
        self._slots = slots
        self._make_node = make_node
        self._children: dict[int, _Child] = {}

    def ready(self) -> bool:
        """Tell whether every process accepts connections."""
        wanted = len(self._slots) - 1
        children = list(self._children.values())
        return len(children) == wanted and all(child.ready for child in children)

    def pids(self) -> list[int]:
        """List the processes."""
        return [child.process.pid or 0 for child in list(self._children.values())]

    def run(self, stop: Event) -> None:
        """Keep the processes running until stopped."""
        if len(self._slots) == 1:
            stop.wait()
            return
        for number in range(1, len(self._slots)):
            self._start(number)
        while not stop.is_set():
            waiting.wait([child.pipe for child in self._children.values()], timeout=0.2)
            for child in list(self._children.values()):
                if not self._hear(child):
                    self._start_again(child, stop)
        for child in self._children.values():
            child.pipe.close()  # this is how they know
        for child in self._children.values():
            child.process.join(_END_S)
            if child.process.is_alive():
                log.error("listener_process_hangs", pid=child.process.pid)
                child.process.kill()

    def _start(self, number: int) -> None:
        ours, theirs = _SPAWN.Pipe()
        process = _SPAWN.Process(
            target=_serve,
            args=(
                self._service,
                self._settings,
                self._slots,
                number,
                theirs,
                self._make_node,
                os.getpid(),
            ),
            name=f"dicom-{number}",
            daemon=True,
        )
        process.start()
        theirs.close()
        self._children[number] = _Child(number, process, ours, started_at=time.monotonic())

    def _start_again(self, child: _Child, stop: Event) -> None:
        child.pipe.close()
        child.process.kill()
        child.process.join()
        log.error("listener_process_died", number=child.number, code=child.process.exitcode)
        self._slots[child.number] = 0
        # What dies at its start would else be started without end.
        if not stop.wait(max(0.0, 1.0 - (time.monotonic() - child.started_at))):
            self._start(child.number)

    def _hear(self, child: _Child) -> bool:
        """Take in what a process tells; say False where it is gone."""
        try:
            while child.pipe.poll():
                told: Counts | str = child.pipe.recv()
                if isinstance(told, str):
                    self._hand_over(child)
                    continue
                child.ready = True
                for (counter, labels), count in told.items():
                    _COUNTERS[counter].labels(**dict(labels)).inc(count)
        except (EOFError, OSError):
            return False
        return True

    def _hand_over(self, child: _Child) -> None:
        listeners = [one for one in self._listeners if one is not None]
        child.pipe.send(len(listeners))
        for listener in listeners:
            reduction.send_handle(child.pipe, listener.fileno(), child.process.pid)


def _serve(
    service: str,
    settings: Settings,
    slots: MutableSequence[int],
    number: int,
    pipe: Connection,
    make_node: MakeNode,
    parent: int,
) -> None:
    """Accept connections until the other end of the pipe is closed; die with the parent."""
    ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)
    if os.getppid() != parent:
        return  # it died before
    for signal_number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(signal_number, signal.SIG_IGN)  # the parent tells us
    configure_logs(settings.log, service)
    runtime = open_runtime(service, settings)
    places = Places(settings.intake.max_associations, slots, number)
    listeners = _ask_for_listeners(pipe)
    node = make_node(runtime, listeners, places)
    stop = Event()
    thread = Thread(target=node.run, args=(stop,), name="dicom")
    others = [
        Thread(target=runtime.audit.run, args=(stop,), name="audit"),
        Thread(target=runtime.group_watch.run, args=(stop,), name="group"),
    ]
    for one in (thread, *others):
        one.start()
    told: Counts = {}
    with suppress(EOFError, OSError):  # either says that the parent has closed its end
        while thread.is_alive():
            now = _counts(_COUNTERS)
            pipe.send({key: count - told.get(key, 0.0) for key, count in now.items()})
            told = now
            if pipe.poll(_REPORT_S):
                pipe.recv()
    stop.set()
    for one in (thread, *others):
        one.join()
    node.close()
    runtime.audit.finish()
    runtime.bus.close()
    runtime.store.close()


def _ask_for_listeners(pipe: Connection) -> Listeners:
    """Get the sockets only now, when all is loaded and nothing holds them longer than it must."""
    pipe.send(_ASKS)
    sockets = [socket.socket(fileno=reduction.recv_handle(pipe)) for _ in range(pipe.recv())]
    for listener in sockets:
        listener.setblocking(False)
    return Listeners(*sockets)


def _counts(counters: tuple[Counter, ...]) -> Counts:
    return {
        (index, tuple(sorted(sample.labels.items()))): sample.value
        for index, counter in enumerate(counters)
        for metric in counter.collect()
        for sample in metric.samples
        if sample.name.endswith("_total")
    }
