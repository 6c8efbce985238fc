"""The style, the scripts and the mark of the pages."""

from typing import Final

from fastapi import Request
from fastapi.responses import Response

from services.console.troubles import Trouble
from services.console.visit import Visiting

_FOR_A_YEAR: Final = "public, max-age=31536000, immutable"


def send_file(visit: Visiting, request: Request, name: str) -> Response:
    """Send a file; the browser keeps it where it asked for this very content."""
    found = visit.console.static.get(name)
    if found is None:
        raise Trouble(404)
    named = request.query_params.get("v") == found.version
    kept = {"Cache-Control": _FOR_A_YEAR if named else "no-cache"}
    return Response(found.content, media_type=found.media_type, headers=kept)


ROUTES: Final = (("GET", "/static/{name}", send_file),)
