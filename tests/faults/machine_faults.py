"""Faults of machines: slow disk, full disk, read-only disk, a clock that jumps."""

from __future__ import annotations

import random
import subprocess

from tests.faults.bad_machine import BadMachine
from tests.faults.deployment import KINDS, Deployment
from tests.faults.fault import Begun, CannotBegin, Kind

DISK = "disk"
JUMPS_S = (-10_800, -3_600, -120, -5, 5, 120, 3_600, 10_800, 172_800)


def _slow_disk(place: Deployment, chance: random.Random) -> Begun:
    sync_s = chance.choice((0.05, 0.2, 0.5))
    name = chance.choice(("database", "broker", "intake", "all"))
    machines = {
        "database": [place.database_machine],
        "broker": [place.broker_machine],
        "intake": [member.machine for member in place.of("intake")],
        "all": place.machines(),
    }[name]
    for machine in machines:
        machine.slow_disk(sync_s)

    def heal() -> None:
        for machine in machines:
            machine.slow_disk(0.0)

    return Begun(f"{name}: each sync takes {sync_s * 1000:.0f} ms more", heal)


def _clock_jumps(place: Deployment, chance: random.Random) -> Begun:
    """Let the clock of some machines jump, and jump back when it is set right again."""
    ahead_s = chance.choice(JUMPS_S)
    kind = chance.choice((*KINDS, "database", "all"))
    machines: list[BadMachine]
    if kind == "all":
        machines = place.machines()
    elif kind == "database":
        machines = [place.database_machine]
    else:
        machines = [chance.choice(place.of(kind)).machine]
    for machine in machines:
        machine.wrong_clock(ahead_s)

    def heal() -> None:
        for machine in machines:
            machine.wrong_clock(0)

    return Begun(f"{kind}: by {ahead_s} s", heal)


def _full_disk(place: Deployment, _chance: random.Random) -> Begun:
    try:
        place.disk.fill()
    except subprocess.CalledProcessError as error:
        raise CannotBegin("more is written all the time") from error
    return Begun("data folder and folder record have no byte left", place.disk.heal)


def _protected_disk(place: Deployment, _chance: random.Random) -> Begun:
    try:
        place.disk.protect()
    except subprocess.CalledProcessError as error:
        raise CannotBegin("a file is open for writing") from error
    return Begun("data folder and folder record are read-only", place.disk.heal)


MACHINE_FAULTS = (
    Kind("slow disk", "syncs", (2.0, 10.0), _slow_disk),
    Kind("full disk", DISK, (1.0, 10.0), _full_disk, needs_mount=True),
    Kind("read-only disk", DISK, (1.0, 8.0), _protected_disk, needs_mount=True),
    Kind("clock jumps", "clock", (2.0, 12.0), _clock_jumps),
)
