"""What an address of the desk asks for, and how it is written again with something changed."""

from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Any, Final
from urllib.parse import urlencode

from schemas.conclusions.reconciled import Status
from schemas.group import Site
from services.console.charges.rows import Kind
from services.console.charges.views import Asked
from services.console.tables import month_of
from services.console.troubles import Trouble

_STATUSES: Final = {
    "open": Status.OPEN,
    "second": Status.WAITS_FOR_SECOND,
    "under-way": Status.UNDER_WAY,
    "accepted": Status.ACCEPTED,
}


@dataclass(frozen=True, slots=True)
class DayAsked:
    """A day of the desk with its filters; ``everything``: all days that are not settled."""

    site: str
    day: date
    everything: bool = False
    kind: str = ""
    status: str = ""
    after: str = ""

    @property
    def exceptions(self) -> Asked:
        return Asked(
            None if self.everything else self.day,
            Kind(self.kind) if self.kind else None,
            _STATUSES[self.status] if self.status else None,
        )

    def address(self, page: str = "", **changed: Any) -> str:
        """Write the address of a page of the desk with these filters; without a place in the
        list, unless one is given."""
        own = replace(self, after="") if "after" not in changed else self
        own = replace(own, **changed)
        told = {
            "day": own.day.isoformat(),
            "days": "open" if own.everything else "",
            "kind": own.kind,
            "status": own.status,
            "after": own.after,
        }
        query = urlencode({name: value for name, value in told.items() if value})
        return f"/sites/{own.site}/charges{page}?{query}"

    def next_to(self, days: int) -> str:
        return self.address(day=self.day + timedelta(days=days), everything=False)


def day_asked(site: Site, day: str, days: str, kind: str, status: str, after: str = "") -> DayAsked:
    """Read what an address asks for. Raises Trouble, naming what it cannot read."""
    if kind and kind not in set(Kind):
        raise Trouble(422, f"kind: expected one of {', '.join(Kind)}.")
    if status and status not in _STATUSES:
        raise Trouble(422, f"status: expected one of {', '.join(_STATUSES)}.")
    if days not in {"", "open"}:
        raise Trouble(422, "days: expected open.")
    return DayAsked(site.name, read_day(day, site), days == "open", kind, status, after)


def read_day(told: str, site: Site) -> date:
    """Read a day; none told: today at the site. Raises Trouble."""
    if not told:
        return today_at(site)
    try:
        return date.fromisoformat(told)
    except ValueError as error:
        raise Trouble(422, "day: expected a day such as 2026-03-02.") from error


def read_month(told: str, site: Site) -> date:
    """Read a month as its first day; none told: this month at the site. Raises Trouble."""
    if not told:
        return month_of(today_at(site))
    try:
        return datetime.strptime(told, "%Y-%m").date()  # noqa: DTZ007 - a month has no zone
    except ValueError as error:
        raise Trouble(422, "month: expected a month such as 2026-03.") from error


def today_at(site: Site) -> date:
    return datetime.now(site.zone).date()
