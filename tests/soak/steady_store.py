"""Store images from several stations for a while, and see that intake's memory stays flat.

``python -m tests.soak.steady_store --minutes 20``: prints resident memory, threads and descriptors
as they go, and the slope of memory over the second half. Ends with 1 where an image was not taken,
or where memory grows by more than ``--most-kb-per-minute``. ``--images-per-second`` keeps to a pace
where others need the machine: what is looked at is a steady state, not the top speed.
"""

from __future__ import annotations

import argparse
import signal
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from statistics import linear_regression
from threading import Event, Thread

from schemas.errors import GomphosisError
from tests.bench.invented_images import full_size_image, write_image
from tests.intake_process import IntakeProcess
from tests.intake_support import HOST
from tests.servers.dcmtk import Dcmtk, find_dcmtk

CLIENTS = 8
IMAGES_PER_ASSOCIATION = 50
LONGEST_ASSOCIATION_S = 300.0
SAMPLE_S = 5.0
_KEPT_ON_DISK = 500
"""Older files are removed: the disk is not what is looked at here."""


class SoakError(GomphosisError):
    """The run cannot say anything."""


@dataclass(frozen=True)
class Sample:
    """What the processes of intake hold together at one moment."""

    at_s: float
    resident_kb: int
    threads: int
    descriptors: int


def take_sample(pid: int, began: float) -> Sample:
    """Add up a process and its children."""
    resident_kb = threads = descriptors = 0
    for one in [pid, *_children(pid)]:
        status = dict(
            line.split(":", 1)
            for line in Path(f"/proc/{one}/status").read_text(encoding="utf-8").splitlines()
        )
        resident_kb += int(status["VmRSS"].split()[0])
        threads += int(status["Threads"])
        descriptors += sum(1 for _ in Path(f"/proc/{one}/fd").iterdir())
    return Sample(time.monotonic() - began, resident_kb, threads, descriptors)


def slope_kb_per_minute(samples: list[Sample]) -> float:
    """Fit a line to the memory of the second half, when all pools and caches are filled."""
    half = samples[len(samples) // 2 :]
    if len(half) < 3:
        raise SoakError(f"samples: expected at least 6, got {len(samples)}; run it for longer")
    line = linear_regression([one.at_s / 60 for one in half], [one.resident_kb for one in half])
    return line.slope


class Station(Thread):
    """DCMTK's sender, one association after another, until told to stop.

    Not pynetdicom's: on a busy machine it now and then loses an answer that it has received.
    """

    def __init__(
        self, number: int, dcmtk: Dcmtk, file: Path, port: int, stop: Event, every_s: float
    ) -> None:
        super().__init__(name=f"station-{number}")
        self.sent = 0
        self.refused: Counter[str] = Counter()
        self._dcmtk = dcmtk
        self._arguments = [
            *("--required", "--max-pdu", "131072", "-aet", "STATION1", "-aec", "GOMPHOSIS"),
            *("--repeat", str(IMAGES_PER_ASSOCIATION), "--invent-instance"),
            *(HOST, str(port), str(file)),
        ]
        self._told_to_stop = stop
        self._every_s = every_s
        self._first_s = every_s * (number - 1) / CLIENTS  # or all would come at once

    def run(self) -> None:
        due = time.monotonic() + self._first_s
        while not self._told_to_stop.wait(max(0.0, due - time.monotonic())):
            # One that is late is not followed by a burst.
            due = max(due + self._every_s, time.monotonic())
            done = self._dcmtk.run("storescu", self._arguments, LONGEST_ASSOCIATION_S)
            if done.returncode == 0:
                self.sent += IMAGES_PER_ASSOCIATION
            else:
                self.refused[done.stdout.strip()[-200:]] += 1


def run(
    minutes: float, processes: int, folder: Path, images_per_s: float | None = None
) -> tuple[list[Sample], list[Station]]:
    """Run the stations for a time, at a pace or as fast as they can; give samples and stations."""
    intake = IntakeProcess(folder / "intake", GOMPHOSIS_INTAKE__DICOM_PROCESSES=str(processes))
    intake.start()
    stop = Event()
    dcmtk = find_dcmtk()
    file = folder / "invented.dcm"
    write_image(file, full_size_image(1))
    every_s = CLIENTS * IMAGES_PER_ASSOCIATION / images_per_s if images_per_s else 0.0
    stations = [
        Station(number, dcmtk, file, intake.dicom_port, stop, every_s)
        for number in range(1, CLIENTS + 1)
    ]
    samples: list[Sample] = []
    began = time.monotonic()
    try:
        for station in stations:
            station.start()
        while time.monotonic() - began < minutes * 60:
            stop.wait(SAMPLE_S)
            samples.append(take_sample(intake.pid, began))
            last = samples[-1]
            print(
                f"{last.at_s:6.0f} s  {last.resident_kb / 1024:7.1f} MB  {last.threads:4d} threads"
                f"  {last.descriptors:4d} descriptors  {sum(one.sent for one in stations)} images",
                flush=True,
            )
            _forget_old_images(intake.settings.images_dir)
    finally:
        stop.set()
        for station in stations:
            station.join(LONGEST_ASSOCIATION_S)
        intake.end(signal.SIGTERM)
    return samples, stations


def _forget_old_images(folder: Path) -> None:
    paths = sorted(folder.rglob("*.dcm"), key=lambda path: path.stat().st_mtime_ns)
    for path in paths[:-_KEPT_ON_DISK]:
        path.unlink(missing_ok=True)


def _children(pid: int) -> list[int]:
    found = []
    for task in Path(f"/proc/{pid}/task").iterdir():
        try:
            words = (task / "children").read_text(encoding="utf-8").split()
        except FileNotFoundError:  # the thread has ended meanwhile
            continue
        found += [int(word) for word in words]
    return found


def main() -> int:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=20.0)
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--most-kb-per-minute", type=float, default=500.0)
    parser.add_argument("--images-per-second", type=float, metavar="RATE", help="of all stations")
    chosen = parser.parse_args()
    pace = chosen.images_per_second
    print(f"pace: {f'{pace:g} images/s' if pace else 'as fast as it goes'}", flush=True)
    with tempfile.TemporaryDirectory(prefix="gomphosis-soak-") as folder:
        samples, stations = run(chosen.minutes, chosen.processes, Path(folder), pace)
    slope = slope_kb_per_minute(samples)
    sent = sum(station.sent for station in stations)
    refused: Counter[str] = Counter()
    for station in stations:
        refused.update(station.refused)
    print(f"{sent} images; not taken: {dict(refused) or 'none'}")
    print(f"memory over the second half: {slope:+.0f} kB a minute")
    return 1 if refused or sent == 0 or slope > chosen.most_kb_per_minute else 0


if __name__ == "__main__":
    sys.exit(main())
