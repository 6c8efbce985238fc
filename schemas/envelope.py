"""The envelope that every fact and every conclusion travels in."""

from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Annotated, Any, ClassVar, Generic, Literal, TypeVar
from uuid import UUID

import uuid_utils.compat
from pydantic import Field

from schemas.base import Contract, Name, UtcTime

Kind = Annotated[str, Field(min_length=1, max_length=40, pattern=r"^[a-z][a-z_]*$")]
"""A message kind: lower case with underscores, in the past tense (``exposure_ended``)."""

CorrelationId = Annotated[str, Field(min_length=1, max_length=128, pattern=r"^[\x21-\x7e]+$")]


class Source(Contract):
    """Who told the fact: a device, a person, a patient record or one of our services."""

    kind: Literal["device", "person", "record", "service"]
    name: Name

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = ({"kind": "device", "name": "generator-1"},)


class Envelope(Contract):
    """What is known of a message before its payload is read.

    ``occurred_at`` is UTC; ``source_clock`` keeps the source's own reading as it was told, so
    that a wrong clock can be found later. ``correlation_id`` runs through the whole chain;
    ``causation_id`` is the message that gave rise to this one.
    """

    id: UUID
    kind: Kind
    schema_version: Annotated[int, Field(ge=1, le=10_000)]
    group: Name
    site: Name
    occurred_at: UtcTime
    source_clock: Annotated[str, Field(max_length=64, pattern=r"^[^\x00]*$")] | None = None
    received_at: UtcTime
    source: Source
    correlation_id: CorrelationId
    causation_id: UUID | None = None
    payload: dict[str, Any]

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "id": "01936d0a-7c00-7000-8000-000000000001",
            "kind": "order_cancelled",
            "schema_version": 1,
            "group": "example-group",
            "site": "north",
            "occurred_at": "2026-03-02T09:15:00Z",
            "source_clock": "2026-03-02T10:15:00+01:00",
            "received_at": "2026-03-02T09:15:01Z",
            "source": {"kind": "record", "name": "record-north"},
            "correlation_id": "order-1001",
            "causation_id": None,
            "payload": {"order_id": "1001", "reason": "Owner declined (invented)"},
        },
    )


class Payload(Contract):
    """The base of facts and conclusions: what the envelope carries."""

    KIND: ClassVar[str]
    VERSION: ClassVar[int] = 1
    SET_BY_INTAKE: ClassVar[frozenset[str]] = frozenset()
    """Fields that intake fills itself; no sender may tell them, and no resend differs by them."""

    def natural_key(self, occurred_at: datetime) -> str:
        """Tell the identity of what is told, the same under any message id.

        A resend is recognised by it. ``occurred_at`` is the envelope's.
        """
        raise NotImplementedError


P_co = TypeVar("P_co", bound=Payload, covariant=True)


@dataclass(frozen=True, slots=True, kw_only=True)
class Message(Generic[P_co]):
    """An envelope's header with its payload as a typed model.

    Made by ``schemas.messages.parse`` (which validates) or by a service from valid parts.
    """

    id: UUID
    group: Name
    site: Name
    occurred_at: UtcTime
    source_clock: str | None = None
    received_at: UtcTime
    source: Source
    correlation_id: CorrelationId
    causation_id: UUID | None = None
    payload: P_co
    # The natural key, once it was asked for: it is asked for often.
    _key: str | None = field(default=None, init=False, repr=False, compare=False)

    @property
    def kind(self) -> str:
        return self.payload.KIND

    @property
    def natural_key(self) -> str:
        key = self._key
        if key is None:
            key = self.payload.natural_key(self.occurred_at)
            object.__setattr__(self, "_key", key)
        return key

    @property
    def routing_key(self) -> str:
        return f"{self.kind}.{self.group}.{self.site}"

    def encode(self) -> bytes:
        """Give the message as JSON, ready for the bus."""
        return self.envelope().model_dump_json().encode()

    def envelope(self) -> Envelope:
        return Envelope(
            id=self.id,
            kind=self.payload.KIND,
            schema_version=self.payload.VERSION,
            group=self.group,
            site=self.site,
            occurred_at=self.occurred_at,
            source_clock=self.source_clock,
            received_at=self.received_at,
            source=self.source,
            correlation_id=self.correlation_id,
            causation_id=self.causation_id,
            payload=self.payload.model_dump(mode="json"),
        )

    def caused(
        self, payload: Payload, source: Source, at: datetime | None = None
    ) -> "Message[Any]":
        """Make a message that follows from this one: same chain, this one as its cause."""
        now = datetime.now(UTC)
        return Message(
            id=new_id(),
            group=self.group,
            site=self.site,
            occurred_at=at or now,
            received_at=now,
            source=source,
            correlation_id=self.correlation_id,
            causation_id=self.id,
            payload=payload,
        )


def new_id() -> UUID:
    """Make a message id: UUIDv7, so that ids sort by time (RFC 9562 section 5.7)."""
    return uuid_utils.compat.uuid7()
