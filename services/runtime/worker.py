"""The worker loop: messages in, one transaction, messages out, then the acknowledgement."""

import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from threading import Event

import structlog
from sqlalchemy import Connection

from schemas.channels import Exchange, Subscription
from schemas.envelope import Message, Payload
from schemas.errors import GomphosisError, InvalidInput
from schemas.messages import parse
from services.runtime import inbox, outbox, triage
from services.runtime.bus import Bus, Delivery, Done, Outcome, RetryLater
from services.runtime.logs import bind_messages
from services.runtime.metrics import BATCH_SECONDS, MESSAGES
from services.runtime.outbox import Relay
from services.runtime.store import Store, StoreUnavailable

log = structlog.get_logger(__name__)

_STORE_WAIT_S = (0.1, 0.5, 1.0, 2.0, 5.0)


class TryAgain(GomphosisError):  # noqa: N818 - read as a sentence: 'raise TryAgain'
    """A handler cannot do its work now; the message comes again later."""


@dataclass(slots=True)
class Work:
    """One transaction in hand: its connection, and the messages that go out with it."""

    connection: Connection
    store: Store
    _out: list[tuple[Message[Payload], Exchange | None]] = field(default_factory=list)

    def emit(self, message: Message[Payload], exchange: Exchange | None = None) -> None:
        """Send a message once this transaction has committed, and only then."""
        self._out.append((message, exchange))

    def lock(self, name: str, *, shared: bool = False) -> None:
        """Hold a named lock until this transaction ends, alone or with others that share it."""
        self.store.lock(self.connection, name, shared=shared)

    def lock_all(self, names: Iterable[str] | Mapping[str, bool]) -> None:
        """Hold these locks too, taken in this order in one statement; True: shared."""
        shared = names if isinstance(names, Mapping) else dict.fromkeys(names, False)
        self.store.lock_all(self.connection, shared)

    def flush(self, service: str) -> None:
        for exchange in {exchange for _, exchange in self._out}:
            outbox.put(
                self.connection,
                service,
                [message for message, own in self._out if own is exchange],
                exchange,
            )


Handler = Callable[[Work, Sequence[Message[Payload]]], None]
"""Does a service's work for a batch of new messages, inside the transaction of ``Work``.

It raises InvalidInput for a message that can never be used (kept for triage), TryAgain for one
that cannot be used now; any other error is tried again a few times, then kept for triage.
"""


class Worker:
    """Runs a handler on one subscription, exactly once per message in effect.

    ``committed`` is called after each batch, for those who wait to look at what it wrote.
    """

    def __init__(
        self,
        service: str,
        subscription: Subscription,
        store: Store,
        bus: Bus,
        relay: Relay,
        handler: Handler,
        committed: Callable[[], None] = lambda: None,
    ) -> None:
        self._service = service
        self._subscription = subscription
        self._store = store
        self._bus = bus
        self._relay = relay
        self._handler = handler
        self._committed = committed
        self._stop = Event()

    def run(self, stop: Event) -> None:
        """Consume until stopped; the batch in hand is finished."""
        self._stop = stop
        self._bus.consume(self._subscription, self.handle, stop)

    def ready(self) -> bool:
        return self._bus.consuming()

    def handle(self, deliveries: Sequence[Delivery]) -> Sequence[Outcome]:
        """Answer a batch: as one transaction, or one by one where that fails."""
        started = time.perf_counter()
        try:
            outcomes = self._attempt(deliveries)
        finally:
            BATCH_SECONDS.labels(self._service).observe(time.perf_counter() - started)
        self._relay.wake()
        self._committed()
        return outcomes

    def _attempt(self, deliveries: Sequence[Delivery]) -> Sequence[Outcome]:
        try:
            return self._commit(deliveries)
        except Exception as error:  # noqa: BLE001 - sorted out one by one below
            if len(deliveries) > 1 and not isinstance(error, StoreUnavailable):
                return [outcome for one in deliveries for outcome in self._attempt([one])]
            if isinstance(error, StoreUnavailable):
                return self._wait_for_store(deliveries, error)
            return [self._refused(deliveries[0], error)]

    def _commit(self, deliveries: Sequence[Delivery]) -> Sequence[Outcome]:
        messages: list[Message[Payload]] = []
        unusable: list[triage.Kept] = []
        for delivery in deliveries:
            try:
                # A message given up is tried once more, alone: it may only have shared a batch
                # with the one that killed its consumer.
                if delivery.dead_reason is not None and delivery.redelivered:
                    raise InvalidInput("delivery", delivery.dead_reason, "a handler that survives")
                messages.append(parse(delivery.body))
            except InvalidInput as error:
                unusable.append(self._kept(delivery, error))
        with self._store.begin() as connection:
            work = Work(connection, self._store)
            new = inbox.take(connection, self._service, [str(message.id) for message in messages])
            fresh: list[Message[Payload]] = []
            for message in messages:
                if str(message.id) in new:
                    new.discard(str(message.id))  # twice in one batch counts once
                    fresh.append(message)
            if fresh:
                with bind_messages(fresh):
                    self._handler(work, fresh)
            work.flush(self._service)
            triage.keep(connection, unusable)
        for message in fresh:
            MESSAGES.labels(self._service, message.kind, "done").inc()
        for entry in unusable:
            self._say_kept(entry)
        return [Done()] * len(deliveries)

    def _wait_for_store(
        self, deliveries: Sequence[Delivery], error: StoreUnavailable
    ) -> Sequence[Outcome]:
        """Hold the batch while the store is away: an outage only delays, and wears nobody out."""
        for attempt in range(1_000_000):
            log.warning("store_waits", service=self._service, reason=str(error))
            if self._stop.wait(_STORE_WAIT_S[min(attempt, len(_STORE_WAIT_S) - 1)]):
                break
            try:
                return self._commit(deliveries)
            except StoreUnavailable as again:
                error = again
            except Exception:  # noqa: BLE001 - the store is back; sort the batch out
                return self._attempt(deliveries)
        raise error

    def _refused(self, delivery: Delivery, error: Exception) -> Outcome:
        """Decide on one message that its handler could not use."""
        waits = self._bus.limits.retry_waits_s
        if not isinstance(error, InvalidInput):
            if isinstance(error, TryAgain) or delivery.attempt <= len(waits):
                wait_s = waits[min(delivery.attempt, len(waits)) - 1]
                log.warning(
                    "message_retried",
                    service=self._service,
                    message_id=delivery.message_id,
                    attempt=delivery.attempt,
                    wait_s=wait_s,
                    reason=str(error),
                    exc_info=not isinstance(error, TryAgain),
                )
                MESSAGES.labels(self._service, "", "retried").inc()
                return RetryLater(wait_s, str(error))
            error = InvalidInput(
                "handler", f"{type(error).__name__}: {error}", "work that succeeds in the end"
            )
        entry = self._kept(delivery, error)
        with self._store.begin() as connection:
            triage.keep(connection, [entry])
        self._say_kept(entry)
        return Done()

    def _kept(self, delivery: Delivery, error: InvalidInput) -> triage.Kept:
        kind = None
        try:
            kind = parse(delivery.body).kind
        except InvalidInput:
            kind = None  # it has no kind that we could read
        return triage.Kept(
            service=self._service,
            origin="bus",
            error=error,
            body=delivery.body,
            kind=kind,
            message_id=delivery.message_id,
            attempts=delivery.attempt,
        )

    def _say_kept(self, entry: triage.Kept) -> None:
        MESSAGES.labels(self._service, entry.kind or "", "triage").inc()
        log.warning(
            "message_kept_for_triage",
            service=self._service,
            message_id=entry.message_id,
            kind=entry.kind,
            field=entry.error.field,
            expected=entry.error.expected,
        )
