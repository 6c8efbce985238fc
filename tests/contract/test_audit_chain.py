"""The audit of money on both databases: rows are only added, and tampering names its place."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor

import pytest
from sqlalchemy import delete, insert, text, update
from sqlalchemy.exc import DBAPIError

from services.charges.audit_chain import (
    AUDIT,
    Audited,
    Head,
    head,
    read,
    record,
    sites,
    verify,
)
from services.runtime.migrate import migrate
from services.runtime.store import Store
from services.runtime.worker import Work


@pytest.fixture
def store(database_url: str) -> Iterator[Store]:
    opened = Store(database_url, pool_size=8)
    migrate(opened)
    yield opened
    opened.close()


def _record(store: Store, *numbers: int, site: str = "north") -> None:
    acts = [
        Audited(site, "person:billing-1", "charge_exception_decided", f"subject-{number}",
                {"amount": "38.00"}, {"amount": "0.00", "words": "Žuželka (invented)"})
        for number in numbers
    ]  # fmt: skip
    with store.begin() as connection:
        record(Work(connection, store), acts)


def _without_triggers(store: Store, *statements: object) -> None:
    """Do what somebody does who owns the database."""
    with store.begin() as connection:
        if store.is_sqlite:
            for name in ("no_update", "no_delete", "no_replace"):
                connection.execute(text(f"DROP TRIGGER charges_audit_{name}"))
        else:
            connection.execute(text("DROP TRIGGER charges_audit_added_only ON charges_audit"))
        for statement in statements:
            connection.execute(statement)  # type: ignore[call-overload]


def _verdict(store: Store, kept: Head | None = None) -> tuple[int, int | None, str]:
    with store.read() as connection:
        found = verify(connection, "north", kept)
    if found.broken is None:
        return found.rows, None, ""
    return found.rows, found.broken.number, found.broken.words


def test_a_chain_that_nobody_touched_is_whole_and_each_site_has_its_own(store: Store) -> None:
    _record(store, 1, 2)
    _record(store, 3)
    _record(store, 1, site="south")

    assert _verdict(store) == (3, None, "")
    with store.read() as connection:
        assert sites(connection) == ["north", "south"]
        rows = list(read(connection, "north"))
    assert [row.number for row in rows] == [1, 2, 3]
    assert rows[0].previous == "0" * 64
    assert [row.previous for row in rows[1:]] == [row.hash for row in rows[:-1]]


@pytest.mark.parametrize(
    "statement",
    [
        update(AUDIT).values(actor="person:nobody"),
        delete(AUDIT),
        delete(AUDIT).where(AUDIT.c.number == 2),
    ],
    ids=["update", "delete-all", "delete-one"],
)
def test_the_store_refuses_to_change_or_remove_a_row(store: Store, statement: object) -> None:
    _record(store, 1, 2, 3)

    with pytest.raises(DBAPIError, match="never changed or removed"), store.begin() as connection:
        connection.execute(statement)  # type: ignore[call-overload]

    assert _verdict(store) == (3, None, "")


@pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
def test_sqlite_refuses_to_replace_a_row(store: Store) -> None:
    _record(store, 1)
    with store.read() as connection:
        (row,) = read(connection, "north")
    changed = dict(row._mapping) | {"actor": "person:nobody"}

    with pytest.raises(DBAPIError, match="new number"), store.begin() as connection:
        connection.execute(insert(AUDIT).prefix_with("OR REPLACE"), [changed])


@pytest.mark.parametrize("column", ["at", "actor", "action", "subject", "before", "after", "hash"])
def test_a_changed_row_is_named(store: Store, column: str) -> None:
    _record(store, 1, 2, 3, 4)
    value: object = "{}" if column in {"before", "after"} else "x" * 64
    if column == "at":
        with store.read() as connection:
            value = next(read(connection, "north")).at.replace(year=1999)

    _without_triggers(store, update(AUDIT).where(AUDIT.c.number == 2).values({column: value}))

    assert _verdict(store)[:2] == (4, 2)


def test_a_row_taken_out_of_the_middle_is_named(store: Store) -> None:
    _record(store, 1, 2, 3, 4)

    _without_triggers(store, delete(AUDIT).where(AUDIT.c.number == 2))

    assert _verdict(store) == (3, 2, "taken out: row 3 follows row 1")


def test_a_row_taken_out_with_the_numbers_closed_up_is_named(store: Store) -> None:
    _record(store, 1, 2, 3, 4)

    _without_triggers(
        store,
        delete(AUDIT).where(AUDIT.c.number == 2),
        update(AUDIT).where(AUDIT.c.number == 3).values(number=2),
        update(AUDIT).where(AUDIT.c.number == 4).values(number=3),
    )

    assert _verdict(store) == (3, 2, "does not follow from the row before it")


def test_two_rows_that_changed_places_are_named(store: Store) -> None:
    _record(store, 1, 2, 3, 4)

    _without_triggers(
        store,
        update(AUDIT).where(AUDIT.c.number == 2).values(number=9),
        update(AUDIT).where(AUDIT.c.number == 3).values(number=2),
        update(AUDIT).where(AUDIT.c.number == 9).values(number=3),
    )

    assert _verdict(store)[:2] == (4, 2)


def test_rows_cut_off_at_the_end_are_named_by_a_head_that_was_kept(store: Store) -> None:
    _record(store, 1, 2, 3)
    with store.read() as connection:
        kept = head(connection, "north")
    _record(store, 4)
    assert _verdict(store, kept) == (4, None, "")

    _without_triggers(store, delete(AUDIT).where(AUDIT.c.number >= 3))

    assert _verdict(store) == (2, None, "")
    assert _verdict(store, kept) == (2, 3, "cut off: the kept head is at 3")


def test_a_chain_written_anew_is_not_that_of_the_kept_head(store: Store) -> None:
    _record(store, 1, 2)
    with store.read() as connection:
        kept = head(connection, "north")
    _without_triggers(store, delete(AUDIT))
    _record(store, 1, 7, 8)

    assert _verdict(store) == (3, None, "")
    assert _verdict(store, kept)[1] == 2


def test_many_workers_at_once_make_one_chain(store: Store) -> None:
    with ThreadPoolExecutor(6) as pool:
        list(pool.map(lambda number: _record(store, number, number), range(18)))

    assert _verdict(store) == (36, None, "")
