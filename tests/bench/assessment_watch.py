"""Sees assessments arrive on the bus, as any further consumer of conclusions would."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass
from threading import Event, Lock, Thread
from types import TracebackType
from typing import Self

from pydantic_core import from_json

from schemas.channels import SUBSCRIPTIONS, Exchange, Subscription
from schemas.conclusions import StudyAssessed
from services.runtime.bus import BusLimits, Delivery, Done, Outcome
from services.runtime.bus_choice import open_bus
from tests.servers.polling import wait_until

WATCH = Subscription("bench-watch", ((Exchange.CONCLUSIONS, StudyAssessed.KIND),))
READY_TIMEOUT_S = 180.0


@dataclass(frozen=True, slots=True)
class Seen:
    """The first assessment that rests on a fact. ``at_s`` is by ``time.perf_counter``."""

    at_s: float
    site: str
    study: str
    revision: int


class AssessmentWatch:
    """Notes by which assessment each fact's natural key was first told as one that it rests on."""

    def __init__(self, bus_url: str) -> None:
        self._bus = open_bus(bus_url, BusLimits(), "bench-watch")
        self._stop = Event()
        self._lock = Lock()
        self._seen: dict[str, Seen] = {}
        self._thread = Thread(target=self._bus.consume, args=(WATCH, self._take, self._stop))

    def __enter__(self) -> Self:
        self._bus.declare([*SUBSCRIPTIONS, WATCH])
        self._thread.start()
        wait_until(self._bus.consuming, READY_TIMEOUT_S, "the bench's own consumer to be ready")
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._stop.set()
        self._thread.join(READY_TIMEOUT_S)
        self._bus.close()

    def seen(self, natural_key: str) -> Seen | None:
        """Return by what a key was first seen."""
        with self._lock:
            return self._seen.get(natural_key)

    def count(self, kind: str) -> int:
        """Count the keys of a kind that were seen, by their first word (``image``)."""
        with self._lock:
            return sum(key.startswith(f"{kind}:") for key in self._seen)

    def waiting(self) -> int:
        """Count the messages that wait for any service."""
        return sum(self._bus.depth(subscription.queue) for subscription in SUBSCRIPTIONS)

    def _take(self, deliveries: Sequence[Delivery]) -> Sequence[Outcome]:
        now_s = time.perf_counter()
        for delivery in deliveries:
            told = from_json(delivery.body)
            study = told["payload"]
            seen = Seen(now_s, told["site"], study["study_instance_uid"], study["revision"])
            with self._lock:
                for key in study["facts"]:
                    self._seen.setdefault(key, seen)
        return [Done()] * len(deliveries)
