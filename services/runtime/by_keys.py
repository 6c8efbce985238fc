"""Rows of many keys in one statement: a batch's reading costs hardly more than that of one."""

from collections.abc import Collection, Sequence
from datetime import date
from functools import lru_cache
from typing import Any

from pydantic_core import to_json
from sqlalchemy import Column, Connection, Date, Row, TextualSelect, text

Key = tuple[str, str]
"""Of a study: its site and its UID."""

Columns = Sequence[Column[Any]]


def rows_of_studies(
    connection: Connection, columns: Columns, studies: Collection[Key]
) -> list[Row[Any]]:
    """Read these columns, all of one table, of all rows of some studies; in no order.

    The table has columns ``site`` and ``study_instance_uid``, and an index that begins with both.
    """
    own = columns[0].table.c
    return rows_of(connection, columns, (own.site, own.study_instance_uid), studies)


def rows_of(
    connection: Connection, columns: Columns, by: Columns, keys: Collection[tuple[str | date, ...]]
) -> list[Row[Any]]:
    """Read these columns of all rows whose texts and days ``by`` are one of the keys; in no
    order."""
    if not keys:
        return []
    # All keys are one parameter, so that the statement is the same for any number of them.
    told = to_json(sorted(keys)).decode()
    query = _reading(connection.dialect.name, tuple(columns), tuple(by))
    return list(connection.execute(query, {"keys": told}).all())


@lru_cache(maxsize=64)
def _reading(dialect: str, columns: Columns, by: Columns) -> TextualSelect:
    names = ", ".join(f"own.{column.name}" for column in columns)
    table = columns[0].table.description
    source, part = _KEYS[dialect]
    parts = [part.format(place) for place, _ in enumerate(by)]
    if dialect == "postgresql":  # SQLite has days as texts
        of_kind = zip(parts, by, strict=True)
        parts = [f"CAST({one} AS date)" if _is_day(column) else one for one, column in of_kind]
    wanted = " AND ".join(
        f"own.{column.name} = {one}" for column, one in zip(by, parts, strict=True)
    )
    # All names are those of our own tables.
    query = f"SELECT {names} FROM {source} CROSS JOIN {table} AS own WHERE {wanted}"  # noqa: S608
    return text(query).columns(*columns)


def _is_day(column: Column[Any]) -> bool:
    return isinstance(column.type, Date)


_KEYS = {
    "postgresql": ("jsonb_array_elements(CAST(:keys AS jsonb)) AS key", "(key ->> {})"),
    "sqlite": ("json_each(:keys) AS key", "json_extract(key.value, '$[{}]')"),
}
