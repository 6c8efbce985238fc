"""The listener: brings what the record tells of itself, orders and late answers, to intake."""

from collections.abc import Callable
from datetime import UTC, datetime
from threading import Event

import structlog

from schemas.channels import Exchange
from schemas.envelope import Message, Payload, Source, new_id
from schemas.errors import InvalidInput
from services.records import answers, store
from services.records.dependence import credit_of
from services.records.port import (
    LateAnswer,
    OrderOffer,
    PatientRecord,
    RecordError,
    Unreadable,
)
from services.records.poster import SERVICE
from services.records.store import PostingState, Verb
from services.runtime import triage
from services.runtime.store import Store, StoreUnavailable
from services.runtime.worker import Work

log = structlog.get_logger(__name__)

_CLAIM = "record-listener"
_ORIGIN = "record"
_LONGEST_WAIT_S = 30.0


class Listener:
    """Reads orders and late answers, one process at a time.

    An item is settled with the record only after it is durable here. Killed in between, it is
    read again: an order is then recognised by its natural key, an answer changes nothing.
    """

    def __init__(
        self,
        store_: Store,
        record: PatientRecord,
        wake: Callable[[], None],
        group: str,
        poll_s: float,
    ) -> None:
        self._store = store_
        self._record = record
        self._wake = wake
        self._group = group
        self._poll_s = poll_s
        self._source = Source(kind="record", name=record.NAME)

    def run(self, stop: Event) -> None:
        """Listen until stopped; trouble with record or store only delays."""
        wait_s = self._poll_s
        while not stop.is_set():
            try:
                with self._store.exclusive(_CLAIM) as mine:
                    while mine and not stop.is_set():
                        self.listen_once()
                        wait_s = self._poll_s
                        stop.wait(self._poll_s)
                stop.wait(1.0)
            except (RecordError, StoreUnavailable) as error:
                log.warning("listener_waits", reason=str(error))
                wait_s = min(wait_s * 2, _LONGEST_WAIT_S)
                stop.wait(wait_s)

    def listen_once(self) -> int:
        """Take what the record tells now; give the number of items. Raises RecordError."""
        taken = 0
        for read in (self._record.read_orders, self._record.read_answers):
            for item in list(read()):
                self._take(item)
                taken += 1
        return taken

    def _take(self, item: OrderOffer | LateAnswer | Unreadable) -> None:
        try:
            with self._store.begin() as connection:
                self._effect(Work(connection, self._store), item)
        except StoreUnavailable:
            raise
        except Exception as error:
            # One item that we cannot use must not keep the others from us.
            log.exception("record_item_failed", token=item.token)
            wrong = InvalidInput(
                "record item", f"{type(error).__name__}: {error}", "one we can use"
            )
            item = Unreadable(token=item.token, body=repr(item).encode(), error=wrong)
            with self._store.begin() as connection:
                self._effect(Work(connection, self._store), item)
        self._wake()
        self._record.settle(item)

    def _effect(self, work: Work, item: OrderOffer | LateAnswer | Unreadable) -> None:
        if isinstance(item, OrderOffer):
            work.emit(self._order_fact(item), Exchange.OFFERS)
        elif isinstance(item, LateAnswer):
            self._take_answer(work, item)
        else:
            self._keep(work, item.error, item.body, item.kind)
        work.flush(SERVICE)

    def _order_fact(self, offer: OrderOffer) -> Message[Payload]:
        message_id = new_id()
        return Message(
            id=message_id,
            group=self._group,
            site=offer.site,
            occurred_at=offer.occurred_at,
            source_clock=offer.source_clock,
            received_at=datetime.now(UTC),
            source=self._source,
            correlation_id=str(message_id),
            payload=offer.payload,
        )

    def _take_answer(self, work: Work, answer: LateAnswer) -> None:
        row = store.get(work.connection, answer.posting_key)
        if row is None:
            error = InvalidInput("posting_key", answer.posting_key, "the key of a posting of ours")
            self._keep(work, error, repr(answer).encode(), None)
            return
        said = answers.said_late(answer, row)
        others = [state for state in PostingState if state is not said.state]
        if said.state is PostingState.POSTED and said.reference != row.reference:
            others.append(said.state)  # the record names now what it had only taken in before
        changed = answers.mark(work, row, said, self._source, others)
        if changed and said.state is PostingState.POSTED and row.verb == Verb.CHARGE.value:
            # A charge that was withdrawn is in the record after all: so its credit has to go out.
            credit = credit_of(
                row.posting_key, store.of_study(work.connection, row.study_instance_uid)
            )
            if credit is not None:
                store.wait_again(
                    work.connection,
                    [credit.posting_key],
                    (PostingState.WITHDRAWN,),
                )

    def _keep(self, work: Work, error: InvalidInput, body: bytes, kind: str | None) -> None:
        triage.keep(
            work.connection,
            [triage.Kept(service=SERVICE, origin=_ORIGIN, error=error, body=body, kind=kind)],
        )
        log.warning("record_item_kept_for_triage", field=error.field, expected=error.expected)
