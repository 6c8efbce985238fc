"""The audit: who was refused what, from where and why. Rows are added, never changed or removed.

Triggers in the store refuse updates and deletes on both databases; that holds for every statement
of ours and for mistakes by hand, not for whoever owns the database and drops the trigger.
Neither tokens nor names of animals or owners are ever written here.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass, fields, replace
from datetime import datetime
from typing import Any, Final, Self

from sqlalchemy import Connection, Row, insert, select

from services.runtime.tables import AUDIT

_WIDTH: Final = {
    "door": 16,
    "refused": 64,
    "reason": 400,
    "address": 64,
    "site": 64,
    "called": 64,
    "calling": 64,
    "holder": 64,
    "certificate_sha256": 64,
}


@dataclass(frozen=True, slots=True)
class Refusal:
    """One caller who was refused.

    ``refused`` says what (``association``, ``fact note_signed``). ``called`` and ``calling`` are
    what the caller claims: AE titles, or the applications of an HL7 message. ``holder`` is who
    the token is of, where it is anybody's; ``site`` where the caller is known there.
    """

    door: str
    refused: str
    reason: str
    address: str | None = None
    site: str | None = None
    called: str | None = None
    calling: str | None = None
    holder: str | None = None
    certificate_sha256: str | None = None

    def bounded(self) -> Self:
        """Make it fit its columns: claims are a stranger's text, of any length and kind."""
        texts = {one.name: getattr(self, one.name) for one in fields(self)}
        fit: dict[str, Any] = {
            name: None if text is None else printable(text)[: _WIDTH[name]]
            for name, text in texts.items()
        }
        return replace(self, **fit)


@dataclass(frozen=True, slots=True)
class Counted:
    """A refusal and how often it came from ``first_at`` to ``last_at``."""

    refusal: Refusal
    count: int
    first_at: datetime
    last_at: datetime


def append(connection: Connection, service: str, counted: Sequence[Counted]) -> None:
    """Add rows, in this transaction."""
    if not counted:
        return
    rows = [
        {name: getattr(one.refusal.bounded(), name) for name in _WIDTH}
        | {
            "service": service,
            "attempts": one.count,
            "first_at": one.first_at,
            "last_at": one.last_at,
        }
        for one in counted
    ]
    connection.execute(insert(AUDIT), rows)


def entries(
    connection: Connection,
    since: datetime | None = None,
    limit: int = 1_000,
    sites: Collection[str] | None = None,
) -> Sequence[Row[tuple[object, ...]]]:
    """Give the newest rows, oldest first; those that lie after ``since`` in whole or in part,
    and those of ``sites`` where any are named."""
    query = select(AUDIT).limit(limit)
    if since is None:
        query = query.order_by(AUDIT.c.id.desc())
    else:
        # By the index on the time, so that whoever has no rows of late is found soon too.
        query = query.where(AUDIT.c.last_at >= since)
        query = query.order_by(AUDIT.c.last_at.desc(), AUDIT.c.id.desc())
    if sites is not None:
        query = query.where(AUDIT.c.site.in_(sites))
    return connection.execute(query).all()[::-1]


def printable(text: str) -> str:
    """Replace what would upset a terminal, a log or a database."""
    return "".join(letter if letter.isprintable() else "?" for letter in text)
