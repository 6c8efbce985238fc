"""For who keeps the system running: first what is wrong and what to do, then the figures."""

from datetime import timedelta
from typing import Annotated, Any, Final

from fastapi import Query
from fastapi.responses import Response

from schemas.group import Site
from services.console.console import NavEntry
from services.console.operations.board import board_of
from services.console.operations.spans import span
from services.console.operations.sparks import spark
from services.console.troubles import Trouble
from services.console.visit import Visit, Visiting

SiteName = Annotated[str | None, Query(alias="at", max_length=64)]


def show(visit: Visiting, at: SiteName = None) -> Response:
    """Show how all stands."""
    return visit.page("operations.html", **_shown(visit, at))


def show_now(visit: Visiting, at: SiteName = None) -> Response:
    """Show the same, as the part of the page that changes."""
    return visit.page("operations_now.html", **_shown(visit, at))


def site_of(visit: Visit, name: str | None) -> Site:
    """Give the site whose devices are shown: one of theirs, or else their own (Trouble 403)."""
    if name is None:
        return visit.person.account.site
    found = next((one for one in visit.sites if one.name == name), None)
    if found is None:
        raise Trouble(403)
    return found


def _shown(visit: Visit, at: str | None) -> dict[str, Any]:
    console = visit.console
    site = site_of(visit, at)
    with console.store.read() as connection:
        board = board_of(connection, console.operations, console.group, visit.sites, site)
    return {
        "b": board,
        "zone": visit.person.account.site.zone,
        "span": span,
        "seconds": lambda told: span(timedelta(seconds=told)),
        "spark": spark,
        "settings": console.operations.settings,
    }


ROUTES: Final = (("GET", "/operations", show), ("GET", "/operations/now", show_now))
NAV: Final = (
    NavEntry(
        "/operations",
        "Operations",
        "What is wrong and what to do next; services, queues, triage, devices, disk, backup",
    ),
)
