"""Pages of long lists: each begins after the last row of the one before (keyset), none counts."""

import base64
import binascii
import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, Generic, TypeVar

from sqlalchemy import Column, Select, and_, or_

from schemas.errors import InvalidInput
from services.runtime.tables import UtcDateTime

T = TypeVar("T")
PAGE_ROWS = 50
"""What a person looks through at once; the number is invented."""


@dataclass(frozen=True, slots=True)
class Page(Generic[T]):
    """Some rows, and where the next begin: None where there are no more."""

    rows: tuple[T, ...]
    next: str | None = None


def cursor(*values: Any) -> str:
    """Write the place of a row down for an address."""
    told = json.dumps([_plain(value) for value in values], separators=(",", ":"))
    return base64.urlsafe_b64encode(told.encode()).decode().rstrip("=")


def place(told: str, kinds: Sequence[type]) -> list[Any]:
    """Read what ``cursor`` wrote, values of these kinds. Raises InvalidInput."""
    expected = "a place that a page before has given"
    try:
        padded = told + "=" * (-len(told) % 4)
        values = json.loads(base64.urlsafe_b64decode(padded.encode("ascii")))
        if not isinstance(values, list):
            raise InvalidInput("after", told, expected)
        return [_read(value, kind) for value, kind in zip(values, kinds, strict=True)]
    except (ValueError, TypeError, binascii.Error) as error:
        raise InvalidInput("after", told, expected) from error


def _plain(value: Any) -> Any:
    return value.isoformat() if isinstance(value, date | datetime) else value


def _read(value: Any, kind: type) -> Any:
    if kind in {date, datetime}:
        read = date.fromisoformat(value) if kind is date else datetime.fromisoformat(value)
        if isinstance(read, datetime) and read.tzinfo is None:
            raise ValueError(value)
        return read
    if type(value) is not kind:
        raise ValueError(value)
    return value


def from_place(
    query: Select[Any],
    columns: Sequence[Column[Any]],
    after: str | None,
    *,
    newest_first: bool = False,
) -> Select[Any]:
    """Order by these columns, after a place if one is given, one row more than a page holds.

    Raises InvalidInput for a place that no page gave.
    """
    if after is not None:
        values = place(after, [_kind_of(column) for column in columns])
        query = query.where(_beyond(columns, values, newest_first=newest_first))
    order = [column.desc() if newest_first else column for column in columns]
    return query.order_by(*order).limit(PAGE_ROWS + 1)


def _kind_of(column: Column[Any]) -> type:
    return datetime if isinstance(column.type, UtcDateTime) else column.type.python_type


def _beyond(columns: Sequence[Column[Any]], values: Sequence[Any], *, newest_first: bool) -> Any:
    """Compare row by row. The bound on the first column alone is what an index is searched by."""
    first, start = columns[0], values[0]
    ties = []
    for number, column in enumerate(columns):
        same = [columns[n] == values[n] for n in range(number)]
        further = column < values[number] if newest_first else column > values[number]
        ties.append(and_(*same, further))
    return and_(first <= start if newest_first else first >= start, or_(*ties))


def page_of(
    rows: Sequence[Any], columns: Sequence[Column[Any]], make: Callable[[Any], T]
) -> Page[T]:
    """Make a page of what ``from_place`` asked for."""
    shown = rows[:PAGE_ROWS]
    more = len(rows) > PAGE_ROWS
    last = cursor(*(getattr(shown[-1], column.name) for column in columns)) if more else None
    return Page(tuple(make(row) for row in shown), last)
