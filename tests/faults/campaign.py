"""One campaign: a deployment, invented work, faults in step with it, and what is left of it."""

from __future__ import annotations

import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from threading import Event, Thread

from tests.bench.workplace import Workplace
from tests.faults.aftermath import NeverQuietError, look, wait_until_quiet
from tests.faults.deployment import Deployment
from tests.faults.invented_work import Work
from tests.faults.lines import ROOT, Lines
from tests.faults.message_faults import open_tap
from tests.faults.outcome import Outcome
from tests.faults.schedule import Schedule
from tests.faults.teller import Teller
from tests.faults.truth import TRUTH

LOOK_S = 0.5
QUIET_WITHIN_S = 1_200.0


@dataclass(frozen=True, slots=True)
class Plan:
    """What a campaign is to do. ``pace_per_s``: at most so many studies are begun in a second."""

    seed: int
    studies: int
    faults: int
    folder: Path
    pace_per_s: float
    minutes: float


class HarnessBrokenError(RuntimeError):
    """A fault could not be made or healed for a reason of the campaign's own."""


class Progress:
    """How much of the work has begun, from 0 to 1, by the lines of the file of truth."""

    def __init__(self, folder: Path, studies: int) -> None:
        self._file = folder / TRUTH
        self._studies = studies
        self._read_to = 0
        self.begun = 0

    def __call__(self) -> float:
        if self._file.exists():
            with self._file.open("rb") as file:
                file.seek(self._read_to)
                piece = file.read()
            self._read_to += len(piece)
            self.begun += piece.count(b"\n")
        return self.begun / self._studies


def run(plan: Plan) -> Outcome:
    """Run a campaign from an empty folder to the checker's verdict."""
    plan.folder.mkdir(parents=True)
    lines = Lines(plan.seed)
    try:
        with Workplace() as place:
            deployment = Deployment(plan.folder, place, lines)
            with deployment.running():
                return _run(plan, deployment)
    finally:
        lines.close()


def _run(plan: Plan, place: Deployment) -> Outcome:
    open_tap(place)
    progress = Progress(plan.folder, plan.studies)
    schedule = Schedule(place, plan.seed, plan.faults, progress)
    stop, told = Event(), Event()
    failures: list[str] = []

    def tell() -> None:
        try:
            teller = Teller(Work(plan.seed, plan.studies), place.doors, plan.folder)
            teller.run(stop, plan.pace_per_s)
        except Exception as error:  # noqa: BLE001 - the harness itself is broken: say so, and end
            failures.append(f"teller: {error!r}")
        finally:
            told.set()

    began = time.monotonic()
    teller = Thread(target=tell, name="teller")
    faults = Thread(target=schedule.run, args=(told,), name="faults")
    teller.start()
    faults.start()
    while not told.wait(LOOK_S) and not schedule.broken:
        if time.monotonic() - began > plan.minutes * 60:
            stop.set()  # what has begun is told to its end
        place.note(f"{progress.begun} studies begun, {schedule.made.total()} faults made")
    stop.set()
    told.set()
    faults.join()
    if schedule.broken:
        raise HarnessBrokenError("; ".join(schedule.broken))
    teller.join()
    told_s = time.monotonic() - began
    place.note(f"told in {told_s:.0f} s; waiting for quiet")
    place.wait_until_ready()
    quiet_s, stuck = 0.0, ""
    try:
        quiet_s = wait_until_quiet(place, QUIET_WITHIN_S)
    except NeverQuietError as error:
        stuck = str(error)  # the checker says what of it is missing
    place.keep_records()
    checked = _check(plan.folder)
    left = look(place)
    progress()
    return Outcome(
        seed=plan.seed,
        studies=progress.begun,
        faults=schedule.made,
        could_not=schedule.could_not,
        left=left,
        told_s=told_s,
        quiet_s=quiet_s,
        stuck=stuck,
        ended=place.supervisor.ended(),
        checked=checked.stdout.rstrip(),
        sound=checked.returncode == 0,
        broken=failures,
    )


def _check(folder: Path) -> subprocess.CompletedProcess[str]:
    """Let the checker look, in a process that shares nothing with this one."""
    command = [sys.executable, "-m", "tests.faults.checker", str(folder)]
    return subprocess.run(
        command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, check=False
    )
