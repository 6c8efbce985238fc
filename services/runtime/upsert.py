"""Rows that replace those with the same key, or leave them, in SQL both databases read alike.

As text, since SQLAlchemy compiles an ``ON CONFLICT`` of its own anew at each execution.
"""

from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import Any

from sqlalchemy import Connection, Insert, Table, TextClause, bindparam, text
from sqlalchemy.dialects import postgresql, sqlite


def replace_row(connection: Connection, table: Table, values: Mapping[str, Any]) -> None:
    """Write a row in place of the one with its primary key, if there is one."""
    connection.execute(_replacing(table, tuple(values)), dict(values))


def replace_rows(connection: Connection, table: Table, rows: Sequence[Mapping[str, Any]]) -> None:
    """Write rows, each in place of the one with its primary key; all give the same columns."""
    if rows:
        connection.execute(_replacing(table, tuple(rows[0])), [dict(row) for row in rows])


def add_row(connection: Connection, table: Table, values: Mapping[str, Any]) -> bool:
    """Write a row unless one with its primary key is there; tell whether it was new."""
    return connection.execute(_adding(table, tuple(values)), dict(values)).rowcount == 1


def add_rows(connection: Connection, table: Table, rows: Sequence[Mapping[str, Any]]) -> None:
    """Write rows but those whose primary key is there; all give the same columns."""
    if rows:
        connection.execute(_adding(table, tuple(rows[0])), [dict(row) for row in rows])


def add_new_rows(
    connection: Connection, table: Table, rows: Sequence[Mapping[str, Any]]
) -> set[tuple[Any, ...]]:
    """Write rows but those whose primary key is there; give the primary keys of the new ones.

    Another unique value of the table counts as its key does. All give the same columns. A key that
    is given twice is written once.
    """
    if not rows:
        return set()
    found = connection.execute(_adding_new(connection.dialect.name, table), [dict(r) for r in rows])
    return {tuple(row) for row in found}


def add_to_rows(connection: Connection, table: Table, rows: Sequence[Mapping[str, Any]]) -> None:
    """Add to the numbers of the rows with these primary keys; one that is not there begins at 0.

    All rows give the same columns, and each row once. A row whose numbers are all 0 then goes.
    """
    if not rows:
        return
    names = tuple(rows[0])
    given = [dict(row) for row in rows]
    connection.execute(_summing(table, names), given)
    taken = [row for row in given if any(row[name] < 0 for name in names if _is_sum(table, name))]
    if taken:
        connection.execute(_dropping(table, names), taken)


@lru_cache(maxsize=64)
def _adding_new(dialect: str, table: Table) -> Insert:
    # One statement for many rows, compiled once: SQLAlchemy fills in their number.
    insert = sqlite.insert if dialect == "sqlite" else postgresql.insert
    return insert(table).on_conflict_do_nothing().returning(*table.primary_key)


def _is_sum(table: Table, name: str) -> bool:
    return name not in table.primary_key.columns


@lru_cache(maxsize=64)
def _summing(table: Table, names: Sequence[str]) -> TextClause:
    sums = [name for name in names if _is_sum(table, name)]
    added = ", ".join(f"{name} = {table.name}.{name} + excluded.{name}" for name in sums)
    return _insert(table, names, f"DO UPDATE SET {added}")


@lru_cache(maxsize=64)
def _dropping(table: Table, names: Sequence[str]) -> TextClause:
    keys = [column.name for column in table.primary_key]
    own = " AND ".join(f"{name} = :{name}" for name in keys)
    nothing = " AND ".join(f"{name} = 0" for name in names if _is_sum(table, name))
    statement = text(f"DELETE FROM {table.name} WHERE {own} AND {nothing}")  # noqa: S608
    return statement.bindparams(*(bindparam(name, type_=table.c[name].type) for name in keys))


@lru_cache(maxsize=64)
def _replacing(table: Table, names: Sequence[str]) -> TextClause:
    keys = [column.name for column in table.primary_key]
    changed = ", ".join(f"{name} = excluded.{name}" for name in names if name not in keys)
    return _insert(table, names, f"DO UPDATE SET {changed}")


@lru_cache(maxsize=64)
def _adding(table: Table, names: Sequence[str]) -> TextClause:
    return _insert(table, names, "DO NOTHING")


def _insert(table: Table, names: Sequence[str], otherwise: str) -> TextClause:
    keys = ", ".join(column.name for column in table.primary_key)
    columns = ", ".join(names)
    given = ", ".join(f":{name}" for name in names)
    # All names are those of our own tables.
    statement = text(
        f"INSERT INTO {table.name} ({columns}) VALUES ({given}) "  # noqa: S608
        f"ON CONFLICT ({keys}) {otherwise}"
    )
    return statement.bindparams(*(bindparam(name, type_=table.c[name].type) for name in names))
