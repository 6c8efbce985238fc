"""The guard before every page: session, table of access, CSRF, bounds, and the audit after it."""

from collections.abc import Callable, Coroutine
from datetime import UTC, datetime
from math import ceil
from typing import Any, Final
from urllib.parse import quote

from fastapi import Request
from fastapi.responses import RedirectResponse, Response
from fastapi.routing import APIRoute
from starlette.concurrency import run_in_threadpool

from services.console import access
from services.console.access import RULES, Scope
from services.console.acts import Acts
from services.console.console import Console
from services.console.security import (
    CSRF_FIELD,
    CSRF_HEADER,
    FORM_COOKIE,
    SESSION_COOKIE,
    comes_from_us,
    same,
)
from services.console.sessions import SignedIn
from services.console.troubles import Trouble
from services.runtime import deeds
from services.runtime.audit import Refusal
from services.runtime.deeds import Deed

_SAFE: Final = frozenset({"GET", "HEAD"})


class GuardedRoute(APIRoute):
    """A route that asks the table of access before its page runs, and audits after it."""

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        page = super().get_route_handler()
        method = next(iter(self.methods or ()))
        rule = RULES[method, self.path]

        async def guarded(request: Request) -> Response:
            console: Console = request.app.state.console
            _check_size(request, console)
            token = request.cookies.get(SESSION_COOKIE)
            signed_in = await run_in_threadpool(console.sessions.find, token) if token else None
            request.state.signed_in = signed_in
            if signed_in is None and rule.scope is not Scope.OPEN:
                return _to_sign_in(request, ended=token is not None)
            if method not in _SAFE:
                await _check_form(request, console, signed_in)
            site = request.path_params.get("site")
            account = None if signed_in is None else signed_in.account
            if not access.may(account, console.group, rule, site):
                _refuse(request, console, signed_in, f"{method} {self.path}")
                raise Trouble(403)
            if signed_in is not None and rule.tap:
                wait_s = console.taps.take(signed_in.account.key)
                if wait_s:
                    raise Trouble(429, wait_s=ceil(wait_s))
                await run_in_threadpool(console.sessions.tapped, signed_in)
            with Acts() as acts:
                response = await page(request)
            if signed_in is not None and _is_deed(request, console, signed_in, rule.tap):
                deed = _deed(request, signed_in, self.path, acts)
                await run_in_threadpool(_keep, console, deed)
            return response

        return guarded


def _check_size(request: Request, console: Console) -> None:
    if request.method in _SAFE:
        return
    told = request.headers.get("content-length", "")
    if not told.isascii() or not told.isdigit():
        raise Trouble(411)
    if int(told) > console.settings.max_body_bytes:
        raise Trouble(413)


async def _check_form(request: Request, console: Console, signed_in: SignedIn | None) -> None:
    expected = request.cookies.get(FORM_COOKIE, "") if signed_in is None else signed_in.csrf
    told: Any = request.headers.get(CSRF_HEADER)
    if told is None:
        told = (await request.form()).get(CSRF_FIELD)
    if (
        not comes_from_us(request, console.settings.url)
        or not isinstance(told, str)
        or not same(told, expected)
    ):
        _refuse(request, console, signed_in, f"{request.method} without its form")
        raise Trouble(400)


def _to_sign_in(request: Request, *, ended: bool) -> Response:
    where = request.url.path if request.method in _SAFE else request.headers.get("referer", "/")
    why = "&why=ended" if ended else ""
    if request.headers.get("HX-Request") == "true":
        shown = request.headers.get("HX-Current-URL", "")
        path = "/" + shown.partition("://")[2].partition("/")[2]
        address = f"/sign-in?next={quote(path, safe='/')}{why}"
        return Response(status_code=401, headers={"HX-Redirect": address})
    if request.method not in _SAFE or request.headers.get("accept") == "text/event-stream":
        raise Trouble(401)
    return RedirectResponse(f"/sign-in?next={quote(where, safe='/')}{why}", 303)


def _refuse(request: Request, console: Console, signed_in: SignedIn | None, what: str) -> None:
    account = None if signed_in is None else signed_in.account
    console.audit.refused(
        Refusal(
            "console",
            what,
            "expected a role and a site of theirs" if account else "expected our own form",
            request.client.host if request.client else None,
            None if account is None else account.site.name,
            holder=None if account is None else account.person.name,
        )
    )


def _is_deed(request: Request, console: Console, signed_in: SignedIn, is_tap: bool) -> bool:
    """Every tap is one. What a page fetches by itself shows a patient too, if it names one: that
    is one deed for each session in a while, not one for each change that it shows."""
    if is_tap:
        return True
    if set(request.path_params) <= {"site"}:
        return False
    return console.sessions.looks_anew(signed_in, request.url.path)


def _deed(request: Request, signed_in: SignedIn, path: str, acts: Acts) -> Deed:
    names = {name: str(value) for name, value in sorted(request.path_params.items())}
    account = signed_in.account
    site = names.get("site", account.site.name)
    about = [f"{name} {value}" for name, value in names.items()]
    if site != account.site.name:
        about.append(f"person of {account.site.name}")  # names are unique within a site only
    about.extend(f"fact {key}" for key in acts.natural_keys)
    return Deed(
        "saw" if request.method in _SAFE else "did",
        path,
        ", ".join(about),
        site,
        account.person.name,
        request.client.host if request.client else None,
        datetime.now(UTC),
    )


def _keep(console: Console, deed: Deed) -> None:
    with console.store.begin() as connection:
        deeds.append(connection, "console", deed)
