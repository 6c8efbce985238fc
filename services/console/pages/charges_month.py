"""The charges of a month, by day and by site, as tables, drawings, CSV and workbooks."""

import io
from collections.abc import Sequence
from datetime import date, timedelta
from typing import Annotated, Final

from fastapi import Query
from fastapi.responses import Response

from schemas.errors import InvalidInput
from services.console.charges import exports, plots
from services.console.charges.asking import (
    DayAsked,
    day_asked,
    read_day,
    read_month,
)
from services.console.charges.day import every_bill, every_exception
from services.console.charges.sites import sites_of_day, sites_of_month
from services.console.charges.sums import Sums, added
from services.console.charges.views import (
    day_books,
    sums_by_day,
    unmapped,
)
from services.console.pages.attachments import attachment
from services.console.pages.charges import Told, saying
from services.console.tables import end_of_month, month_of
from services.console.troubles import Trouble
from services.console.visit import Visit, Visiting
from services.runtime.sheets import Sheet, write_csv, write_workbook

Days = dict[str, dict[date, Sums]]


def show_month(visit: Visiting, site: str, month: Told = "") -> Response:
    """Show a month of a site: day by day, with its sums and drawings."""
    first = read_month(month, visit.own_site(site))
    days = _days(visit, [site], first)
    return visit.page(
        "charges_month.html",
        first=first,
        days=days,
        whole={currency: added(own.values()) for currency, own in days.items()},
        asked=DayAsked(site, first),
        earlier=_month_before(first),
        later=_month_after(first),
        is_group=len(visit.sites) > 1,
        **saying(visit),
    )


def show_plot(
    visit: Visiting, site: str, name: str, month: Told = "", currency: Told = ""
) -> Response:
    """Draw a month."""
    first = read_month(month, visit.own_site(site))
    days = _days(visit, [site], first)
    if name == "exceptions":
        numbers: dict[date, int] = {}
        for own in days.values():
            for day, sums in own.items():
                numbers[day] = numbers.get(day, 0) + sums.exceptions
        drawn = plots.exceptions_plot(first, numbers)
    elif name == "money" and currency in days:
        drawn = plots.money_plot(first, currency, days[currency])
    else:
        raise Trouble(404)
    return Response(drawn, media_type="image/svg+xml")


def show_group(visit: Visiting, month: Told = "", day: Told = "", after: Told = "") -> Response:
    """Show a month, or a day, of each site that is the person's."""
    own = visit.person.account.site
    account = visit.person.account
    names = None if account.person.reach == "group" else [account.site.name]
    first = read_day(day, own) if day else read_month(month, own)
    of_site = sites_of_day if day else sites_of_month
    with visit.console.store.read() as connection:
        compared = of_site(connection, names, first, {one.name for one in visit.sites})
    try:
        page = compared.page(after or None)
    except InvalidInput as error:
        raise Trouble(422, "after: expected a place that a page before has given.") from error
    told = compared.sites
    return visit.page(
        "charges_group.html",
        first=first,
        is_day=bool(day),
        found=page.rows,
        next=page.next,
        silent=[one for one in visit.sites if one.name not in told],
        titles={one.name: one.title for one in visit.sites},
        whole=compared.whole(),
        earlier=_month_before(first),
        later=_month_after(first),
        **saying(visit),
    )


def export(
    visit: Visiting,
    site: str,
    name: str,
    day: Told = "",
    days: Told = "",
    kind: Told = "",
    status: Told = "",
    month: Told = "",
    table: Annotated[str, Query(max_length=20)] = "",
) -> Response:
    """Give what a page shows as CSV (one table of it) or as a workbook (all of them)."""
    what, _, ending = name.rpartition(".")
    if what == "day":
        asked = day_asked(visit.own_site(site), day, days, kind, status)
        sheets, named = _day_sheets(visit, asked), asked.day.isoformat()
    elif what == "month":
        first = read_month(month, visit.own_site(site))
        sheets, named = _month_sheets(visit, site, first), f"{first:%Y-%m}"
    else:
        raise Trouble(404)
    if ending == "xlsx":
        file = io.BytesIO()
        write_workbook(file, sheets)
        return attachment(file.getvalue(), f"charges-{site}-{named}.xlsx")
    found = [one for one in sheets if not table or one[0] == table]
    if ending != "csv" or not found:
        raise Trouble(404)
    title, heads, rows = found[0]
    text = io.StringIO()
    write_csv(text, heads, rows)
    content = text.getvalue().encode("utf-8-sig")
    title = title.replace(" ", "-")
    return attachment(content, f"charges-{site}-{named}-{title}.csv")


def _day_sheets(visit: Visit, asked: DayAsked) -> list[Sheet]:
    site = asked.site
    with visit.console.store.read() as connection:
        listed = list(every_exception(connection, asked))
        waiting = unmapped(connection, site, None if asked.everything else asked.day)
        books = day_books(connection, site, asked.day)
        bills = list(every_bill(connection, site, asked.day))
    codes = [] if asked.kind else waiting
    return [
        (
            "exceptions",
            exports.EXCEPTION_HEADS,
            [*exports.exception_rows(listed), *exports.unmapped_rows(site, codes)],
        ),
        (
            "totals",
            ("site", "day", "currency", *exports.SUM_HEADS),
            [(site, asked.day, one.currency, *exports.sum_cells(one.sums)) for one in books],
        ),
        (
            "differences",
            exports.DIFFERENCE_HEADS,
            list(exports.difference_rows(site, asked.day, books)),
        ),
        ("studies", exports.BILL_HEADS, list(exports.bill_rows(site, bills))),
        ("not charged", exports.NOT_CHARGED_HEADS, list(exports.not_charged_rows(site, bills))),
    ]


def _month_sheets(visit: Visit, site: str, first: date) -> list[Sheet]:
    days = _days(visit, [site], first)
    by_day = [
        (site, day, currency, *exports.sum_cells(sums))
        for currency, own in days.items()
        for day, sums in own.items()
    ]
    whole = [
        (site, first, currency, *exports.sum_cells(added(own.values())))
        for currency, own in days.items()
    ]
    return [
        ("days", ("site", "day", "currency", *exports.SUM_HEADS), by_day),
        ("month", ("site", "month", "currency", *exports.SUM_HEADS), whole),
    ]


def _days(visit: Visit, sites: Sequence[str], first: date) -> Days:
    with visit.console.store.read() as connection:
        found = sums_by_day(connection, sites, first, end_of_month(first))
    days: Days = {}
    for day, currency, sums in found:
        days.setdefault(currency, {})[day] = sums
    return days


def _month_before(day: date) -> str:
    return f"{month_of(day) - timedelta(days=1):%Y-%m}"


def _month_after(day: date) -> str:
    return f"{end_of_month(day) + timedelta(days=1):%Y-%m}"


ROUTES: Final = (
    ("GET", "/sites/{site}/charges/month", show_month),
    ("GET", "/sites/{site}/charges/plots/{name}", show_plot),
    ("GET", "/sites/{site}/charges/export/{name}", export),
    ("GET", "/charges", show_group),
)
