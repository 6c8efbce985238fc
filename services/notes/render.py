"""A note as text and as one accessible HTML page without script, for screen and paper."""

from collections.abc import Mapping
from datetime import datetime
from functools import cache
from typing import Any

from jinja2 import PackageLoader, StrictUndefined
from jinja2.sandbox import ImmutableSandboxedEnvironment

from schemas.group import Site
from services.notes.lifecycle import NoteNow
from services.notes.wording import named

DRAFT_BANNER = "DRAFT — NOT SIGNED. Not a diagnosis. To be corrected and signed by a licensed vet."


def render_text(note: NoteNow, site: Site) -> str:
    """Render plain text."""
    return _environment(html=False).get_template("note.txt.j2").render(_parts(note, site))


def render_html(note: NoteNow, site: Site) -> str:
    """Render one HTML page; every text is escaped."""
    return _environment(html=True).get_template("note.html.j2").render(_parts(note, site))


@cache
def _environment(*, html: bool) -> ImmutableSandboxedEnvironment:
    return ImmutableSandboxedEnvironment(
        loader=PackageLoader("services.notes"),
        autoescape=html,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )


def _parts(note: NoteNow, site: Site) -> Mapping[str, Any]:
    return {
        "banner": _banner(note, site),
        "site_title": site.title,
        "sections": note.sections,
        "addenda": [
            {"by": named(site, one.signer), "at": _moment(one.signed_at, site), "text": one.text}
            for one in note.addenda
        ],
        "content_sha256": note.content_sha256,
    }


def _banner(note: NoteNow, site: Site) -> str:
    if note.signed is None:
        return DRAFT_BANNER
    by, at = named(site, note.signed.signer), _moment(note.signed.signed_at, site)
    more = f" Addenda: {len(note.addenda)}." if note.addenda else ""
    return f"Signed by {by}, {at}.{more}"


def _moment(moment: datetime, site: Site) -> str:
    return moment.astimezone(site.zone).strftime("%Y-%m-%d %H:%M %Z")
