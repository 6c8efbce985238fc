"""The audit of money: who did what and when, before and after, in a chain that shows tampering.

Each site has one chain. A row's hash is SHA-256 over the row's content and the hash before it, so
that a row that is changed, taken out or moved breaks the chain at that place. Rows cut off at the
end break no link: against that, keep a head (number and hash) elsewhere; each is also logged,
and written into every export. Triggers refuse updates and deletes on both databases.
"""

import json
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from hashlib import sha256
from typing import Any

import structlog
from sqlalchemy import Column, Connection, Integer, Row, String, Table, Text, insert, select

from services.runtime.tables import METADATA, UtcDateTime
from services.runtime.worker import Work

log = structlog.get_logger(__name__)

AUDIT = Table(
    "charges_audit",
    METADATA,
    Column("site", String(64), primary_key=True),
    Column("number", Integer, primary_key=True),
    Column("at", UtcDateTime, nullable=False),
    Column("actor", String(160), nullable=False),
    Column("action", String(64), nullable=False),
    Column("subject", String(240), nullable=False),
    Column("before", Text, nullable=False),
    Column("after", Text, nullable=False),
    Column("previous", String(64), nullable=False),
    Column("hash", String(64), nullable=False),
)
"""Append-only. ``before`` and ``after`` are JSON in its canonical form."""

FIRST_PREVIOUS = "0" * 64
_PAGE = 1_000


@dataclass(frozen=True, slots=True)
class Audited:
    """One act to be recorded. ``actor`` is a person, or the service that followed a rule."""

    site: str
    actor: str
    action: str
    subject: str
    before: Any = None
    after: Any = None


@dataclass(frozen=True, slots=True)
class Head:
    """The end of a chain: what to keep elsewhere, to show later that nothing was cut off."""

    number: int
    hash: str

    def __str__(self) -> str:
        return f"{self.number}:{self.hash}"


@dataclass(frozen=True, slots=True)
class Broken:
    """The first place at which a chain is not whole."""

    number: int
    words: str


@dataclass(frozen=True, slots=True)
class Verified:
    """What a check of one chain found; ``broken`` is None where it is whole."""

    site: str
    rows: int
    head: Head
    broken: Broken | None


def record(work: Work, acts: Iterable[Audited]) -> None:
    """Add acts to their sites' chains, in this transaction.

    Each chain is locked until it ends. Call it last: a lock of one study that is taken after
    could make two workers wait for each other.
    """
    by_site: dict[str, list[Audited]] = defaultdict(list)
    for act in acts:
        by_site[act.site].append(act)
    for site, own in sorted(by_site.items()):
        work.lock(f"charges-audit:{site}")
        end = append(work.connection, site, own, datetime.now(UTC))
        log.info("audit_head", site=site, number=end.number, hash=end.hash)


def append(connection: Connection, site: str, acts: Sequence[Audited], at: datetime) -> Head:
    """Add acts to a chain that is locked, and give its new head."""
    end = head(connection, site)
    rows: list[dict[str, Any]] = []
    for act in acts:
        row: dict[str, Any] = {
            "site": site,
            "number": end.number + 1,
            "at": at,
            "actor": act.actor,
            "action": act.action,
            "subject": act.subject,
            "before": canonical(act.before),
            "after": canonical(act.after),
            "previous": end.hash,
        }
        row["hash"] = hash_of(row)
        end = Head(row["number"], row["hash"])
        rows.append(row)
    if rows:
        connection.execute(insert(AUDIT), rows)
    return end


def head(connection: Connection, site: str) -> Head:
    """Give the end of a chain; an empty one ends at 0."""
    row = connection.execute(
        select(AUDIT.c.number, AUDIT.c.hash)
        .where(AUDIT.c.site == site)
        .order_by(AUDIT.c.number.desc())
        .limit(1)
    ).one_or_none()
    return Head(row.number, row.hash) if row is not None else Head(0, FIRST_PREVIOUS)


def verify(connection: Connection, site: str, kept: Head | None = None) -> Verified:
    """Check a chain from its begin, and against a head that was kept; name the first break."""
    last, rows, broken = Head(0, FIRST_PREVIOUS), 0, None
    for row in read(connection, site):
        rows += 1
        broken = broken or _broken(row, last, kept)
        last = Head(row.number, row.hash)
    if broken is None and kept is not None and kept.number > last.number:
        broken = Broken(last.number + 1, f"cut off: the kept head is at {kept.number}")
    return Verified(site, rows, last, broken)


def _broken(row: Row[Any], last: Head, kept: Head | None) -> Broken | None:
    wanted = last.number + 1
    if row.number != wanted:
        return Broken(wanted, f"taken out: row {row.number} follows row {last.number}")
    if row.previous != last.hash:
        return Broken(row.number, "does not follow from the row before it")
    if row.hash != hash_of(row._mapping):
        return Broken(row.number, "its content is not what was recorded")
    if kept is not None and kept.number == row.number and kept.hash != row.hash:
        return Broken(row.number, "is not the row of the kept head: the chain was written anew")
    return None


def read(connection: Connection, site: str) -> Iterator[Row[Any]]:
    """Give a chain's rows in order, page by page."""
    after = -1
    while True:
        page = connection.execute(
            select(AUDIT)
            .where(AUDIT.c.site == site, AUDIT.c.number > after)
            .order_by(AUDIT.c.number)
            .limit(_PAGE)
        ).all()
        yield from page
        if len(page) < _PAGE:
            return
        after = page[-1].number


def sites(connection: Connection) -> list[str]:
    """Name the sites that have a chain."""
    return list(
        connection.execute(select(AUDIT.c.site).distinct().order_by(AUDIT.c.site)).scalars()
    )


def canonical(value: Any) -> str:
    """Write a value as JSON in one form only: sorted keys, no spaces, UTF-8."""
    return json.dumps(value, ensure_ascii=False, sort_keys=True, separators=(",", ":"))


def hash_of(row: Mapping[Any, Any]) -> str:
    """Hash a row's content with the hash before it."""
    content = [
        row["previous"],
        row["site"],
        row["number"],
        row["at"].astimezone(UTC).isoformat(timespec="microseconds"),
        row["actor"],
        row["action"],
        row["subject"],
        row["before"],
        row["after"],
    ]
    return sha256(canonical(content).encode()).hexdigest()
