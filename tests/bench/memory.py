"""Memory of each process of ``gomphosis start``, at rest and after the demo's day."""

from __future__ import annotations

import time
from pathlib import Path

from demo.hospital import Hospital, HospitalNotReady
from demo.run import DayFailed, RunOfTheDay
from demo.stand_in import StandInFailed
from demo.story import load_day
from services.runtime.store import Store
from tests.bench.figures import BenchError, Figure, Options
from tests.bench.program import BACKENDS, COMMAND, Program, running_program
from tests.bench.receivers import GROUP_DIR
from tests.bench.workplace import Workplace, discard

SUPERVISOR = "supervisor"
LOOK_EVERY_S = 1.0
LONGEST_WAIT_S = 20.0


def measure(options: Options, place: Workplace) -> Figure:
    """Run the invented day on each backend and look at the processes before and after it."""
    title = "memory of each process, in MiB of 2^20 bytes"
    figure = Figure("memory", title, rates=False)
    figure.remarks = [
        "RSS counts shared pages in every process, PSS counts each once: only PSS adds up",
        "on PostgreSQL + RabbitMQ the servers' own memory comes on top and is not counted",
        "the day: five visits with their exposures and images, see demo/day.yaml",
    ]
    for _ in range(options.rounds):
        for name in BACKENDS:
            folder = place.subfolder("memory")
            with running_program(place, name, folder, GROUP_DIR) as program:
                short = name.removeprefix("gomphosis, ")
                _note(figure, f"{short}, at rest", _at_rest(program))
                _live_through_the_day(program)
                _note(figure, f"{short}, after the day", _at_rest(program))
            discard(folder)
    return figure


def _note(figure: Figure, setting: str, processes: dict[str, tuple[float, float]]) -> None:
    for service, (rss_mib, pss_mib) in sorted(processes.items()):
        figure.note(service, setting, "RSS", rss_mib, ours=True)
        figure.note(service, setting, "PSS", pss_mib, ours=True)
    total = sum(pss_mib for _, pss_mib in processes.values())
    figure.note("all together", setting, "PSS", total, ours=True)


def _live_through_the_day(program: Program) -> None:
    store = Store(program.backend.store_url)
    hospital = Hospital(
        folder=program.data_dir,
        http_url=program.http_url,
        dicom_port=program.dicom_port,
        environment=program.environment,
        pid=program.child.process.pid,
        store=store,
    )
    try:
        RunOfTheDay(load_day(), hospital, lambda _words: None).run()
    except (DayFailed, HospitalNotReady, StandInFailed) as error:
        raise BenchError("the invented day did not end as it should", str(error)) from error
    finally:
        store.close()


def _at_rest(program: Program) -> dict[str, tuple[float, float]]:
    """Look once a second until it changes by less than a hundredth, or 20 s have passed."""
    deadline = time.monotonic() + LONGEST_WAIT_S
    before = memory_mib(program)
    while time.monotonic() < deadline:
        time.sleep(LOOK_EVERY_S)
        now = memory_mib(program)
        if before.keys() == now.keys() and all(
            abs(now[name][0] - before[name][0]) < 0.01 * now[name][0] for name in now
        ):
            return now
        before = now
    return before


def memory_mib(program: Program) -> dict[str, tuple[float, float]]:
    """Return RSS and PSS by service."""
    own = program.child.process.pid
    found = {SUPERVISOR: _rss_and_pss_mib(own)}
    for pid in _children(own):
        words = Path(f"/proc/{pid}/cmdline").read_text().split("\0")
        if COMMAND in words:
            found[words[words.index("start") + 1]] = _rss_and_pss_mib(pid)
    if len(found) == 1:
        raise BenchError("memory: expected a process for each service, found none")
    return found


def _children(pid: int) -> list[int]:
    """proc(5): /proc/pid/task/tid/children."""
    tasks = Path(f"/proc/{pid}/task")
    return [int(word) for one in tasks.iterdir() for word in (one / "children").read_text().split()]


def _rss_and_pss_mib(pid: int) -> tuple[float, float]:
    """proc(5): /proc/pid/smaps_rollup, in KiB there."""
    lines = Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()
    kib = {line.split(":")[0]: line.split()[1] for line in lines[1:]}
    return int(kib["Rss"]) / 1024, int(kib["Pss"]) / 1024
