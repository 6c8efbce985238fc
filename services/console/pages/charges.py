"""The charge desk: a day with its exceptions first, one exception, and one study's charges."""

from datetime import UTC, date, datetime
from typing import Annotated, Any, Final

from fastapi import Depends, Query
from fastapi.responses import Response

from schemas.group import Group, Role
from services.console import views_charges
from services.console.changes import topic
from services.console.charges import words
from services.console.charges.asking import DayAsked, day_asked, today_at
from services.console.charges.day import read_shown
from services.console.charges.evidence import evidence_of
from services.console.charges.rows import Kind
from services.console.charges.views import some_exceptions, unfilled_keys
from services.console.console import NavEntry
from services.console.troubles import Trouble
from services.console.visit import Visit, Visiting

Told = Annotated[str, Query(max_length=200)]


def _asked(
    visit: Visiting,
    site: str,
    day: Told = "",
    days: Told = "",
    kind: Told = "",
    status: Told = "",
    after: Told = "",
) -> DayAsked:
    """Read which day an address asks for, and its filters (Trouble 422)."""
    return day_asked(visit.own_site(site), day, days, kind, status, after)


Asking = Annotated[DayAsked, Depends(_asked)]


def show_day(visit: Visiting, site: str, asked: Asking, more: Told = "") -> Response:
    """Show a day's totals and what a person has to settle."""
    with visit.console.store.read() as connection:
        shown = read_shown(connection, asked, more)
    return visit.page(
        "charges.html",
        asked=asked,
        shown=shown,
        more=more,
        kinds=Kind,
        statuses=_STATUSES,
        today=today_at(visit.own_site(site)),
        live=visit.live(topic("bills", site)),
        **saying(visit),
    )


def show_changed(visit: Visiting, asked: Asking, seen: Told, more: Told = "") -> Response:
    """Say whether what an open page shows is old; its ticks are left alone."""
    with visit.console.store.read() as connection:
        shown = read_shown(connection, asked, more)
    return visit.page("charges_changed.html", asked=asked, old=shown.stand != seen)


def show_exception(visit: Visiting, site: str, name: str) -> Response:
    """Show one exception with its evidence, and what may be done about it."""
    with visit.console.store.read() as connection:
        found = some_exceptions(connection, site, [name]).get(name)
        if found is None:
            raise Trouble(
                404,
                "This exception is gone: what it rested on has changed, or it is settled.",
                "Go to the day and look at what is left of it.",
            )
        study = found.found.study_instance_uid
        page = views_charges.one_bill(connection, site, study) if study is not None else None
        evidence = None
        if page is not None:
            evidence = evidence_of(
                connection,
                site,
                page.charges,
                page.study,
                found.found.posting_key,
                found.found.images,
            )
        candidates = unfilled_keys(connection, site, found.day)
    return visit.page(
        "charges_exception.html",
        one=found,
        page=page,
        evidence=evidence,
        candidates=candidates,
        asked=DayAsked(site, found.day),
        **saying(visit),
    )


def show_study(visit: Visiting, site: str, study: str) -> Response:
    """Show one study's charges: each line with its rule and what it rests on."""
    with visit.console.store.read() as connection:
        page = views_charges.one_bill(connection, site, study)
        if page is None:
            raise Trouble(
                404,
                "Nothing is known yet of this study's charges.",
                "Look again in a moment, or go to the day.",
            )
        evidence = {
            entry.posting_key: evidence_of(
                connection, site, page.charges, page.study, entry.posting_key
            )
            for entry in page.charges.ledger
        }
    day = page.line.day or today_at(visit.own_site(site))
    return visit.page(
        "charges_study.html",
        page=page,
        evidence=evidence,
        images={one.sop_instance_uid: one for one in page.study.images},
        asked=DayAsked(site, day),
        **saying(visit),
    )


_STATUSES: Final = {
    "open": "To be settled",
    "second": "Waits for a second person",
    "under-way": "Decided, not seen in the record yet",
    "accepted": "Left as it is",
}


def saying(visit: Visit) -> dict[str, Any]:
    """Give the templates of the desk their words."""
    account = visit.person.account
    return {
        "money": words.money,
        "says": words,
        "next_action": words.next_action,
        "long_day": long_day,
        "now": datetime.now(UTC),
        "who": lambda name: title_of(visit.console.group, name),
        "is_lead": Role.LEAD in account.person.roles,
        "me": account.person.name,
        "zone": visit.site.zone if visit.site is not None else UTC,
    }


def long_day(day: date | None) -> str:
    """Write a day out; a day that is not known says so."""
    return f"{day:%A} {day.day} {day:%B %Y}" if day is not None else "day not known"


def title_of(group: Group, name: str) -> str:
    """Name a person by title; one who is not in the group's file any more by short name."""
    short = name.rpartition("/")[2]
    found = [one.title for site in group.sites for one in site.people if one.name == short]
    return found[0] if found else short


NAV: Final = (
    NavEntry(
        "/sites/{site}/charges",
        "Charges",
        "The day's charges: exceptions first, control totals, what is not charged and why",
    ),
)
ROUTES: Final = (
    ("GET", "/sites/{site}/charges", show_day),
    ("GET", "/sites/{site}/charges/changed", show_changed),
    ("GET", "/sites/{site}/charges/exceptions/{name}", show_exception),
    ("GET", "/sites/{site}/charges/studies/{study}", show_study),
)
