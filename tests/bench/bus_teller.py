"""Tells facts as a device on AMQP offers them, or as intake keeps those of images."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from types import TracebackType
from typing import Self

from schemas.channels import INTAKE, Exchange
from schemas.envelope import Message, Payload, Source, new_id
from services.intake.accept import accept
from services.runtime.bus import BusLimits, Outgoing
from services.runtime.bus_choice import open_bus
from services.runtime.store import Store
from tests.bench.invented_rooms import Told
from tests.bench.program import Backend

GROUP_NAME = "invented-group"
PAGE = 500


class BusTeller:
    """Tells facts in pages, each durable before the next."""

    def __init__(self, backend: Backend) -> None:
        self._bus = open_bus(backend.bus_url, BusLimits(), "bench-teller")
        self._store = Store(backend.store_url)

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

    def offer(self, facts: Sequence[Told]) -> None:
        """Offer facts to intake over the bus; it has still to accept each."""
        for begin in range(0, len(facts), PAGE):
            page = map(as_message, facts[begin : begin + PAGE])
            self._bus.publish([_outgoing(message) for message in page])

    def keep(self, facts: Sequence[Told]) -> None:
        """Keep facts and have them sent on, as intake does once the files of images are there."""
        for begin in range(0, len(facts), PAGE):
            page = list(map(as_message, facts[begin : begin + PAGE]))
            with self._store.begin() as connection:
                accept(connection, INTAKE.queue, page, "dicom")


def _outgoing(message: Message[Payload]) -> Outgoing:
    return Outgoing(Exchange.OFFERS, message.routing_key, str(message.id), message.encode())


def as_message(told: Told) -> Message[Payload]:
    """Put a fact in its envelope."""
    kind = "record" if told.holder.startswith("record") else "device"
    return Message(
        id=new_id(),
        group=GROUP_NAME,
        site=told.site,
        occurred_at=told.at.astimezone(UTC),
        received_at=datetime.now(UTC),
        source=Source.model_validate({"kind": kind, "name": told.holder}),
        correlation_id=told.natural_key[:128],
        payload=told.fact,
    )
