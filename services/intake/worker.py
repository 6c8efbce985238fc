"""Facts offered over the bus, by devices on AMQP and by our own services: kept or refused."""

from collections.abc import Callable, Sequence

from sqlalchemy import Connection, select

from schemas.envelope import Message, Payload
from schemas.errors import InvalidInput
from schemas.facts import FACTS, DocumentStored, ImageStored
from schemas.group import Group
from services.intake.accept import accept, check_natural_key
from services.intake.count import count_outcomes
from services.intake.reauthentication import SIGNED_KINDS
from services.intake.store import IMAGE
from services.runtime.worker import Work

_FACT_KINDS = frozenset(fact.KIND for fact in FACTS)


def offered_facts(group: Group, service: str) -> Callable[[Work, Sequence[Message[Payload]]], None]:
    """Make the handler of offers: it accepts facts of this group's sites."""

    def handle(work: Work, messages: Sequence[Message[Payload]]) -> None:
        for message in messages:
            check_offered(group, message)
            check_natural_key(message)
            if isinstance(message.payload, ImageStored | DocumentStored):
                _check_is_on_disk(work.connection, message.payload)
        count_outcomes(messages, accept(work.connection, service, messages))

    return handle


def check_offered(group: Group, message: Message[Payload]) -> None:
    """Refuse what is no fact of this group, or needs somebody who shows who they are
    (InvalidInput)."""
    if message.kind not in _FACT_KINDS:
        raise InvalidInput("kind", message.kind, "a fact; conclusions are made here, not told")
    if message.kind in SIGNED_KINDS:
        # Here nobody can show who they are, and a replay from triage shows nothing either.
        raise InvalidInput("kind", message.kind, "a fact that its signer tells over HTTP, again")
    if message.group != group.name:
        raise InvalidInput("group", message.group, f"{group.name}, the group of this service")
    group.site(message.site)


def _check_is_on_disk(connection: Connection, image: ImageStored | DocumentStored) -> None:
    known = select(IMAGE.c.path).where(
        IMAGE.c.sop_instance_uid == image.sop_instance_uid,
        IMAGE.c.sha256 == image.sha256,
        IMAGE.c.path == image.path,
    )
    if connection.execute(known).first() is None:
        raise InvalidInput(
            "payload.path", image.path, "an object that came by DICOM: its file must be here first"
        )
