"""Rows that replace those with the same key, or leave them, in SQL both databases read alike.

As text, since SQLAlchemy compiles an ``ON CONFLICT`` of its own anew at each execution.
"""

from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import Any

from sqlalchemy import Connection, Table, TextClause, bindparam, text


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
