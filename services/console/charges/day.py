"""Everything that the page of a day shows, read at one moment."""

import hashlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date
from typing import Final

from sqlalchemy import Connection

from schemas.errors import InvalidInput
from services.console.charges.asking import DayAsked
from services.console.charges.bills import Bill, bills_of_day
from services.console.charges.views import (
    DayBooks,
    Listed,
    Unmapped,
    day_books,
    exceptions,
    open_before,
    unmapped,
)
from services.console.paging import Page, T
from services.console.troubles import Trouble

_MOST_PAGES: Final = 400
"""Of a file: a bound against a list that never ends; invented."""


@dataclass(frozen=True, slots=True)
class DayShown:
    """``stand`` is another once anything of it is: a page that is open says so then."""

    books: tuple[DayBooks, ...]
    listed: Page[Listed]
    unmapped: tuple[Unmapped, ...]
    bills: Page[Bill]
    older: int
    oldest: date | None

    @property
    def stand(self) -> str:
        told = [one.books.model_dump_json() for one in self.books]
        told += [one.mark for one in self.listed.rows]
        told += [one.missing.posting_key for one in self.unmapped]
        told += [f"{one.mark}{one.state}{one.posted}" for one in self.bills.rows]
        return hashlib.sha256("|".join(told).encode()).hexdigest()[:16]


def read_shown(connection: Connection, asked: DayAsked, bills_after: str = "") -> DayShown:
    """Read a day. Raises Trouble for a place in a list that no page gave."""
    older, oldest = open_before(connection, asked.site, asked.day)
    try:
        listed = exceptions(connection, asked.site, asked.exceptions, asked.after or None)
        bills = bills_of_day(connection, asked.site, asked.day, bills_after or None)
    except InvalidInput as error:
        raise Trouble(422, f"{error.field}: expected {error.expected}.") from error
    waiting = unmapped(connection, asked.site, None if asked.everything else asked.day)
    return DayShown(
        tuple(day_books(connection, asked.site, asked.day)),
        listed,
        tuple(waiting if not asked.kind and not asked.after else ()),
        bills,
        older,
        oldest,
    )


def every_exception(connection: Connection, asked: DayAsked) -> Iterator[Listed]:
    """Give all that the filters let through, page after page."""
    return _every(lambda after: exceptions(connection, asked.site, asked.exceptions, after))


def every_bill(connection: Connection, site: str, day: date) -> Iterator[Bill]:
    """Give all studies of a day, page after page."""
    return _every(lambda after: bills_of_day(connection, site, day, after))


def _every(read: Callable[[str | None], Page[T]]) -> Iterator[T]:
    after: str | None = None
    for _ in range(_MOST_PAGES):
        page = read(after)
        yield from page.rows
        after = page.next
        if after is None:
            return
