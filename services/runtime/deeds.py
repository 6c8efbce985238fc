"""The audit of what was allowed: who saw what, and who did what. Rows are added, never changed.

What somebody typed is never written here: no token, no password, no name of an animal or owner.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal

from sqlalchemy import Connection, Row, insert, select

from services.runtime.audit import printable
from services.runtime.tables import DEED

Did = Literal["saw", "did", "signed_in", "signed_out"]


@dataclass(frozen=True, slots=True)
class Deed:
    """One view or act of a person. ``what`` is the page's own path; ``about`` the names in it."""

    did: Did
    what: str
    about: str
    site: str
    person: str
    address: str | None
    at: datetime


def append(connection: Connection, service: str, deed: Deed) -> None:
    """Add a row, in this transaction."""
    row = {
        "service": service,
        "did": deed.did,
        "what": deed.what[:200],
        "about": printable(deed.about)[:400],
        "site": deed.site,
        "person": deed.person,
        "address": None if deed.address is None else deed.address[:64],
        "at": deed.at,
    }
    connection.execute(insert(DEED), row)


def entries(
    connection: Connection,
    since: datetime | None = None,
    limit: int = 1_000,
    sites: Collection[str] | None = None,
) -> Sequence[Row[tuple[Any, ...]]]:
    """Give the newest rows, oldest first; those of ``sites`` where any are named."""
    query = select(DEED).limit(limit)
    if since is None:
        query = query.order_by(DEED.c.id.desc())
    else:
        # By the index on the time, so that whoever has no rows of late is found soon too.
        query = query.where(DEED.c.at >= since)
        query = query.order_by(DEED.c.at.desc(), DEED.c.id.desc())
    if sites is not None:
        query = query.where(DEED.c.site.in_(sites))
    return connection.execute(query).all()[::-1]
