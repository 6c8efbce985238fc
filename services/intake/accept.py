"""The one way in which a fact is kept: known or new, written down, and sent on."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import structlog
from sqlalchemy import Connection, func, insert, select

from schemas.envelope import Message, Payload
from schemas.errors import InvalidInput
from schemas.facts import (
    DocumentStored,
    ImageStored,
    OrderCancelled,
    OrderPlaced,
    PatientDescribed,
    PatientMerged,
)
from schemas.messages import parse
from services.intake import availability_store, worklist_patients, worklist_store
from services.intake.store import FACT, IMAGE, LONGEST_NATURAL_KEY
from services.runtime import outbox, triage
from services.runtime.upsert import add_new_rows, add_row

log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True)
class Accepted:
    """A new fact: kept, and on its way to whoever listens."""

    natural_key: str
    message: Message[Payload]


@dataclass(frozen=True, slots=True)
class AlreadyKnown:
    """The same fact was kept before, under the id ``first_id``. Nothing is sent again."""

    natural_key: str
    first_id: str


@dataclass(frozen=True, slots=True)
class Conflict:
    """Told before with another content: a person must look; the reason is in triage too.

    ``kept`` says whether this telling was kept as a fact of its own and sent on. That is so for
    an image or report of other content under a known SOP Instance UID; any other fact stays as it
    was told first.
    """

    natural_key: str
    error: InvalidInput
    kept: bool


Outcome = Accepted | AlreadyKnown | Conflict


def check_natural_key(message: Message[Payload]) -> None:
    """Refuse a fact whose identity is too long to be kept (InvalidInput)."""
    if len(message.natural_key) > LONGEST_NATURAL_KEY:
        raise InvalidInput(
            "natural_key", message.natural_key, f"at most {LONGEST_NATURAL_KEY} characters"
        )


def accept(
    connection: Connection,
    service: str,
    messages: Sequence[Message[Payload]],
    origin: str = "bus",
) -> list[Outcome]:
    """Keep facts in the caller's transaction; give one outcome each, in order.

    A new fact goes to the outbox, to the worklist where it concerns an order or its patient, and
    into the table of facts, which never changes. ``origin`` is what a triage entry says of where a
    conflicting one came from: ``bus``, ``http``, ``dicom`` or ``file``. Pass nothing that
    ``check_natural_key`` refuses.
    """
    outcomes: list[Outcome] = []
    new: list[Message[Payload]] = []
    for message in messages:
        key = message.natural_key
        if not _is_new(connection, message):
            outcomes.append(_known(connection, service, message, origin))
            continue
        new.append(message)
        conflict = _apply(connection, service, message, origin)
        outcomes.append(conflict or Accepted(key, message))
    outbox.put(connection, service, new)
    return outcomes


def _is_new(connection: Connection, message: Message[Payload]) -> bool:
    row = {
        "site": message.site,
        "natural_key": message.natural_key,
        "id": str(message.id),
        "kind": message.kind,
        "occurred_at": message.occurred_at,
        "received_at": message.received_at,
        "study_instance_uid": getattr(message.payload, "study_instance_uid", None),
        "body": message.encode(),
    }
    # The database decides, by its key or its id, so that two workers at once keep a fact once.
    return bool(add_new_rows(connection, FACT, [row]))


def _known(
    connection: Connection, service: str, message: Message[Payload], origin: str
) -> AlreadyKnown | Conflict:
    key = message.natural_key
    row = connection.execute(
        select(FACT.c.id, FACT.c.body).where(FACT.c.site == message.site, FACT.c.natural_key == key)
    ).one_or_none()
    if row is None:
        # Not the key but the id is taken: two different facts under one message id.
        error = InvalidInput("id", str(message.id), "an id that no other fact has")
    elif isinstance(message.payload, ImageStored | DocumentStored):
        # The key holds the content's hash; a station's or file's name may differ and says nothing.
        return AlreadyKnown(key, row.id)
    else:
        difference = _difference(parse(row.body).payload, message.payload)
        if difference is None:
            return AlreadyKnown(key, row.id)
        error = difference
    _keep_conflict(connection, service, message, error, origin)
    return Conflict(key, error, kept=False)


def _difference(first: Payload, again: Payload) -> InvalidInput | None:
    """Name the first field that is not as it was told before."""
    before: dict[str, Any] = first.model_dump(mode="json")
    for field, value in again.model_dump(mode="json", exclude=set(again.SET_BY_INTAKE)).items():
        if before.get(field) != value:
            expected = f"{before.get(field)!r}, as told first under the same natural key"
            return InvalidInput(f"payload.{field}", value, expected)
    return None


def _apply(
    connection: Connection, service: str, message: Message[Payload], origin: str
) -> Conflict | None:
    payload = message.payload
    availability_store.note_fact(connection, message)
    if isinstance(payload, OrderPlaced):
        worklist_store.place(connection, message.site, payload, message.occurred_at)
    elif isinstance(payload, PatientDescribed):
        worklist_patients.describe(connection, message.site, payload.patient, message.occurred_at)
    elif isinstance(payload, PatientMerged):
        worklist_patients.merge(connection, message.site, payload, message.occurred_at)
    elif isinstance(payload, OrderCancelled):
        worklist_store.cancel(connection, message.site, payload)
    elif isinstance(payload, ImageStored | DocumentStored) and not _first_content(
        connection, payload
    ):
        error = InvalidInput(
            "SOPInstanceUID (0008,0018)",
            payload.sop_instance_uid,
            "a UID that no other object has; both are kept, a person must say which one counts",
        )
        _keep_conflict(connection, service, message, error, origin)
        return Conflict(message.natural_key, error, kept=True)
    return None


def _first_content(connection: Connection, image: ImageStored | DocumentStored) -> bool:
    row = {
        "sop_instance_uid": image.sop_instance_uid,
        "copy": 0,
        "sha256": image.sha256,
        "path": image.path,
    }
    if add_row(connection, IMAGE, row):
        return True
    same_uid = IMAGE.c.sop_instance_uid == image.sop_instance_uid
    count = connection.scalar(select(func.count()).select_from(IMAGE).where(same_uid))
    connection.execute(insert(IMAGE).values(row | {"copy": count}))
    return False


def _keep_conflict(
    connection: Connection,
    service: str,
    message: Message[Payload],
    error: InvalidInput,
    origin: str,
) -> None:
    log.warning(
        "fact_conflicts",
        natural_key=message.natural_key,
        kind=message.kind,
        site=message.site,
        field=error.field,
    )
    entry = triage.Kept(
        service=service,
        # Its body is a message, so it is settled like one that came by the bus.
        origin="bus" if origin == "dicom" else origin,
        error=error,
        body=message.encode(),
        kind=message.kind,
        message_id=str(message.id),
    )
    triage.keep(connection, [entry])
