"""Which fault comes when, by seed; each is logged with its begin and its end."""

from __future__ import annotations

import json
import random
import time
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from threading import Event, Lock, Thread

from tests.faults.deployment import Deployment
from tests.faults.fault import CannotBegin, Heal, Kind
from tests.faults.line_faults import LINE_FAULTS
from tests.faults.machine_faults import MACHINE_FAULTS
from tests.faults.message_faults import MESSAGE_FAULTS
from tests.faults.process_faults import PROCESS_FAULTS
from tests.faults.record_faults import RECORD_FAULTS
from tests.faults.server_faults import SERVER_FAULTS

FAULTS = "faults.jsonl"
ALL_KINDS: tuple[Kind, ...] = (
    *PROCESS_FAULTS,
    *SERVER_FAULTS,
    *LINE_FAULTS,
    *MACHINE_FAULTS,
    *MESSAGE_FAULTS,
    *RECORD_FAULTS,
)
AT_ONCE = 3
"""So many faults may last at a time."""

LOOK_S = 0.05
HEAL_TRIES = 3


@dataclass
class Schedule:
    """Makes ``wanted`` faults in step with the work: a tenth of them with a tenth of it told."""

    place: Deployment
    seed: int
    wanted: int
    progress: Callable[[], float]
    kinds: Sequence[Kind] = ALL_KINDS
    made: Counter[str] = field(default_factory=Counter)
    could_not: Counter[str] = field(default_factory=Counter)
    broken: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._chance = random.Random(f"faults {self.seed}")
        self._deck: list[Kind] = []
        self._busy: set[str] = set()
        self._lock = Lock()
        self._log = (Path(self.place.folder) / FAULTS).open("a", encoding="utf-8")
        self._threads: list[Thread] = []
        self._heal_now = Event()

    def run(self, stop: Event) -> None:
        """Make faults until all are made or it is told to stop; all are healed on return."""
        while self.made.total() < self.wanted and not stop.is_set() and not self.broken:
            due = self.made.total() <= self.progress() * self.wanted
            kind = self._next() if due and len(self._busy) < AT_ONCE else None
            if kind is None:
                stop.wait(LOOK_S)
            else:
                self._begin(kind)
        self._heal_now.set()
        for thread in self._threads:
            thread.join()
        self._log.close()

    def _next(self) -> Kind | None:
        """Draw the next kind whose thing is whole; each comes once before any comes again."""
        if not self._deck:
            mounted = self.place.disk.mounted
            self._deck = [kind for kind in self.kinds if mounted or not kind.needs_mount]
            self._chance.shuffle(self._deck)
        with self._lock:
            for kind in self._deck:
                if kind.on not in self._busy:
                    self._deck.remove(kind)
                    return kind
        return None

    def _begin(self, kind: Kind) -> None:
        own = random.Random(self._chance.getrandbits(64))
        lasts_s = own.uniform(*kind.lasts_s)
        with self._lock:
            self._busy.add(kind.on)
        begun_at = datetime.now(UTC)
        try:
            begun = kind.begin(self.place, own)
        except CannotBegin:
            self.could_not[kind.name] += 1
            self._whole_again(kind)
            return
        except Exception as error:  # noqa: BLE001 - the harness itself is broken: say so, and end
            self.broken.append(f"{kind.name} could not begin: {error!r}")
            self._whole_again(kind)
            return
        self.made[kind.name] += 1
        arguments = (kind, begun.detail, begun.heal, lasts_s, begun_at)
        thread = Thread(target=self._last, args=arguments, name=f"fault {kind.name}")
        self._threads.append(thread)
        thread.start()

    def _last(
        self, kind: Kind, detail: str, heal: Heal | None, lasts_s: float, begun_at: datetime
    ) -> None:
        started = time.monotonic()
        self._heal_now.wait(lasts_s)
        for left in reversed(range(HEAL_TRIES)):
            try:
                if heal is not None:
                    heal()
            except Exception as error:  # noqa: BLE001 - as above
                if not left:
                    self.broken.append(f"{kind.name} could not be healed: {error!r}")
                time.sleep(LOOK_S)
            else:
                break
        line = {
            "fault": kind.name,
            "detail": detail,
            "begun_at": begun_at.isoformat(),
            "lasted_s": round(time.monotonic() - started, 2),
        }
        with self._lock:
            self._log.write(json.dumps(line) + "\n")
            self._log.flush()
        self._whole_again(kind)

    def _whole_again(self, kind: Kind) -> None:
        with self._lock:
            self._busy.discard(kind.on)
