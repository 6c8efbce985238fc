"""The embedded bus: queues in one SQLite file, for all services on one machine.

Publishing commits to the disk before it returns. Claims and acknowledgements need no sync of
their own: losing one in a power cut only means that a message is delivered again.
"""

import sqlite3
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from threading import Event

import structlog

from schemas.channels import Subscription
from services.runtime.bus import (
    Bus,
    BusLimits,
    BusUnavailable,
    Delivery,
    Done,
    Handle,
    Outcome,
    Outgoing,
    Unroutable,
    kind_of,
)
from services.runtime.bus_embedded_claims import ConsumerClaim, gone_consumers

log = structlog.get_logger(__name__)

_SCHEMA = """
CREATE TABLE IF NOT EXISTS queue (name TEXT PRIMARY KEY);
CREATE TABLE IF NOT EXISTS binding (
    exchange TEXT, kind TEXT, queue TEXT, PRIMARY KEY (exchange, kind, queue)
) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS delivery (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    queue TEXT NOT NULL,
    message_id TEXT NOT NULL,
    body BLOB NOT NULL,
    attempt INTEGER NOT NULL DEFAULT 1,
    deliveries INTEGER NOT NULL DEFAULT 0,
    ready_at REAL NOT NULL DEFAULT 0,
    consumer TEXT
);
CREATE INDEX IF NOT EXISTS delivery_ready ON delivery (queue, id) WHERE consumer IS NULL;
CREATE INDEX IF NOT EXISTS delivery_claimed ON delivery (consumer) WHERE consumer IS NOT NULL;
"""
_SHORTEST_WAIT_S = 0.002
_LONGEST_WAIT_S = 0.02
_SWEEP_S = 0.5
"""How soon the messages of a killed consumer are given to another."""


class EmbeddedBus(Bus):
    """Queues in the SQLite file ``path``, shared by any number of processes."""

    def __init__(self, path: Path, limits: BusLimits | None = None) -> None:
        self.limits = limits or BusLimits()
        self._path = path
        self._local = threading.local()
        self._connections: list[sqlite3.Connection] = []
        self._guard = threading.Lock()
        self._published = threading.Condition()
        self._consumers = 0

    def declare(self, subscriptions: Sequence[Subscription]) -> None:
        with self._transaction(durable=True) as connection:
            for subscription in subscriptions:
                connection.execute("INSERT OR IGNORE INTO queue VALUES (?)", (subscription.queue,))
                connection.executemany(
                    "INSERT OR IGNORE INTO binding VALUES (?, ?, ?)",
                    [
                        (exchange.value, kind, subscription.queue)
                        for exchange, kind in subscription.kinds
                    ],
                )

    def publish(self, messages: Sequence[Outgoing]) -> None:
        with self._transaction(durable=True) as connection:
            for message in messages:
                kind = kind_of(message.routing_key)
                queues = connection.execute(
                    "SELECT queue FROM binding WHERE exchange = ? AND kind = ?",
                    (message.exchange.value, kind),
                ).fetchall()
                if not queues and message.must_be_heard:
                    raise Unroutable(message.exchange.value, message.routing_key)
                connection.executemany(
                    "INSERT INTO delivery (queue, message_id, body) VALUES (?, ?, ?)",
                    [(queue, message.message_id, message.body) for (queue,) in queues],
                )
        with self._published:
            self._published.notify_all()

    def consume(self, subscription: Subscription, handle: Handle, stop: Event) -> None:
        self.declare([subscription])
        claim = ConsumerClaim(self._path)
        try:
            with self._guard:
                self._consumers += 1
            self._consume(subscription.queue, claim, handle, stop)
        finally:
            with self._guard:
                self._consumers -= 1
            claim.release()

    def _consume(self, queue: str, claim: ConsumerClaim, handle: Handle, stop: Event) -> None:
        swept_at = -_SWEEP_S
        wait_s = _SHORTEST_WAIT_S
        while not stop.is_set():
            try:
                if time.monotonic() - swept_at >= _SWEEP_S:
                    self._give_back_claims_of_the_gone(claim.name)
                    swept_at = time.monotonic()
                deliveries = self._claim(queue, claim.name)
            except BusUnavailable as error:
                log.warning("bus_waits", queue=queue, reason=str(error))
                stop.wait(1.0)
                continue
            if not deliveries:
                with self._published:
                    self._published.wait(wait_s)
                wait_s = min(wait_s * 2, _LONGEST_WAIT_S)
                continue
            wait_s = _SHORTEST_WAIT_S
            self._answer(claim.name, deliveries, handle, stop)

    def _answer(
        self, consumer: str, claimed: dict[int, Delivery], handle: Handle, stop: Event
    ) -> None:
        try:
            outcomes = handle(list(claimed.values()))
        except BaseException:
            with self._transaction() as connection:
                connection.executemany(
                    "UPDATE delivery SET consumer = NULL WHERE id = ? AND consumer = ?",
                    [(row_id, consumer) for row_id in claimed],
                )
            raise
        while True:
            try:
                self._settle(consumer, claimed, outcomes)
            except BusUnavailable as error:
                log.warning("answers_wait", reason=str(error))
                if stop.wait(1.0):
                    return  # the claims go back with this consumer; the inbox knows the doubles
            else:
                return

    def _settle(
        self, consumer: str, claimed: dict[int, Delivery], outcomes: Sequence[Outcome]
    ) -> None:
        now = time.time()
        done = []
        later = []
        for row_id, outcome in zip(claimed, outcomes, strict=True):
            if isinstance(outcome, Done):
                done.append((row_id, consumer))
            else:
                later.append((now + self.limits.wait_for(outcome.wait_s), row_id, consumer))
        with self._transaction() as connection:
            connection.executemany("DELETE FROM delivery WHERE id = ? AND consumer = ?", done)
            connection.executemany(
                "UPDATE delivery SET consumer = NULL, deliveries = 0, attempt = attempt + 1, "
                "ready_at = ? WHERE id = ? AND consumer = ?",
                later,
            )

    def _claim(self, queue: str, consumer: str) -> dict[int, Delivery]:
        """Take what is ready, oldest first; what had no answer before is taken alone."""
        limit = self.limits.delivery_limit
        ready = (
            "SELECT id, message_id, body, attempt, deliveries FROM delivery "
            "WHERE queue = ? AND consumer IS NULL AND (ready_at <= ? OR ready_at > ?) "
            "ORDER BY id LIMIT ?"
        )
        arguments = (queue, *self._now(), min(self.limits.batch, self.limits.prefetch))
        if not self._connection().execute(ready, arguments).fetchone():
            return {}  # a look without the write lock
        claimed: dict[int, Delivery] = {}
        with self._transaction() as connection:
            rows = connection.execute(ready, arguments).fetchall()
            for row_id, message_id, body, attempt, deliveries in rows:
                given_up = deliveries >= limit
                if deliveries and claimed:
                    break
                claimed[row_id] = Delivery(
                    message_id=message_id,
                    body=body,
                    attempt=attempt,
                    redelivered=deliveries > (limit if given_up else 0),
                    dead_reason=f"no answer to {limit} deliveries" if given_up else None,
                )
                if deliveries:
                    break
            connection.executemany(
                "UPDATE delivery SET consumer = ?, deliveries = deliveries + 1 WHERE id = ?",
                [(consumer, row_id) for row_id in claimed],
            )
        return claimed

    def _give_back_claims_of_the_gone(self, me: str) -> None:
        holders = [
            name
            for (name,) in self._connection().execute(
                "SELECT DISTINCT consumer FROM delivery WHERE consumer IS NOT NULL"
            )
            if name != me
        ]
        for name in gone_consumers(self._path, holders):
            with self._transaction() as connection:
                connection.execute(
                    "UPDATE delivery SET consumer = NULL WHERE consumer = ?", (name,)
                )
            log.warning("claims_given_back", consumer=name)

    def consuming(self) -> bool:
        return self._consumers > 0

    def _now(self) -> tuple[float, float]:
        """Give now, and what lies further ahead than any wait: a wrong clock wrote it."""
        now = time.time()
        return now, now + max(self.limits.retry_waits_s)

    def depth(self, queue: str) -> int:
        try:
            connection = self._connection()
            if not connection.execute("SELECT 1 FROM queue WHERE name = ?", (queue,)).fetchone():
                raise BusUnavailable(f"embedded bus: expected queue {queue} to be declared")
            row = connection.execute(
                "SELECT count(*) FROM delivery "
                "WHERE queue = ? AND consumer IS NULL AND (ready_at <= ? OR ready_at > ?)",
                (queue, *self._now()),
            )
            return int(row.fetchone()[0])
        except sqlite3.Error as error:
            raise BusUnavailable(f"embedded bus: {error}") from error

    def close(self) -> None:
        with self._guard:
            for connection in self._connections:
                connection.close()
            self._connections.clear()
        self._local = threading.local()

    def _connection(self) -> sqlite3.Connection:
        """Give this thread's connection."""
        existing: sqlite3.Connection | None = getattr(self._local, "connection", None)
        if existing is not None:
            return existing
        self._path.parent.mkdir(parents=True, exist_ok=True)
        try:
            connection = sqlite3.connect(
                self._path,
                timeout=self.limits.blocked_timeout_s,
                isolation_level=None,
                check_same_thread=False,  # close() may run in another thread
            )
            connection.execute("PRAGMA journal_mode=WAL")
            connection.executescript(_SCHEMA)
        except sqlite3.Error as error:
            raise BusUnavailable(f"embedded bus {self._path.name}: {error}") from error
        with self._guard:
            self._connections.append(connection)
        self._local.connection = connection
        return connection

    @contextmanager
    def _transaction(self, durable: bool = False) -> Iterator[sqlite3.Connection]:
        connection = self._connection()
        try:
            connection.execute(f"PRAGMA synchronous={'FULL' if durable else 'NORMAL'}")
            connection.execute("BEGIN IMMEDIATE")
            try:
                yield connection
                connection.execute("COMMIT")
            except BaseException:
                if connection.in_transaction:
                    connection.execute("ROLLBACK")
                raise
        except sqlite3.Error as error:
            raise BusUnavailable(f"embedded bus {self._path.name}: {error}") from error
