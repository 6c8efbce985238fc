"""One request of a browser, as a page sees it: who is there, at which site, and how to answer."""

from dataclasses import dataclass
from typing import Annotated, Any
from urllib.parse import quote
from uuid import uuid4

from fastapi import Depends, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from schemas.group import Site
from services.console import access
from services.console.access import RULES
from services.console.console import Console, NavEntry
from services.console.sessions import SignedIn
from services.console.troubles import Trouble

THEMES = ("light", "dark")
THEME_COOKIE = "theme"
_IN_ADDRESS = ":/%#?=@[]!$&'()*+,;"


class NotSignedIn(Exception):  # noqa: N818 - never leaves the console
    """A page that wants a person was asked for by nobody; the guard lets that not happen."""


@dataclass(frozen=True, slots=True)
class Visit:
    """What a page gets as its parameter ``visit: Visiting``."""

    request: Request
    console: Console
    signed_in: SignedIn | None

    @property
    def person(self) -> SignedIn:
        """Who is signed in. Raises NotSignedIn on an open page."""
        if self.signed_in is None:
            raise NotSignedIn
        return self.signed_in

    @property
    def site(self) -> Site | None:
        """The site that the path names, where it is one of theirs, or else the person's own."""
        if self.signed_in is None:
            return None
        named = self.request.path_params.get("site")
        found = (one for one in self.sites if one.name == named)
        return next(found, self.signed_in.account.site)

    def own_site(self, name: str) -> Site:
        """Give the site that the path names; the guard has let the person in to it."""
        return self.console.group.site(name)

    @property
    def sites(self) -> tuple[Site, ...]:
        """The sites whose pages this person may see."""
        return access.sites_of(self.person.account, self.console.group)

    @property
    def is_part(self) -> bool:
        """Tell whether htmx asks for a part of a page."""
        return self.request.headers.get("HX-Request") == "true"

    def nav(self) -> list[tuple[str, NavEntry]]:
        """List the pages that this person may reach at the site, with their addresses."""
        site = self.site
        if self.signed_in is None or site is None:
            return []
        account, group = self.signed_in.account, self.console.group
        return [
            (entry.path.replace("{site}", site.name), entry)
            for entry in self.console.nav
            if access.may(account, group, RULES["GET", entry.path], site.name)
        ]

    def page(self, template: str, status: int = 200, **shown: Any) -> Response:
        """Answer with a template of the folder ``templates``."""
        theme = self.request.cookies.get(THEME_COOKIE, "")
        content = self.console.templates.get_template(template).render(
            visit=self,
            site=self.site,
            signed_in=self.signed_in,
            csrf=self.signed_in.csrf if self.signed_in else "",
            theme=theme if theme in THEMES else "",
            static=self.console.static.address,
            new_tap=lambda: uuid4().hex,
            **shown,
        )
        return HTMLResponse(content, status)

    def go_to(self, path: str) -> Response:
        """Send the browser to another page of ours after a tap."""
        path = quote(path, safe=_IN_ADDRESS)
        if self.is_part:
            return Response(status_code=204, headers={"HX-Redirect": path})
        return RedirectResponse(path, 303)

    def live(self, *topics: str) -> str:
        """Give the address that tells this page of changes, from now on."""
        named = "&".join(f"topic={quote(one, safe=':/')}" for one in topics)
        return f"/live?since={self.console.changes.newest()}&{named}"


def local_path(told: str | None) -> str:
    """Give a path of ours that was named in an address, or the first page."""
    if not told or not told.startswith("/") or told.startswith("//") or len(told) > 500:
        return "/"
    if any(letter in told for letter in "\\\r\n\t\0"):
        return "/"
    return told


def study_uid(told: str) -> str:
    """Check a study's UID of an address (Trouble 404)."""
    if not told or len(told) > 64 or not all(one.isdecimal() for one in told.split(".")):
        raise Trouble(404)
    return told


def visit_of(request: Request) -> Visit:
    """Make the visit of a request that the guard has let through."""
    return Visit(request, request.app.state.console, getattr(request.state, "signed_in", None))


Visiting = Annotated[Visit, Depends(visit_of)]
