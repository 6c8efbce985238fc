"""Every connection checked, with the next step: for the first start, and whenever in doubt."""

from datetime import UTC, datetime
from typing import Final

from fastapi.responses import Response

from services.console.operations.first_run import check_all, next_step
from services.console.visit import Visiting


def show(visit: Visiting) -> Response:
    """Show the page at once; its part asks."""
    return visit.page("checks.html")


def show_now(visit: Visiting) -> Response:
    """Ask every part, and show what they say."""
    operations = visit.console.operations
    checked = check_all(operations.settings, visit.console.group, operations.lookout.urls)
    return visit.page(
        "checks_now.html" if visit.is_part else "checks_all.html",
        checked=checked,
        next=next_step(checked),
        good=all(one.good for one in checked),
        at=datetime.now(UTC).astimezone(visit.person.account.site.zone),
    )


ROUTES: Final = (("GET", "/operations/checks", show), ("GET", "/operations/checks/now", show_now))
