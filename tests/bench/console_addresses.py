"""The pages that are timed, with addresses that ask for a year, a month or the last day."""

from __future__ import annotations

from dataclasses import dataclass

from services.console.tables import end_of_month, month_of
from tests.bench.console_group import Size, site_name
from tests.bench.console_studies import study_uid


@dataclass(frozen=True, slots=True)
class Asked:
    """A page: its words, the route in the table of access, and the address."""

    words: str
    route: str
    address: str


def pages(size: Size) -> list[Asked]:
    """List the pages of the first site and of the group."""
    site, day = site_name(0), size.last
    at, study = f"/sites/{site}", study_uid(site, size.days - 1, 0)
    board, month = f"rooms/dental-1/studies/{study}", f"{day:%Y-%m}"
    year = f"first={month_of(size.first)}&last={end_of_month(day)}"
    days = f"first={size.first}&last={day}"
    own = "/sites/{site}"
    lead, group, bills = f"{at}/lead", "/lead", f"{at}/charges"
    people = f"{own}/lead/people"
    view_days = f"by=device&view=max-incisors&{days}"
    exception = f"{size.days - 1:08x}{1:08x}"
    return [
        Asked("sites", "/", "/"),
        Asked("pages of a site", own, at),
        Asked("room today", f"{own}/rooms/{{room}}", f"{at}/rooms/dental-1?day={day}"),
        Asked("chairside board", f"{own}/rooms/{{room}}/studies/{{study}}", f"{at}/{board}"),
        Asked("notes that wait", f"{own}/notes", f"{at}/notes"),
        Asked("all notes", f"{own}/notes", f"{at}/notes?show=all"),
        Asked("one note", f"{own}/notes/{{study}}", f"{at}/notes/{study}"),
        Asked("a note compared", f"{own}/notes/{{study}}/compare", f"{at}/notes/{study}/compare"),
        Asked("charges of a day", f"{own}/charges", f"{bills}?day={day}"),
        Asked("charges of all open days", f"{own}/charges", f"{bills}?day={day}&days=open"),
        Asked(
            "one exception", f"{own}/charges/exceptions/{{name}}", f"{bills}/exceptions/{exception}"
        ),
        Asked("charges of a study", f"{own}/charges/studies/{{study}}", f"{bills}/studies/{study}"),
        Asked("charges of a month", f"{own}/charges/month", f"{bills}/month?month={month}"),
        Asked("charges of a month, group", "/charges", f"/charges?month={month}"),
        Asked("charges of a day, group", "/charges", f"/charges?day={day}"),
        Asked("operations", "/operations", "/operations"),
        Asked("lead: year of a site by view", f"{own}/lead", f"{lead}?by=view&{year}"),
        Asked("lead: the same by person", people, f"{lead}/people?by=operator&{year}"),
        Asked("lead: the same by month", f"{own}/lead", f"{lead}?by=time&{year}"),
        Asked("lead: one view, a year's days", f"{own}/lead", f"{lead}?{view_days}"),
        Asked("lead: a year's days by view", f"{own}/lead", f"{lead}?by=view&{days}"),
        Asked("lead: a year's days by day", f"{own}/lead", f"{lead}?by=time&{days}"),
        Asked(
            "lead: days of one view by day",
            f"{own}/lead",
            f"{lead}?by=time&view=max-incisors&{days}",
        ),
        Asked("lead: year of the group by view", group, f"{group}?by=view&{year}"),
        Asked("lead: year of the group by month", group, f"{group}?by=time&{year}"),
        Asked("lead: year of the group by site", group, f"{group}?by=site&{year}"),
        Asked("lead: what to teach, site", f"{own}/lead/teach", f"{lead}/teach?{year}"),
        Asked("lead: what to teach, group", f"{group}/teach", f"{group}/teach?{year}"),
    ]
