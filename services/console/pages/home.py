"""The first page: where each role finds its own pages."""

from typing import Final

from fastapi.responses import Response

from services.console.visit import Visiting


def show_own(visit: Visiting) -> Response:
    """Lead to the person's own site, or let one choose who sees more than one."""
    if len(visit.sites) > 1:
        return visit.page("sites.html", sites=visit.sites)
    return visit.go_to(f"/sites/{visit.person.account.site.name}")


def show_site(visit: Visiting, site: str) -> Response:
    """List the pages of one site that are this person's."""
    del site  # the guard has looked at it, and the visit knows it
    return visit.page("home.html", entries=visit.nav())


ROUTES: Final = (("GET", "/", show_own), ("GET", "/sites/{site}", show_site))
