"""The sites of a group side by side: their totals of a month or a day, a page of them at a time.

A group has a thousand sites: all are put in order and added up as the bare numbers that the store
gives, and only those of a page become amounts of money.
"""

from collections.abc import Container, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Final, NamedTuple

from sqlalchemy import Connection, Row, Select, Table, select

from services.console import paging
from services.console.charges.sums import Sums, sums_of
from services.console.charges.tables import CHARGE_DAY, CHARGE_MONTH, SUMS
from services.console.paging import PAGE_ROWS, Page

_KEYS: Final = ("site", "currency")


class SiteSums(NamedTuple):
    """A site's totals in one currency."""

    site: str
    currency: str
    sums: Sums


@dataclass(frozen=True, slots=True)
class Compared:
    """Totals of sites: those with faults and exceptions first, once for each currency."""

    rows: tuple[Row[Any], ...]

    @property
    def sites(self) -> frozenset[str]:
        return frozenset(row.site for row in self.rows)

    def whole(self) -> dict[str, Sums]:
        """Add all sites up, by currency."""
        by_currency: dict[str, list[Row[Any]]] = {}
        for row in self.rows:
            by_currency.setdefault(row.currency, []).append(row)
        return {
            currency: sums_of(dict(zip(SUMS, _added(by_currency[currency]), strict=True)))
            for currency in sorted(by_currency)
        }

    def page(self, after: str | None = None) -> Page[SiteSums]:
        """Give a page of sites. Raises InvalidInput for a place that no page gave."""
        rest = self.rows
        if after is not None:
            faults, exceptions, site, currency = paging.place(after, [int, int, str, str])
            place = (-faults, -exceptions, site, currency)
            rest = tuple(row for row in rest if _order(row) > place)
        shown = rest[:PAGE_ROWS]
        more = len(rest) > PAGE_ROWS
        return Page(
            tuple(SiteSums(row.site, row.currency, sums_of(row._asdict())) for row in shown),
            _place(shown[-1]) if more else None,
        )


def sites_of_month(
    connection: Connection,
    sites: Sequence[str] | None,
    month: date,
    known: Container[str] | None = None,
) -> Compared:
    """Read each site's sums of a month, whose first day is given; of all where none is named.

    ``known``: the others are left out, such as a site that the group no longer has.
    """
    return _compared(connection, CHARGE_MONTH, CHARGE_MONTH.c.month == month, sites, known)


def sites_of_day(
    connection: Connection,
    sites: Sequence[str] | None,
    day: date,
    known: Container[str] | None = None,
) -> Compared:
    """Read the same of one day."""
    return _compared(connection, CHARGE_DAY, CHARGE_DAY.c.day == day, sites, known)


def _compared(
    connection: Connection,
    table: Table,
    when: Any,
    sites: Sequence[str] | None,
    known: Container[str] | None,
) -> Compared:
    own = table.c
    query: Select[Any] = select(*(own[name] for name in (*_KEYS, *SUMS)))
    query = query.where(when, own.currency != "")
    if sites is not None:
        query = query.where(own.site.in_(list(sites)))
    rows = connection.execute(query).all()
    return Compared(
        tuple(sorted((row for row in rows if known is None or row.site in known), key=_order))
    )


def _order(row: Row[Any]) -> tuple[int, int, str, str]:
    return -row.faults, -row.exceptions, row.site, row.currency


def _place(row: Row[Any]) -> str:
    return paging.cursor(row.faults, row.exceptions, row.site, row.currency)


def _added(rows: Sequence[Row[Any]]) -> list[int]:
    columns = zip(*(row[len(_KEYS) :] for row in rows), strict=True)
    return [sum(numbers) for numbers in columns]
