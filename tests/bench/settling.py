"""Sees from outside when all that follows from what was told is done."""

from __future__ import annotations

import time
from types import TracebackType
from typing import Self

from pydantic_core import from_json
from sqlalchemy import select

from schemas.channels import SUBSCRIPTIONS
from services.assessment.store import STUDY
from services.runtime.bus import BusLimits
from services.runtime.bus_choice import open_bus
from services.runtime.inbox import handled_since
from services.runtime.store import Store
from services.runtime.tables import OUTBOX
from tests.bench.figures import BenchError
from tests.bench.invented_images import DAY_BEGINS
from tests.bench.program import Program

LOOK_EVERY_S = 0.25
QUIET_S = 3.0


class Settling:
    """Looks at queues, outboxes and how many messages each service has handled.

    Queues tell only what is ready; what a worker has in hand shows as messages handled a little
    later. So all is done once nothing waits and no more was handled for some seconds.
    """

    def __init__(self, program: Program) -> None:
        self._program = program
        self._store = Store(program.backend.store_url)
        self._bus = open_bus(program.backend.bus_url, BusLimits(), "bench-settling")

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._bus.close()
        self._store.close()

    def wait(self, timeout_s: float) -> float:
        """Wait until all is done; give when the last message was handled, by
        ``time.perf_counter``."""
        deadline = time.perf_counter() + timeout_s
        handled, changed_s = self.handled(), time.perf_counter()
        while time.perf_counter() - changed_s < QUIET_S:
            self._program.child.check()
            time.sleep(LOOK_EVERY_S)
            now = self.handled()
            if now != handled or self._waiting():
                handled, changed_s = now, time.perf_counter()
            if time.perf_counter() > deadline:
                sentence = f"expected all to be done within {timeout_s:.0f} s; handled: {handled}"
                raise BenchError(sentence, self._program.child.last_words())
        return changed_s

    def handled(self) -> dict[str, int]:
        """Count the messages that each service has handled."""
        with self._store.read() as connection:
            return handled_since(connection, DAY_BEGINS)

    def facts_assessed(self) -> set[str]:
        """Give the natural keys on which the newest assessments rest."""
        with self._store.read() as connection:
            bodies = connection.execute(select(STUDY.c.body)).scalars().all()
        return {key for body in bodies for key in from_json(body)["facts"]}

    def _waiting(self) -> bool:
        if any(self._bus.depth(subscription.queue) for subscription in SUBSCRIPTIONS):
            return True
        with self._store.read() as connection:
            return connection.execute(select(OUTBOX.c.id).limit(1)).first() is not None
