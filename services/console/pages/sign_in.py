"""Signing in by name and password, signing out, and handing a shared tablet to the next person."""

import base64
import json
from datetime import UTC, datetime
from math import ceil
from typing import Annotated, Final, NamedTuple
from urllib.parse import quote

from fastapi import Form, Query
from fastapi.responses import RedirectResponse, Response

from services.console.accounts import Account, find_account, prove_password
from services.console.security import (
    FORM_COOKIE,
    SESSION_COOKIE,
    form_proof,
    own_form_proof,
    set_cookie,
)
from services.console.visit import Visit, Visiting, local_path
from services.runtime import deeds
from services.runtime.audit import Refusal
from services.runtime.deeds import Deed, Did

SHARED_COOKIE: Final = "shared_tablet"
"""On a shared tablet: who was signed in here last, by key, title and site's title.

The titles stand in it, so that whoever makes one up learns no name from us.
"""
_RECENT: Final = 8
"""People that a shared tablet offers; the number is invented."""


class Recent(NamedTuple):
    """Somebody who was signed in on a shared tablet: ``key`` is ``site/name``."""

    key: str
    title: str
    site_title: str


_FOR_90_DAYS_S: Final = 90 * 86_400
"""How long a tablet remembers them; invented."""
_WHY: Final = {
    "ended": "You were signed out, because nobody tapped for a while. Nothing is lost.",
    "switched": "Choose who goes on here.",
    "out": "You are signed out.",
    "everywhere": "You are signed out on every device.",
    "failed": "Your hospital's account did not let you in here. Try again, or use a password.",
}
_WRONG: Final = (
    "This name and password do not belong together. Look at the site too, and try again."
)


def show_form(
    visit: Visiting,
    next_path: Annotated[str, Query(alias="next")] = "/",
    why: str = "",
    who: str = "",
) -> Response:
    """Show the form, with whoever was here last on a shared tablet."""
    if visit.signed_in is not None:
        return visit.go_to(local_path(next_path))
    return _form(visit, local_path(next_path), who, told=_WHY.get(why, ""))


def sign_in(
    visit: Visiting,
    name: Annotated[str, Form(max_length=64)],
    password: Annotated[str, Form(max_length=1_000)],
    site: Annotated[str, Form(max_length=64)] = "",
    shared: Annotated[str, Form(max_length=8)] = "",
    next_path: Annotated[str, Form(alias="next", max_length=500)] = "/",
) -> Response:
    """Sign a person in, or say why not; how long that takes tells nothing."""
    console = visit.console
    name, site = name.strip().lower(), site or console.group.sites[0].name
    who, path = f"{site}/{name}", local_path(next_path)
    wait_s = console.tries_from_address.take(_address(visit) or "") or (
        console.tries_of_person.take(who)
    )
    if wait_s:
        words = f"Too many tries. Wait {ceil(wait_s)} seconds, then try again."
        response = _form(visit, path, who, trouble=words, status=429)
        response.headers["Retry-After"] = str(ceil(wait_s))
        return response
    account = prove_password(console.group, console.passwords, site, name, password)
    if account is None:
        known = find_account(console.group, site, name)
        console.audit.refused(
            Refusal(
                "console",
                "sign-in",
                "expected the password of this person",
                _address(visit),
                None if known is None else site,
                holder=None if known is None else name,
            )
        )
        return _form(visit, path, who, trouble=_WRONG, status=403)
    console.tries_of_person.forget(who)
    return begin_session(visit, account, path, shared=bool(shared))


def begin_session(visit: Visit, account: Account, path: str, *, shared: bool) -> Response:
    """Begin a session for somebody who has shown who they are, and send them on."""
    if visit.signed_in is not None:
        visit.console.sessions.end(visit.signed_in.token)
    token = visit.console.sessions.begin(account, shared=shared)
    keep_deed(visit, account, "signed_in")
    response: Response = RedirectResponse(path, 303)
    secure = visit.console.settings.is_https
    set_cookie(response, SESSION_COOKIE, token, secure=secure)
    response.delete_cookie(FORM_COOKIE, path="/")
    if shared:
        here = Recent(account.key, account.person.title, account.site.title)
        others = [one for one in _recent(visit) if one.key != account.key]
        told = _encoded([here, *others][:_RECENT])
        set_cookie(response, SHARED_COOKIE, told, secure=secure, max_age_s=_FOR_90_DAYS_S)
    else:
        response.delete_cookie(SHARED_COOKIE, path="/")
    return response


def sign_out(visit: Visiting) -> Response:
    """End the session."""
    return _end(visit, "/sign-in?why=out")


def sign_out_everywhere(visit: Visiting) -> Response:
    """End every session of this person, on whatever browser."""
    visit.console.sessions.end_all(visit.person.account)
    return _end(visit, "/sign-in?why=everywhere")


def switch(
    visit: Visiting, next_path: Annotated[str, Form(alias="next", max_length=500)] = "/"
) -> Response:
    """End the session and offer who was here before; the next person comes back to this page."""
    return _end(visit, f"/sign-in?why=switched&next={quote(local_path(next_path), safe='/')}")


def keep_deed(visit: Visit, account: Account, did: Did) -> None:
    """Write a sign-in or sign-out into the audit."""
    deed = Deed(
        did,
        visit.request.url.path,
        "",
        account.site.name,
        account.person.name,
        _address(visit),
        datetime.now(UTC),
    )
    with visit.console.store.begin() as connection:
        deeds.append(connection, "console", deed)


def is_shared(visit: Visit) -> bool:
    """Tell whether this browser was called a shared tablet before."""
    return SHARED_COOKIE in visit.request.cookies


def _end(visit: Visit, path: str) -> Response:
    visit.console.sessions.end(visit.person.token)
    keep_deed(visit, visit.person.account, "signed_out")
    response = visit.go_to(path)
    response.delete_cookie(SESSION_COOKIE, path="/")
    return response


def _form(
    visit: Visit, path: str, who: str, told: str = "", trouble: str = "", status: int = 200
) -> Response:
    proof = own_form_proof(visit.request)
    site, _, name = who.partition("/")
    group = visit.console.group
    response = visit.page(
        "sign_in.html",
        status,
        proof=proof,
        next=path,
        told=told,
        trouble=trouble,
        chosen_site=site,
        chosen_name=name,
        sites=group.sites,
        recent=_recent(visit),
        shared=is_shared(visit),
        provider=visit.console.provider,
    )
    form_proof(visit.request, response, secure=visit.console.settings.is_https, proof=proof)
    return response


def _encoded(recent: list[Recent]) -> str:
    return base64.urlsafe_b64encode(json.dumps(recent).encode()).decode()


def _recent(visit: Visit) -> list[Recent]:
    """Read the cookie; nobody from one that is not ours."""
    told = visit.request.cookies.get(SHARED_COOKIE, "")
    try:
        found = [Recent(*one) for one in json.loads(base64.urlsafe_b64decode(told.encode()))]
    except (ValueError, TypeError, RecursionError):
        return []
    kept = [one for one in found if all(isinstance(text, str) for text in one)]
    return [one for one in kept if one.key.count("/") == 1][:_RECENT]


def _address(visit: Visit) -> str | None:
    return visit.request.client.host if visit.request.client else None


ROUTES: Final = (
    ("GET", "/sign-in", show_form),
    ("POST", "/sign-in", sign_in),
    ("POST", "/sign-out", sign_out),
    ("POST", "/sign-out-everywhere", sign_out_everywhere),
    ("POST", "/switch", switch),
)
