"""What each service's worker takes of a processor for one more fact, all in one process.

``python -m tests.bench.chain --profile charges`` shows where the time of one of them goes.
"""

from __future__ import annotations

import argparse
import cProfile
import logging
import pstats
import time
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from threading import Event

import structlog
from sqlalchemy import event

from schemas.channels import (
    ASSESSMENT,
    CHARGES,
    CONSOLE,
    INTAKE,
    NOTES,
    RECORDS,
    SUBSCRIPTIONS,
    Exchange,
    Subscription,
)
from schemas.group import load_group
from schemas.tariffs import load_tariffs
from services.assessment.rules import load_rules
from services.assessment.worker import AssessmentHandler
from services.charges.worker import ChargesHandler
from services.console.worker import ConsoleHandler
from services.intake.accept import accept
from services.intake.worker import offered_facts
from services.notes.worker import NotesHandler
from services.records.worker import handle as put_in_line
from services.runtime.bus import Bus, BusLimits, Delivery, Handle, Outgoing, kind_of
from services.runtime.migrate import migrate
from services.runtime.outbox import Relay
from services.runtime.store import Store
from services.runtime.worker import Handler, Worker
from tests.bench.bus_teller import as_message
from tests.bench.figures import BenchError, Figure, Options
from tests.bench.invented_rooms import (
    EXPOSURES_A_ROOM,
    Room,
    Told,
    in_turn,
    make_rooms,
    write_group,
)
from tests.bench.processor import DATABASE, processor_seconds
from tests.bench.workplace import Workplace, discard
from tests.servers.postgresql import PostgreSQL

LARGE_BATCH = 50
BATCHES = (1, 10, LARGE_BATCH)
RELAY = "relay"


@dataclass(slots=True)
class CarriedByHand(Bus):
    """Takes messages from one worker to the next in memory, so that no broker's time is in it."""

    limits: BusLimits = field(default_factory=BusLimits)
    queues: dict[str, deque[Delivery]] = field(
        default_factory=lambda: {subscription.queue: deque() for subscription in SUBSCRIPTIONS}
    )

    def declare(self, subscriptions: Sequence[Subscription]) -> None:
        del subscriptions  # all there are

    def publish(self, messages: Sequence[Outgoing]) -> None:
        for message in messages:
            heard = (message.exchange, kind_of(message.routing_key))
            for subscription in SUBSCRIPTIONS:
                if heard in subscription.kinds:
                    delivery = Delivery(message.message_id, message.body, 1)
                    self.queues[subscription.queue].append(delivery)

    def consume(self, subscription: Subscription, handle: Handle, stop: Event) -> None:
        raise NotImplementedError("batches are handed to the workers one by one")

    def consuming(self) -> bool:
        return True

    def depth(self, queue: str) -> int:
        return len(self.queues[queue])

    def close(self) -> None:
        """Nothing is open."""


class Chain:
    """Every service's worker on one store, in the order in which messages pass them."""

    def __init__(self, store_url: str, group_dir: Path) -> None:
        group = load_group(group_dir)
        self.store = Store(store_url)
        migrate(self.store)
        self.bus = CarriedByHand()
        rules = {site.name: load_rules(site, group_dir) for site in group.sites}
        handlers: list[tuple[Subscription, Handler]] = [
            (INTAKE, offered_facts(group, INTAKE.queue)),
            (ASSESSMENT, AssessmentHandler(group, rules)),
            (CHARGES, ChargesHandler(group, load_tariffs(None))),
            (NOTES, NotesHandler(group)),
            (RECORDS, put_in_line),
            (CONSOLE, ConsoleHandler(group)),
        ]
        self._workers = {}
        for subscription, handler in handlers:
            name = subscription.queue
            relay = Relay(name, self.store, self.bus)
            worker = Worker(name, subscription, self.store, self.bus, relay, handler)
            self._workers[name] = (worker, relay)
        self.seconds = dict.fromkeys((*self._workers, RELAY), 0.0)
        self.statements = dict.fromkeys(self.seconds, 0)
        self._now = RELAY
        event.listen(self.store.engine, "before_cursor_execute", self._count)

    def _count(self, *_told: object) -> None:
        self.statements[self._now] += 1

    def offer(self, facts: Sequence[Told]) -> None:
        for message in map(as_message, facts):
            body = message.encode()
            self.bus.publish(
                [Outgoing(Exchange.OFFERS, message.routing_key, str(message.id), body)]
            )

    def prepare(self, rooms: Sequence[Room]) -> None:
        """Tell orders, clock readings and images, with all that follows."""
        self.offer([one for room in rooms for one in (*room.orders, *room.clock_reads)])
        self.run(LARGE_BATCH)
        for room in rooms:
            page = list(map(as_message, room.images))
            with self.store.begin() as connection:
                accept(connection, INTAKE.queue, page, "dicom")
            while self._workers[INTAKE.queue][1].drain_page():
                pass
        self.run(LARGE_BATCH)

    def tell(
        self,
        rooms: Sequence[Room],
        batch: int,
        database: PostgreSQL,
        profiled: str | None = None,
    ) -> cProfile.Profile:
        """Tell the rooms' exposures in turn; ``seconds`` is then what they alone took."""
        self.offer(list(in_turn(rooms)))
        self.seconds = dict.fromkeys(self.seconds, 0.0)
        self.statements = dict.fromkeys(self.statements, 0)
        before_s = processor_seconds(database.pids())
        profile = self.run(batch, profiled)
        self.seconds[DATABASE] = processor_seconds(database.pids()) - before_s
        return profile

    def run(self, batch: int, profiled: str | None = None) -> cProfile.Profile:
        """Hand out what waits, ``batch`` at a time, until nothing does; add to ``seconds``."""
        profile = cProfile.Profile(time.process_time)
        while any(self.bus.queues.values()):
            for name, (worker, relay) in self._workers.items():
                waiting = self.bus.queues[name]
                taken = [waiting.popleft() for _ in range(min(batch, len(waiting)))]
                if not taken:
                    continue
                self._now = name
                began = time.process_time()
                if name == profiled:
                    profile.runcall(worker.handle, taken)
                else:
                    worker.handle(taken)
                handled = time.process_time()
                self._now = RELAY
                while relay.drain_page():
                    pass
                self.seconds[name] += handled - began
                self.seconds[RELAY] += time.process_time() - handled
        return profile

    def close(self) -> None:
        self.store.close()


def measure(options: Options, place: Workplace) -> Figure:
    """Take the same exposures through all workers in batches of several sizes."""
    count = options.choose(1_400, 70)
    figure = Figure("chain", "processor time of the workers for one exposure", rates=False)
    figure.remarks = [
        "one process, messages handed on in memory, PostgreSQL with its syncs on; images, orders "
        "and clock readings came before, so each exposure is linked and tells its study anew",
        "a statement that is run for several rows at once counts once",
        "'relay' is reading and deleting of outbox rows, of all services; no publishing is in it",
        f"exposures of {len(make_rooms(count))} rooms in turn; batches of 1 are what comes one by "
        "one, batches of 50 what has piled up",
    ]
    for _ in range(options.rounds):
        for batch in BATCHES:
            chain, _profile = run(place, count, batch)
            setting = f"in batches of {batch}"
            seconds = chain.seconds | {"all": sum(chain.seconds.values())}
            statements = chain.statements | {"all": sum(chain.statements.values())}
            for part, spent_s in seconds.items():
                figure.note(part, setting, "ms CPU/fact", 1000 * spent_s / count, ours=True)
            for part, number in statements.items():
                figure.note(part, setting, "statements/fact", number / count, ours=True)
    return figure


def run(
    place: Workplace,
    count: int,
    batch: int,
    profiled: str | None = None,
    a_room: int = EXPOSURES_A_ROOM,
) -> tuple[Chain, cProfile.Profile]:
    """Tell exposures, in turn, of rooms that have their images already."""
    database = place.database()
    if not isinstance(database, PostgreSQL):
        raise BenchError("chain: expected a private PostgreSQL, whose processes can be seen")
    folder = place.subfolder("chain")
    rooms = make_rooms(count, a_room=a_room)
    chain = Chain(database.create_database(), write_group(folder, len(rooms)))
    chain.prepare(rooms)
    profile = chain.tell(rooms, batch, database, profiled)
    chain.close()
    discard(folder)
    return chain, profile


def main() -> None:
    """Profile one service's worker."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.chain", description=__doc__)
    parser.add_argument("--profile", choices=[one.queue for one in SUBSCRIPTIONS])
    parser.add_argument("--exposures", type=int, default=280)
    parser.add_argument("--a-room", type=int, default=EXPOSURES_A_ROOM)
    parser.add_argument("--batch", type=int, default=50)
    parser.add_argument("--lines", type=int, default=40)
    asked = parser.parse_args()
    quiet = structlog.make_filtering_bound_logger(logging.WARNING)
    structlog.configure(wrapper_class=quiet)
    with Workplace() as place:
        chain, profile = run(place, asked.exposures, asked.batch, asked.profile, asked.a_room)
    for part, spent_s in chain.seconds.items():
        cost_ms = 1000 * spent_s / asked.exposures
        statements = chain.statements.get(part, 0) / asked.exposures
        print(f"{part}: {cost_ms:.2f} ms CPU and {statements:.2f} statements a fact")
    if asked.profile is None:
        return
    pstats.Stats(profile).sort_stats("cumulative").print_stats(asked.lines)
    pstats.Stats(profile).sort_stats("tottime").print_stats(asked.lines)


if __name__ == "__main__":
    main()
