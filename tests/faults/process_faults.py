"""Faults of the program's own processes: killed, stopped, hanging. Each holds its own relay."""

from __future__ import annotations

import random
import signal
from functools import partial

from tests.faults.deployment import KINDS, Deployment
from tests.faults.fault import Begun, Kind, at_once
from tests.faults.members import Member

BOTH = 0.2
"""How often both processes of a service are hit, not one (invented)."""


def _chosen(place: Deployment, kind: str, chance: random.Random) -> list[Member]:
    members = place.of(kind)
    return members if chance.random() < BOTH else [chance.choice(members)]


def _send(how: signal.Signals, kind: str, place: Deployment, chance: random.Random) -> Begun:
    members = _chosen(place, kind, chance)
    for member in members:
        member.signal(how)
    return Begun(f"{how.name} to {', '.join(member.name for member in members)}")


def _stop_any(place: Deployment, chance: random.Random) -> Begun:
    return _send(signal.SIGTERM, chance.choice(KINDS), place, chance)


def _hang(place: Deployment, chance: random.Random) -> Begun:
    members = _chosen(place, chance.choice(KINDS), chance)
    for member in members:
        member.signal(signal.SIGSTOP)

    def go_on() -> None:
        for member in members:
            member.signal(signal.SIGCONT)

    return Begun(f"SIGSTOP to {', '.join(member.name for member in members)}", go_on)


PROCESS_FAULTS = (
    *(
        Kind(f"kill -9: {kind}", kind, at_once(), partial(_send, signal.SIGKILL, kind))
        for kind in KINDS
    ),
    Kind("process stopped in good order", "stop", at_once(), _stop_any),
    Kind("process hangs", "hang", (1.0, 12.0), _hang),
)
