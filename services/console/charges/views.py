"""What the charge desk reads: reconciled days, exceptions, and codes that are missing."""

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlalchemy import Connection, Select, func, select

from schemas.conclusions import BooksReconciled, CodesMissing, ExceptionFound
from schemas.conclusions.reconciled import Status
from services.console.charges.deeds import Deed, newest_deeds
from services.console.charges.rows import Kind
from services.console.charges.sums import Sums, sums_of
from services.console.charges.tables import CHARGE_DAY, CHARGE_EXCEPTION, SUMS
from services.console.paging import Page, from_place, page_of
from services.console.tables import STUDY, UNMAPPED, with_study


@dataclass(frozen=True, slots=True)
class Asked:
    """Which exceptions: of one day, or, without one, of all days that nobody accepted yet."""

    day: date | None
    kind: Kind | None = None
    status: Status | None = None


@dataclass(frozen=True, slots=True)
class DayBooks:
    """One currency of a reconciled day."""

    currency: str
    told_at: datetime
    read_at: datetime | None
    sums: Sums
    books: BooksReconciled


@dataclass(frozen=True, slots=True)
class Listed:
    """One exception, and what was sent about it last."""

    site: str
    day: date
    currency: str
    kind: Kind
    told_at: datetime
    found: ExceptionFound
    snapshot: str
    deed: Deed | None = None

    @property
    def awaited(self) -> Deed | None:
        """What was sent and is not seen in the exception yet."""
        deed, decision = self.deed, self.found.decision
        if deed is None:
            return None
        if deed.what == "countersign":
            seen = self.found.status is not Status.WAITS_FOR_SECOND
        else:
            seen = decision is not None and decision.at >= deed.told_at
        return None if seen else deed

    @property
    def mark(self) -> str:
        """What a person has seen of it: another mark, once anybody has decided meanwhile."""
        told = f"{self.snapshot}|{self.deed.batch if self.deed else ''}"
        return hashlib.sha256(told.encode()).hexdigest()[:16]


@dataclass(frozen=True, slots=True)
class Unmapped:
    """A posting that waits for a code of the record; nobody decides it, somebody adds the code."""

    day: date | None
    since: datetime
    missing: CodesMissing
    patient_name: str | None


def day_books(connection: Connection, site: str, day: date) -> list[DayBooks]:
    """Read a day's control totals, a set for each currency; empty: not reconciled yet."""
    own = CHARGE_DAY.c
    rows = connection.execute(
        select(CHARGE_DAY)
        .where(own.site == site, own.day == day, own.currency != "")
        .order_by(own.currency)
    )
    return [
        DayBooks(
            row.currency,
            row.told_at,
            row.read_at,
            sums_of(row._asdict()),
            BooksReconciled.model_validate_json(row.snapshot),
        )
        for row in rows
    ]


def open_before(connection: Connection, site: str, day: date) -> tuple[int, date | None]:
    """Count what nobody accepted on earlier days, and give the oldest of these."""
    own = CHARGE_DAY.c
    row = connection.execute(
        select(func.sum(own.exceptions).label("number"), func.min(own.day).label("oldest")).where(
            own.site == site, own.day < day, own.exceptions > 0
        )
    ).one()
    return int(row.number or 0), row.oldest


def exceptions(
    connection: Connection, site: str, asked: Asked, after: str | None = None
) -> Page[Listed]:
    """List exceptions: of a day the dearest first, of all days the oldest.

    Raises InvalidInput for a place that no page gave.
    """
    own = CHARGE_EXCEPTION.c
    query = _asked(select(CHARGE_EXCEPTION).where(own.site == site), asked)
    if asked.day is not None:
        columns = [own.at_stake_cents, own.exception_id]
        query = from_place(query, columns, after, newest_first=True)
    else:
        columns = [own.open_day, own.exception_id]
        query = from_place(query, columns, after)
    rows = connection.execute(query).all()
    deeds = newest_deeds(connection, site, [row.exception_id for row in rows])
    return page_of(rows, columns, lambda row: _listed(row, deeds))


def _asked(query: Select[Any], asked: Asked) -> Select[Any]:
    own = CHARGE_EXCEPTION.c
    query = query.where(own.open_day.is_not(None) if asked.day is None else own.day == asked.day)
    if asked.kind is not None:
        query = query.where(own.kind == asked.kind.value)
    if asked.status is not None:
        query = query.where(own.status == asked.status.value)
    return query


def some_exceptions(connection: Connection, site: str, names: Sequence[str]) -> dict[str, Listed]:
    """Read these exceptions, each as it was told last."""
    own = CHARGE_EXCEPTION.c
    rows = connection.execute(
        select(CHARGE_EXCEPTION)
        .where(own.site == site, own.exception_id.in_(sorted(set(names))))
        .order_by(own.told_at)
    ).all()
    deeds = newest_deeds(connection, site, [row.exception_id for row in rows])
    return {row.exception_id: _listed(row, deeds) for row in rows}


def unfilled_keys(connection: Connection, site: str, day: date) -> list[ExceptionFound]:
    """Give a day's charges that have no line in the record: what a line by hand may be."""
    own = CHARGE_EXCEPTION.c
    rows = connection.execute(
        select(own.snapshot)
        .where(own.site == site, own.day == day)
        .order_by(own.at_stake_cents, own.exception_id)
    )
    told = [ExceptionFound.model_validate_json(row.snapshot) for row in rows]
    return [one for one in told if one.line_id is None and one.posting_key is not None]


def unmapped(connection: Connection, site: str, day: date | None) -> list[Unmapped]:
    """List the postings that wait for a code of the record, of a day's studies or of all."""
    own = UNMAPPED.c
    query = (
        select(own.open_since, own.snapshot, STUDY.c.day, STUDY.c.patient_name)
        .select_from(with_study(UNMAPPED))
        .where(own.site == site, own.open_since.is_not(None))
    )
    if day is not None:
        query = query.where(STUDY.c.day == day)
    rows = connection.execute(query.order_by(own.open_since, own.posting_key).limit(100))
    return [
        Unmapped(
            row.day,
            row.open_since,
            CodesMissing.model_validate_json(row.snapshot),
            row.patient_name,
        )
        for row in rows
    ]


def sums_by_day(
    connection: Connection, sites: Sequence[str], first: date, last: date
) -> list[tuple[date, str, Sums]]:
    """Sum each day of a period, in each currency."""
    own = CHARGE_DAY.c
    query = _period(select(own.day, own.currency, *_SUMS), sites, first, last)
    rows = connection.execute(query.group_by(own.day, own.currency).order_by(own.day, own.currency))
    return [(row.day, row.currency, sums_of(row._asdict())) for row in rows]


_SUMS = [func.sum(CHARGE_DAY.c[name]).label(name) for name in SUMS]


def _period(query: Select[Any], sites: Sequence[str], first: date, last: date) -> Select[Any]:
    own = CHARGE_DAY.c
    return query.where(
        own.day >= first, own.day <= last, own.site.in_(list(sites)), own.currency != ""
    )


def _listed(row: Any, deeds: dict[str, Deed]) -> Listed:
    return Listed(
        row.site,
        row.day,
        row.currency,
        Kind(row.kind),
        row.told_at,
        ExceptionFound.model_validate_json(row.snapshot),
        row.snapshot,
        deeds.get(row.exception_id),
    )
