"""The small pictures beside a note, or words in their place."""

from textwrap import wrap
from typing import Final
from xml.sax.saxutils import escape

from fastapi.responses import Response

from services.console.troubles import Trouble
from services.console.visit import Visiting, study_uid

_FOR_A_WHILE: Final = "private, max-age=300"


def show_picture(visit: Visiting, site: str, study: str, name: str) -> Response:
    """Send the picture of an image of this study, which must be one of this site's."""
    with visit.console.store.read() as connection:
        found = visit.console.pictures.of_study(
            connection, visit.own_site(site), study_uid(study), name
        )
    if found is None:
        raise Trouble(404)
    if found.png is None:
        return Response(_in_words(found.words), media_type="image/svg+xml")
    # Who signs in next on this browser asks anew: the answer is kept for this cookie alone.
    kept = {"Cache-Control": _FOR_A_WHILE, "Vary": "Cookie"}
    return Response(found.png, media_type="image/png", headers=kept)


def _in_words(words: str) -> str:
    """Draw words of ours where there is no picture."""
    lines = wrap(words, 18)
    top = 66 - 9 * (len(lines) - 1)
    drawn = "".join(
        f'<text x="80" y="{top + 18 * number}" text-anchor="middle" font-family="sans-serif" '
        f'font-size="14" fill="#14181b">{escape(line)}</text>'
        for number, line in enumerate(lines)
    )
    return (
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 160 120" width="160" height="120">'
        f'<rect width="160" height="120" fill="#e4e7e9"/>{drawn}</svg>'
    )


ROUTES: Final = (("GET", "/sites/{site}/notes/{study}/pictures/{name}", show_picture),)
