"""What an invented hospital's days leave beside its studies: reconciled books, and room-days."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any

from sqlalchemy import Table

from schemas.conclusions import BooksReconciled, ExceptionFound, RoomDayAssessed
from services.console import tables
from services.console.charges.tables import CHARGE_DAY, CHARGE_EXCEPTION, CHARGE_MONTH, SUMS
from services.console.room_day_rows import room_day_row
from tests.bench.console_studies import example

Row = dict[str, Any]
EXCEPTIONS_A_DAY = 3
OPEN_DAYS = 30
"""What is older somebody has accepted."""
BAD_DAY = 120
"""So many exceptions has the last day, as after an import that went wrong."""


def room_day_rows(site: str, first: date, days: int) -> list[Row]:
    """Lay out a room's days; their newest clocks are some days old."""
    told = example(RoomDayAssessed)
    no_clocks = told.model_copy(update={"clocks": ()})
    rows = []
    for number in range(days):
        day = first + timedelta(days=number)
        one = told if (days - number) % 5 == 0 else no_clocks
        rows.append(room_day_row(site, one.model_copy(update={"day": day})))
    return rows


def charge_rows(site: str, first: date, days: int) -> dict[Table, list[Row]]:
    """Lay out the reconciled days of a site, their exceptions and the months' sums."""
    books = example(BooksReconciled)
    snapshot = books.model_dump_json(exclude={"exceptions"})
    rows: dict[Table, list[Row]] = {CHARGE_DAY: [], CHARGE_EXCEPTION: [], CHARGE_MONTH: []}
    months: dict[date, Row] = {}
    for number in range(days):
        day, left = first + timedelta(days=number), days - number
        at = datetime(day.year, day.month, day.day, 20, tzinfo=UTC)
        found = BAD_DAY if left == 1 else EXCEPTIONS_A_DAY
        open_ = found if left <= OPEN_DAYS else 0
        own = {"site": site, "day": day, "currency": "EUR", "told_at": at}
        sums = dict.fromkeys(SUMS, 400) | {"faults": 0, "exceptions": open_}
        sums |= {"due_cents": 800, "held_cents": 800}
        revised = {"revision": 1, "read_at": at, "snapshot": snapshot}
        rows[CHARGE_DAY].append(own | sums | revised)
        for place in range(found):
            rows[CHARGE_EXCEPTION].append(own | _exception(number, place, day if open_ else None))
        month = months.setdefault(tables.month_of(day), dict.fromkeys(SUMS, 0))
        for name in SUMS:
            month[name] += sums[name]
    rows[CHARGE_MONTH] = [
        sums | {"site": site, "month": month, "currency": "EUR"} for month, sums in months.items()
    ]
    return rows


def _exception(number: int, place: int, open_day: date | None) -> Row:
    name = f"{number:08x}{place:08x}"
    status = "accepted" if open_day is None else "open"
    told = example(ExceptionFound, exception_id=name, status=status)
    return {
        "exception_id": name,
        "kind": "doubled",
        "status": status,
        "open_day": open_day,
        "at_stake_cents": 3800 + place,
        "snapshot": told.model_dump_json(),
    }
