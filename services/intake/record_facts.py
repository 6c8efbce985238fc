"""Facts of a patient record kept together: all of one message, or none."""

from collections.abc import Sequence
from datetime import UTC, datetime

from sqlalchemy import Connection, select

from schemas.envelope import Message, Payload, Source, new_id
from schemas.errors import InvalidInput
from schemas.facts import OrderCancelled
from schemas.group import Device, Group, Site
from services.intake.accept import Conflict, Outcome, accept, check_natural_key
from services.intake.store import FACT


class Contradicted(Exception):  # noqa: N818 - an outcome; its reason goes to a person
    """A fact was told before under the same identity with another content."""

    def __init__(self, error: InvalidInput) -> None:
        super().__init__(str(error))
        self.error = error


def record_message(
    group: Group,
    site: Site,
    device: Device,
    fact: Payload,
    occurred_at: datetime,
    source_clock: str | None,
) -> Message[Payload]:
    """Put a fact of a record into its envelope (InvalidInput for a key that is too long)."""
    identity = new_id()
    study = getattr(fact, "study_instance_uid", None)
    message = Message(
        id=identity,
        group=group.name,
        site=site.name,
        occurred_at=occurred_at,
        source_clock=source_clock,
        received_at=datetime.now(UTC),
        source=Source(kind="record", name=device.name),
        correlation_id=f"study-{study}" if study else str(identity),
        payload=fact,
    )
    check_natural_key(message)
    return message


def keep_all(
    connection: Connection, service: str, messages: Sequence[Message[Payload]], origin: str
) -> tuple[list[Message[Payload]], list[Outcome]]:
    """Keep facts in the caller's transaction; give those that were offered, and the outcomes.

    An order that is cancelled already stays so, whatever reason is told now. Raises Contradicted,
    and the caller's transaction must then be rolled back.
    """
    offered = [message for message in messages if not _cancelled_before(connection, message)]
    outcomes = accept(connection, service, offered, origin)
    for outcome in outcomes:
        if isinstance(outcome, Conflict):
            raise Contradicted(outcome.error)
    return offered, outcomes


def _cancelled_before(connection: Connection, message: Message[Payload]) -> bool:
    if not isinstance(message.payload, OrderCancelled):
        return False
    known = select(FACT.c.id).where(
        FACT.c.site == message.site, FACT.c.natural_key == message.natural_key
    )
    return connection.execute(known).first() is not None
