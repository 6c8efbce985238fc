"""How long the session goes on if nobody taps: asked by the open page, which then says so."""

from datetime import UTC, datetime
from typing import Final

from fastapi.responses import JSONResponse, Response

from services.console.visit import Visiting


def tell_rest(visit: Visiting) -> Response:
    """Tell the seconds that are left; asking is no tap."""
    left = visit.person.ends_at - datetime.now(UTC)
    return JSONResponse({"left_s": max(0, int(left.total_seconds()))})


def stay(visit: Visiting) -> Response:
    """Go on: the guard has counted the tap."""
    del visit
    return Response(status_code=204)


ROUTES: Final = (("GET", "/session", tell_rest), ("POST", "/session/stay", stay))
