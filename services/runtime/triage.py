"""Triage: input that could not be used, kept with its reason until a person settles it."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from enum import StrEnum
from typing import Any, Final

from sqlalchemy import Connection, Row, func, insert, select, update

from schemas.channels import Exchange
from schemas.envelope import new_id
from schemas.errors import GomphosisError, InvalidInput, keepable
from schemas.messages import load_json, parse
from services.runtime import outbox
from services.runtime.tables import TRIAGE

MOST_COUNTED: Final = 100_000
"""Counting stops here: nobody works through more, and the count must stay quick."""

OUTSIDE = ("dicom", "http", "file")
"""Origins whose input had not become a message yet."""

_ELSEWHERE = {
    "dicom": "a DICOM file is replayed by 'gomphosis import' on the file named in its body",
    "dicom-request": "mend what it names at the station, and have the station tell it again",
    "hl7": "complete record_codes.yaml or correct the message, and have its sender send it again",
    "fhir": "complete record_codes.yaml or correct the resource, and POST it to /fhir/notify",
    "record": "correct what its body names and have the record tell it again: as a file put back "
    "where it drops files, or as a new row of its tables",
}
"""Origins whose input is no message of ours, and how it is sent again."""


class TriageState(StrEnum):
    OPEN = "open"
    REPLAYED = "replayed"
    DISCARDED = "discarded"


class TriageError(GomphosisError):
    """A triage entry cannot be settled as asked."""


@dataclass(frozen=True, slots=True)
class Kept:
    """One entry. ``field``, ``value`` and ``expected`` say what was wrong with it."""

    service: str
    origin: str
    error: InvalidInput
    body: bytes
    kind: str | None = None
    message_id: str | None = None
    attempts: int = 1


def keep(connection: Connection, entries: Sequence[Kept]) -> None:
    """Keep entries for a person, in this transaction."""
    if not entries:
        return
    now = datetime.now(UTC)
    connection.execute(
        insert(TRIAGE),
        [
            {
                "service": entry.service,
                "origin": entry.origin,
                "kind": _fit(entry.kind, 40),
                "message_id": _fit(entry.message_id, 36),
                "field": entry.error.field[:200],
                "value": entry.error.value[:400],
                "expected": entry.error.expected[:4000],
                "attempts": entry.attempts,
                "body": entry.body,
                "kept_at": now,
                "state": TriageState.OPEN.value,
            }
            for entry in entries
        ],
    )


def _fit(told: str | None, length: int) -> str | None:
    """Make fit what a sender chose: to be kept must not fail for how its message is labelled."""
    return None if told is None else keepable(told)[:length]


def entries(
    connection: Connection,
    state: TriageState | None = TriageState.OPEN,
    limit: int = 200,
    after: int = 0,
) -> Sequence[Row[tuple[object, ...]]]:
    """List entries, oldest first, from those with an id above ``after`` on."""
    query = select(TRIAGE).where(TRIAGE.c.id > after).order_by(TRIAGE.c.id).limit(limit)
    if state is not None:
        query = query.where(TRIAGE.c.state == state.value)
    return connection.execute(query).all()


def newest_of(
    connection: Connection, service: str, kinds: Collection[str], looked_at: int = 500
) -> Sequence[Row[tuple[object, ...]]]:
    """Give a service's entries of these kinds, in any state, among the newest of all services."""
    newest = select(TRIAGE).order_by(TRIAGE.c.id.desc()).limit(looked_at).subquery()
    query = select(newest).where(newest.c.service == service, newest.c.kind.in_(sorted(kinds)))
    return connection.execute(query.order_by(newest.c.id.desc())).all()


def entry(connection: Connection, entry_id: int) -> Row[tuple[object, ...]] | None:
    """Give one entry, in any state."""
    return connection.execute(select(TRIAGE).where(TRIAGE.c.id == entry_id)).one_or_none()


def count_open(connection: Connection) -> int:
    """Count the entries that wait for a person, up to ``MOST_COUNTED``."""
    waiting = select(TRIAGE.c.id).where(TRIAGE.c.state == TriageState.OPEN.value)
    query = select(func.count()).select_from(waiting.limit(MOST_COUNTED).subquery())
    return int(connection.scalar(query) or 0)


def site_of(row: Row[Any]) -> str | None:
    """Name the site that an entry says it is of; None where its body tells none."""
    try:
        told = load_json(row.body)
    except InvalidInput:
        return None
    site = told.get("site") if isinstance(told, dict) else None
    return site if isinstance(site, str) else None


def how_elsewhere(row: Row[Any]) -> str | None:
    """Say how an entry is sent again that is no message of ours; None where it can be replayed."""
    return _ELSEWHERE.get(row.origin)


def is_offer(row: Row[Any]) -> bool:
    """Tell whether an entry was offered from outside: an edited copy of it is a new offer."""
    return row.origin in OUTSIDE or row.service == "intake"


def replay(
    connection: Connection,
    entry_id: int,
    corrected: bytes | None = None,
    *,
    by: str | None = None,
) -> str:
    """Send an entry through the bus again, corrected or as it was; give the message's id.

    The message goes by the exchange that it came from: workers that have handled it already
    know its id and let it pass. An edited copy of an offer is a new offer, with an id of its own
    and the kept one as its cause; what was kept stays as it was, beside what was sent and by
    whom. Raises TriageError where there is no such open entry, and InvalidInput where the body
    still breaks its contract.
    """
    row = entry(connection, entry_id)
    if row is None or row.state != TriageState.OPEN.value:
        raise TriageError(f"triage {entry_id}: expected an open entry; list them first")
    if row.origin in _ELSEWHERE:
        raise TriageError(f"triage {entry_id}: {_ELSEWHERE[row.origin]}")
    edited = corrected is not None and corrected != row.body
    message = parse(corrected if corrected is not None else row.body)
    offered = is_offer(row)
    if offered and edited:
        message = replace(message, id=new_id(), causation_id=message.id)
    outbox.put(connection, row.service, [message], Exchange.OFFERS if offered else None)
    _settle(
        connection,
        entry_id,
        TriageState.REPLAYED,
        settled_by=by,
        sent_message_id=str(message.id),
        sent_body=message.encode() if edited else None,
    )
    return str(message.id)


def discard(
    connection: Connection, entry_id: int, *, by: str | None = None, reason: str | None = None
) -> None:
    """Settle an entry as of no use; it stays readable, with who did so and why."""
    told = None if reason is None else reason[:400]
    _settle(connection, entry_id, TriageState.DISCARDED, settled_by=by, settled_reason=told)


def _settle(connection: Connection, entry_id: int, state: TriageState, **told: Any) -> None:
    changed = connection.execute(
        update(TRIAGE)
        .where(TRIAGE.c.id == entry_id, TRIAGE.c.state == TriageState.OPEN.value)
        .values(state=state.value, settled_at=datetime.now(UTC), **told)
    ).rowcount
    if changed != 1:
        raise TriageError(f"triage {entry_id}: expected an open entry; list them first")
