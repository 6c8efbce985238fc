"""A note as text and as one accessible HTML page without script, for screen and paper."""

from collections.abc import Mapping
from functools import cache
from typing import Any

from jinja2 import PackageLoader, StrictUndefined
from jinja2.sandbox import ImmutableSandboxedEnvironment

from schemas.group import Site
from services.notes.lifecycle import NoteNow
from services.notes.wording import named
from services.notes.writing import Writing

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
            {
                "by": named(site, one.signer),
                "at": Writing.of(site).moment(one.signed_at),
                "text": one.text,
            }
            for one in note.addenda
        ],
        "content_sha256": note.content_sha256,
    }


def _banner(note: NoteNow, site: Site) -> str:
    writing = Writing.of(site)
    if note.signed is None:
        waiting = [
            f"{named(site, one.signer)}, {writing.moment(one.signed_at)}"
            for one in note.signatures
            if one.content_sha256 == note.content_sha256
        ]
        told = f" Signed by a trainee ({'; '.join(waiting)}); waits for a vet's signature."
        return DRAFT_BANNER + (told if waiting else "")
    by, at = named(site, note.signed.signer), writing.moment(note.signed.signed_at)
    more = f" Addenda: {len(note.addenda)}." if note.addenda else ""
    return f"Signed by {by}, {at}.{more}"
