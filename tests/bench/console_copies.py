"""The other hospitals of an invented group, copied by the database from the first few.

A month at a time, as a year comes: so the rows of one hospital lie apart on the disk. On
PostgreSQL the indexes are made afterwards, from all rows at once.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date

from sqlalchemy import Connection, Index, Table, delete, func, insert, literal, select, text
from sqlalchemy.schema import AddConstraint, CreateIndex

from services.console import tables
from services.console.charges.tables import CHARGE_DAY, CHARGE_EXCEPTION, CHARGE_MONTH
from services.console.lead.tables import FIGURES_SITE, FIGURES_SITE_DAY
from services.console.tables import end_of_month, month_of
from services.runtime.store import Store
from tests.bench.console_group import Size

_BY = {
    tables.STUDY: "day",
    tables.ARRIVAL: "day",
    tables.NOTE: "since",
    tables.NOTE_REVISION: "told_at",
    tables.BILL: "day",
    tables.BILL_DAY: "day",
    tables.BILL_MONTH: "month",
    tables.FIGURES_DAY: "day",
    tables.FIGURES_MONTH: "month",
    FIGURES_SITE: "month",
    FIGURES_SITE_DAY: "day",
    tables.REJECTS_DAY: "day",
    tables.QUESTION: "day",
    tables.UNMAPPED: "told_at",
    tables.ROOM_DAY: "day",
    tables.STORAGE_DAY: "day",
    CHARGE_DAY: "day",
    CHARGE_MONTH: "month",
    CHARGE_EXCEPTION: "day",
    tables.DEVICE: "last_contact_at",
}
"""Each table with the column by which a month of it is found."""
_OF_THE_GROUP = {"all", "view", "species", "reason"}


def copy_sites(store: Store, size: Size, seeds: int) -> None:
    """Fill a read model that holds the ``seeds`` up to the size, and sum the group anew."""
    began = time.monotonic()
    with _without_indexes(store):
        _keep_seeds(store)
        for first, last in _months(size):
            for table, column in _BY.items():
                with store.begin() as connection:
                    copied = _copying(table, column, sqlite=store.is_sqlite)
                    span = {"first": _bound(store, first), "last": _bound(store, last)}
                    counts = {"seeds": seeds, "sites": size.sites}
                    connection.execute(text(copied), span | counts)
            print(f"{first:%Y-%m} after {time.monotonic() - began:.0f} s", flush=True)
        with store.begin() as connection:
            _sum_the_group(connection)
            for table in _BY:
                connection.execute(text(f"DROP TABLE {_seed(table)}"))
    print(f"indexed after {time.monotonic() - began:.0f} s", flush=True)


def _months(size: Size) -> Iterator[tuple[date, date]]:
    month = month_of(size.first)
    while month <= size.last:
        # ``last`` is the day after, so that moments of the last day are in.
        after = date.fromordinal(end_of_month(month).toordinal() + 1)
        yield month, after
        month = after


def _bound(store: Store, day: date) -> date | str:
    return day.isoformat() if store.is_sqlite else day


def _keep_seeds(store: Store) -> None:
    with store.begin() as connection:
        for table in _BY:
            name = _seed(table)
            connection.execute(text(f"DROP TABLE IF EXISTS {name}"))
            connection.execute(
                text(f"CREATE TABLE {name} AS SELECT * FROM {table.name} WHERE site <> ''")
            )


def _seed(table: Table) -> str:
    return f"seed_of_{table.name}"


def _copying(table: Table, column: str, *, sqlite: bool) -> str:
    """Write the statement that copies a month of a table; names are those of our own tables."""
    number = "printf('%04d', n)" if sqlite else "lpad(CAST(n AS text), 4, '0')"
    values = {
        "site": f"'site-' || {number}",
        "study_instance_uid": "'2.25.' || (n + 1) || substr(s.study_instance_uid, 7)",
    }
    names = [f'"{one.name}"' for one in table.columns]
    if table in {tables.FIGURES_MONTH, FIGURES_SITE}:
        # So that sites differ, and many stand out; sums of the group follow.
        values["rejected"] = "s.rejected * (60 + n % 80) / 100"
    told = [values.get(one.name, f's."{one.name}"') for one in table.columns]
    return (
        "WITH RECURSIVE numbers(n) AS "
        "(SELECT CAST(:seeds AS integer) UNION ALL SELECT n + 1 FROM numbers WHERE n + 1 < :sites) "
        f"INSERT INTO {table.name} ({', '.join(names)}) "
        f"SELECT {', '.join(told)} FROM numbers "
        f"JOIN {_seed(table)} AS s ON s.site = 'site-000' || (n % :seeds) "
        f'WHERE :sites > :seeds AND s."{column}" >= :first AND s."{column}" < :last'
    )


@contextmanager
def _without_indexes(store: Store) -> Iterator[None]:
    """Take the indexes off and make them anew afterwards; on SQLite they stay."""
    if store.is_sqlite:
        yield
        return
    with store.begin() as connection:
        for table in _BY:
            for index in table.indexes:
                connection.execute(text(f"DROP INDEX {index.name}"))
            key = table.primary_key.name
            connection.execute(text(f"ALTER TABLE {table.name} DROP CONSTRAINT {key}"))
            connection.execute(text(f"ALTER TABLE {table.name} SET UNLOGGED"))
    yield
    for table in _BY:
        with store.begin() as connection:
            connection.execute(text("SET LOCAL maintenance_work_mem = '1GB'"))
            connection.execute(AddConstraint(table.primary_key))
            for index in sorted(table.indexes, key=_named):
                connection.execute(CreateIndex(index))


def _named(index: Index) -> str:
    return str(index.name)


def _sum_the_group(connection: Connection) -> None:
    """Make the whole group's sums anew from those of its sites."""
    for table, keys in (
        (tables.BILL_DAY, ("day", "currency")),
        (tables.STORAGE_DAY, ("day",)),
        (tables.FIGURES_MONTH, ("by", "month", "name")),
    ):
        whole = tables.WHOLE_GROUP
        connection.execute(delete(table).where(table.c.site == whole))
        counts = [c.name for c in table.columns if c.name not in {*keys, "site"}]
        own = table.c
        query = select(
            literal(whole), *(own[key] for key in keys), *(func.sum(own[name]) for name in counts)
        ).group_by(*(own[key] for key in keys))
        if table is tables.FIGURES_MONTH:
            query = query.where(own.by.in_(_OF_THE_GROUP))
        connection.execute(insert(table).from_select(["site", *keys, *counts], query))
