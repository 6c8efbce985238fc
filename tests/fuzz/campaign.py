"""One parser's run in a process of its own: bounded, watched, and repeatable from a seed."""

from __future__ import annotations

import gc
import logging
import multiprocessing
import random
import resource
import shutil
import signal
import sys
import tempfile
import threading
import time
import traceback
from collections.abc import Iterator, MutableMapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from pathlib import Path
from types import FrameType, TracebackType
from typing import Any

import structlog

from schemas.errors import InvalidInput
from tests.fuzz.target import Broken, Ready, Target, refused
from tests.fuzz.targets import MODULES, find

OUT = Path(__file__).parents[1] / "out/fuzz"

MOST_ADDRESS_SPACE_BYTES = 6 << 30
MOST_GROWTH_BYTES = 200 << 20
"""After a tenth of the inputs, so that caches and modules are there."""

MOST_BYTES_BY_ONE = 64 << 20
_WATCH_EVERY = 500
_PATIENCE = 10
_SILENT_S = 45.0  # the parent ends a child that says nothing for so long
_PAGE_BYTES = resource.getpagesize()

_hidden: list[tuple[type[BaseException], BaseException, TracebackType | None]] = []


class TooSlow(BaseException):
    """One input took longer than its limit. No ``except Exception`` may swallow it."""


@dataclass(frozen=True)
class Options:
    """How far to go: ``seconds`` bounds each parser's run where it is given."""

    inputs: int = 100_000
    seconds: float | None = None
    seed: int = 1
    out: Path = OUT


@dataclass
class Failure:
    """One kind of failure of a parser: how often, and its first input."""

    key: str
    index: int
    count: int = 1
    file: str = ""
    detail: str = ""


@dataclass
class Report:
    """What became of a parser's run."""

    name: str
    inputs: int = 0
    taken: int = 0
    refused: int = 0
    seconds: float = 0.0
    slowest_ms: float = 0.0
    slowest_index: int = 0
    grown_mb: float = 0.0
    failures: list[Failure] = field(default_factory=list)
    missing: str = ""

    @property
    def is_good(self) -> bool:
        return not self.failures and not self.missing


def input_of(ready: Ready, name: str, seed: int, index: int) -> bytes:
    """Make an input again from the campaign's seed; the first ones are the seeds themselves."""
    if index < len(ready.seeds):
        return ready.seeds[index]
    return ready.mutate(random.Random(f"{seed}:{name}:{index}"))


def run(target: Target, options: Options) -> Report:
    """Run one parser's campaign in a child process, from one that has read all the parsers."""
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(list(MODULES))
    ours, theirs = context.Pipe(duplex=False)
    child = context.Process(target=_child, args=(target.name, options, theirs))
    began = time.monotonic()
    child.start()
    theirs.close()
    report = Report(target.name)
    try:
        while ours.poll(_SILENT_S):
            told = ours.recv()
            report = told[0]
            if told[1]:
                break
        else:
            report.failures.append(
                Failure("hang: no sign of life", report.inputs, detail="ended by the parent")
            )
            child.kill()
    except EOFError:
        child.join()
        report.failures.append(
            Failure(f"the process ended with {child.exitcode}", report.inputs, detail="see stderr")
        )
    child.join(30)
    if child.is_alive():
        child.kill()
        child.join()
        report.failures.append(Failure("hang: the process did not end", report.inputs))
    report.seconds = report.seconds or time.monotonic() - began
    return report


def _child(name: str, options: Options, tell: Connection) -> None:
    resource.setrlimit(resource.RLIMIT_AS, (MOST_ADDRESS_SPACE_BYTES, MOST_ADDRESS_SPACE_BYTES))
    watch_hidden()
    target = find(name)
    with work_folder() as folder:
        report = Report(name)
        try:
            ready = target.prepare(folder)
        except ImportError as error:
            report.missing = f"{type(error).__name__}: {error}"
            tell.send((report, True))
            return
        _Run(target, ready, options, tell, report).go()


@contextmanager
def work_folder() -> Iterator[Path]:
    """Make a folder in memory where there is one, so that no disk's sync is measured."""
    memory = Path("/dev/shm")
    folder = tempfile.mkdtemp(prefix="gomphosis-fuzz-", dir=memory if memory.is_dir() else None)
    try:
        yield Path(folder)
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def watch_hidden() -> None:
    """Note what code catches and only logs, or what ends one of its threads."""

    def note(_logger: Any, _method: str, event: MutableMapping[str, Any]) -> Any:
        kind, error, trace = sys.exc_info()
        if event.get("exc_info") and kind is not None and error is not None:
            _hidden.append((kind, error, trace))
        raise structlog.DropEvent

    def ended(arguments: threading.ExceptHookArgs) -> None:
        if arguments.exc_value is not None:
            told = arguments.exc_value
            _hidden.append((arguments.exc_type, told, arguments.exc_traceback))

    structlog.configure(processors=[note])
    logging.disable(logging.CRITICAL)
    threading.excepthook = ended


def feed(ready: Ready, data: bytes, limit_s: float) -> str:
    """Feed one input within its limit; raise whatever the parser must not do."""

    def too_slow(_signal: int, _frame: FrameType | None) -> None:
        raise TooSlow(f"took longer than {limit_s:g} s")

    _hidden.clear()
    signal.signal(signal.SIGALRM, too_slow)
    signal.setitimer(signal.ITIMER_REAL, limit_s)
    try:
        outcome = ready.feed(data)
    except InvalidInput as error:
        outcome = refused(error)
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
    if _hidden:
        raise _hidden[0][1].with_traceback(_hidden[0][2])
    return outcome


def key_of(error: BaseException) -> str:
    """Name a failure by its type and the last place in our own code."""
    frames = traceback.extract_tb(error.__traceback__)
    ours = [one for one in frames if "/services/" in one.filename or "/schemas/" in one.filename]
    words = f": {str(error)[:60]}" if isinstance(error, Broken) else ""
    if not frames:
        return type(error).__name__ + words
    place = (ours or list(frames))[-1]
    parts = Path(place.filename).parts[-3:]
    return f"{type(error).__name__} at {'/'.join(parts)}:{place.lineno}{words}"


class _Run:
    def __init__(
        self, target: Target, ready: Ready, options: Options, tell: Connection, report: Report
    ) -> None:
        self._target, self._ready, self._options = target, ready, options
        self._tell, self._report = tell, report
        self._failures: dict[str, Failure] = {}
        self._told_at = 0.0

    def go(self) -> None:
        report, options = self._report, self._options
        began = time.monotonic()
        base_bytes = 0
        for index in range(options.inputs):
            if options.seconds is not None and time.monotonic() - began > options.seconds:
                break
            self._one(index)
            if index % _WATCH_EVERY == 0 or time.monotonic() - self._told_at > 5:
                report.seconds = time.monotonic() - began
                if index <= options.inputs // 10:
                    base_bytes = _resident_bytes()
                self._say(last=False)
        report.seconds = time.monotonic() - began
        gc.collect()
        grown_bytes = max(0, _resident_bytes() - base_bytes)
        report.grown_mb = grown_bytes / (1 << 20)
        if grown_bytes > MOST_GROWTH_BYTES:
            self._fail(f"memory grew by {report.grown_mb:.0f} MB", report.inputs, b"", "")
        try:
            self._ready.end()
        except BaseException as error:  # noqa: BLE001 - whatever it is, it is a finding
            self._fail("at the end: " + key_of(error), report.inputs, b"", _words_of(error))
        self._say(last=True)

    def _one(self, index: int) -> None:
        data = input_of(self._ready, self._target.name, self._options.seed, index)
        report = self._report
        peak_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        began_s = time.process_time()  # a busy machine does not count
        outcome = self._fed(data, index)
        took_ms = (time.process_time() - began_s) * 1e3
        if outcome != "failed" and took_ms > report.slowest_ms:  # else it was made smaller
            report.slowest_ms, report.slowest_index = took_ms, index
        report.inputs += 1
        report.taken += outcome == "taken"
        report.refused += outcome == "refused"
        more_bytes = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - peak_kb) * 1024
        if more_bytes > MOST_BYTES_BY_ONE:
            words = f"{more_bytes >> 20} MB for {len(data)} bytes"
            self._fail("memory for one input", index, data, words)

    def _fed(self, data: bytes, index: int) -> str:
        try:
            return feed(self._ready, data, self._target.limit_s)
        except TooSlow as slow:
            return self._fed_again(data, index, slow)
        except KeyboardInterrupt:
            raise
        except BaseException as error:  # noqa: BLE001 - whatever it is, it is a finding
            self._fail(key_of(error), index, data, _words_of(error))
        return "failed"

    def _fed_again(self, data: bytes, index: int, slow: TooSlow) -> str:
        """Tell a hang from a machine that let us wait: by processor time, or by far longer."""
        began_s = time.process_time()
        try:
            outcome = feed(self._ready, data, _PATIENCE * self._target.limit_s)
        except TooSlow:
            outcome = "failed"
        except BaseException as error:  # noqa: BLE001 - whatever it is, it is a finding
            self._fail(key_of(error), index, data, _words_of(error))
            return "failed"
        if outcome != "failed" and time.process_time() - began_s < self._target.limit_s:
            return outcome
        self._fail("hang in " + key_of(slow), index, data, _words_of(slow))
        return "failed"

    def _fail(self, key: str, index: int, data: bytes, detail: str) -> None:
        known = self._failures.get(key)
        if known is not None:
            known.count += 1
            return
        folder = self._options.out / self._target.name
        folder.mkdir(parents=True, exist_ok=True)
        stem = f"seed{self._options.seed}-{index}"
        small = smaller(self._ready, data, key, self._target.limit_s)
        (folder / f"{stem}.input").write_bytes(data)
        (folder / f"{stem}.small").write_bytes(small)
        again = (
            f"python -m tests.fuzz --only {self._target.name} --again {folder.name}/{stem}.input"
        )
        (folder / f"{stem}.txt").write_text(f"{key}\n{again}\n\n{detail}", encoding="utf-8")
        self._failures[key] = Failure(key, index, 1, f"{folder.name}/{stem}.small", detail)
        self._report.failures = list(self._failures.values())

    def _say(self, *, last: bool) -> None:
        self._told_at = time.monotonic()
        self._tell.send((self._report, last))


def smaller(ready: Ready, data: bytes, key: str, limit_s: float, budget_s: float = 3.0) -> bytes:
    """Leave out pieces as long as the same failure comes, within a short time."""
    if key.startswith(("hang", "memory", "at the end")):
        return data
    until = time.monotonic() + budget_s
    size = max(1, len(data) // 2)
    while size and time.monotonic() < until:
        at = 0
        while at < len(data) and time.monotonic() < until:
            shorter = data[:at] + data[at + size :]
            if fails_so(ready, shorter, key, limit_s):
                data = shorter
            else:
                at += size
        size //= 2
    return data


def fails_so(ready: Ready, data: bytes, key: str, limit_s: float) -> bool:
    try:
        feed(ready, data, limit_s)
    except BaseException as error:  # noqa: BLE001 - compared by its key
        return key_of(error) == key
    return False


def _words_of(error: BaseException) -> str:
    return "".join(traceback.format_exception(error))[-6_000:]


def _resident_bytes() -> int:
    return int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1]) * _PAGE_BYTES
