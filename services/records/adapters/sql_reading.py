"""Rows that the record wrote, read as text and held against a contract.

Whatever stands in them, a row is either read whole or told as unreadable with its column; one bad
row keeps no other from us. SQLite holds a column to no type, and PostgreSQL's own types take
values (``infinity``) that ours do not.
"""

import json
from collections.abc import Callable, Mapping
from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any, Final, TypeVar

from pydantic import ValidationError
from sqlalchemy import (
    Boolean,
    Column,
    Connection,
    Integer,
    Label,
    Table,
    Text,
    cast,
    select,
)

from schemas.base import Contract
from schemas.messages import invalid_input
from services.records.adapters.sql_rows import told
from services.records.adapters.sql_types import Exact, Moment, now_there
from services.records.port import Unreadable

STILL_WRITTEN: Final = timedelta(seconds=60)
"""A row that is not whole and younger than this may be completed by the record yet. Invented."""

_FLAGS: Final = {"true": True, "1": True, "false": False, "0": False}

Read = TypeVar("Read", bound=Contract)


def texts(table: Table) -> list[Label[str]]:
    """Give a table's columns as text."""
    return [cast(column, Text).label(column.name) for column in table.columns]


def values(table: Table, row: Mapping[Any, Any]) -> dict[str, Any]:
    """Give a row of ``texts`` as JSON values, without what is NULL; what fits no type stays."""
    return {
        column.name: _value(column, row[column.name])
        for column in table.columns
        if row[column.name] is not None
    }


def _value(column: Column[Any], text: str) -> Any:
    readers: tuple[tuple[type[Any], Callable[[str], Any]], ...] = (
        (Boolean, lambda one: _FLAGS[one]),
        (Integer, int),
        (Moment, lambda one: datetime.fromisoformat(one).isoformat()),
        # Without needless places: an amount may come as 38.000 by a view.
        (Exact, lambda one: f"{Decimal(one).normalize():f}"),
    )
    for kind, read in readers:
        if isinstance(column.type, kind):
            try:
                return read(text)
            except (KeyError, ValueError, ArithmeticError):
                return text
    return told(text)


def body_of(row: dict[str, Any]) -> bytes:
    """Give a row as it is kept for a person."""
    return json.dumps(row, ensure_ascii=False).encode()


def read_as(model: type[Read], table: Table, row: dict[str, Any]) -> Read:
    """Read a row's values. Raises InvalidInput, naming table and column."""
    known = {name: value for name, value in row.items() if name in model.model_fields}
    try:
        return model.model_validate_json(json.dumps(known))
    except ValidationError as error:
        raise invalid_input(error, table.name) from error


def unreadable(table: Table, row: dict[str, Any], error: Any) -> Unreadable:
    """Tell a row that cannot be used; its token names it to ``settle``."""
    number = row[next(iter(table.primary_key)).name]
    return Unreadable(
        token=token_of(table, number), body=body_of(row), error=error, kind=table.name
    )


def token_of(table: Table, number: object) -> str:
    return f"{table.name}:{number}"


def clock(connection: Connection) -> datetime:
    """Give the time by the database's own clock."""
    return datetime.fromisoformat(str(connection.scalar(select(cast(now_there(), Text)))))


def may_still_be_written(row: dict[str, Any], column: str, now: datetime) -> bool:
    """Tell whether a row is so young that the record may complete it yet."""
    try:
        return now - datetime.fromisoformat(str(row.get(column))) < STILL_WRITTEN
    except (ValueError, TypeError):
        return False
