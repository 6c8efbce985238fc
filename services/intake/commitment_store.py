"""Storage commitments as rows: asked for, due, delivered."""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import ColumnElement, Connection, Row, and_, func, select, update
from sqlalchemy.dialects import postgresql, sqlite

from services.intake.commitment_rules import CommitmentRequest, Reference
from services.intake.outgoing_waits import LONGEST_WAIT
from services.intake.store import COMMITMENT
from services.runtime.due import is_due


@dataclass(frozen=True, slots=True)
class Owed:
    """A report that a device waits for."""

    site: str
    device: str
    transaction_uid: str
    request_sha256: str
    duplicate: bool
    references: tuple[Reference, ...]
    attempts: int


def insert_request(
    connection: Connection,
    site: str,
    device: str,
    request: CommitmentRequest,
    received_at: datetime,
    due_at: datetime,
) -> None:
    """Keep a request. One that is repeated word for word is due again, with one report."""
    same_uid = select(func.count()).where(
        COMMITMENT.c.site == site,
        COMMITMENT.c.device == device,
        COMMITMENT.c.transaction_uid == request.transaction_uid,
        COMMITMENT.c.request_sha256 != request.sha256,
    )
    duplicate = bool(connection.scalar(same_uid))
    dialect = sqlite if connection.dialect.name == "sqlite" else postgresql
    pairs = [(one.sop_class_uid, one.sop_instance_uid) for one in request.references]
    again = {"received_at": received_at, "attempts": 0, "due_at": due_at}
    connection.execute(
        dialect.insert(COMMITMENT)
        .values(
            site=site,
            device=device,
            transaction_uid=request.transaction_uid,
            request_sha256=request.sha256,
            duplicate=duplicate,
            requested=json.dumps(pairs).encode(),
            **again,
        )
        .on_conflict_do_update(index_elements=list(COMMITMENT.primary_key.columns), set_=again)
    )


def due(connection: Connection, now: datetime) -> Sequence[Owed]:
    """List the reports that are to be tried now, the longest due first."""
    query = (
        select(COMMITMENT)
        .where(is_due(COMMITMENT.c.due_at, now, LONGEST_WAIT))
        .order_by(COMMITMENT.c.due_at)
        .limit(200)
    )
    return [_owed(row) for row in connection.execute(query)]


def find(
    connection: Connection, site: str, device: str, transaction_uid: str, request_sha256: str
) -> Owed | None:
    """Find a report that was not delivered yet."""
    query = select(COMMITMENT).where(
        COMMITMENT.c.site == site,
        COMMITMENT.c.device == device,
        COMMITMENT.c.transaction_uid == transaction_uid,
        COMMITMENT.c.request_sha256 == request_sha256,
        COMMITMENT.c.due_at.is_not(None),
    )
    row = connection.execute(query).one_or_none()
    return None if row is None else _owed(row)


def _owed(row: Row[tuple[object, ...]]) -> Owed:
    return Owed(
        row.site,
        row.device,
        row.transaction_uid,
        row.request_sha256,
        row.duplicate,
        tuple(Reference(*pair) for pair in json.loads(row.requested)),
        row.attempts,
    )


def put_off(connection: Connection, owed: Owed, due_at: datetime) -> None:
    """Count an attempt that did not succeed (yet)."""
    connection.execute(
        update(COMMITMENT)
        .where(_is(owed), COMMITMENT.c.due_at.is_not(None))
        .values(attempts=COMMITMENT.c.attempts + 1, due_at=due_at)
    )


def delivered(connection: Connection, owed: Owed) -> None:
    connection.execute(update(COMMITMENT).where(_is(owed)).values(due_at=None))


def _is(owed: Owed) -> ColumnElement[bool]:
    return and_(
        COMMITMENT.c.site == owed.site,
        COMMITMENT.c.device == owed.device,
        COMMITMENT.c.transaction_uid == owed.transaction_uid,
        COMMITMENT.c.request_sha256 == owed.request_sha256,
    )
