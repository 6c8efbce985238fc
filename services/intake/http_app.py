"""The HTTP door: ``POST /facts`` for devices, records and people with a token."""

import re
from collections.abc import Callable
from typing import Any

import structlog
from fastapi import FastAPI, Request
from fastapi.responses import JSONResponse
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect

from schemas.group import Group, Site
from services.intake.consoles import acting_holder
from services.intake.http_offers import Answered, OfferDesk
from services.intake.permissions import Holder, NotPermitted
from services.intake.reauthentication import HEADER, shown_in
from services.runtime.audit import Refusal
from services.runtime.audit_writer import AuditWriter
from services.runtime.store import StoreUnavailable

log = structlog.get_logger(__name__)

_RETRY_AFTER_S = "2"
_LENGTH = re.compile(r"^[0-9]{1,20}\Z", re.ASCII)


class TooLarge(Exception):  # noqa: N818 - never leaves the HTTP door
    """A body is larger than the settings allow."""


def build_app(group: Group, desk: OfferDesk, max_body_bytes: int, audit: AuditWriter) -> FastAPI:
    """Make the application; see ``OfferDesk.take`` for its statuses."""
    app = FastAPI(title="gomphosis intake", docs_url=None, redoc_url=None, openapi_url=None)

    @app.exception_handler(ClientDisconnect)
    async def gone(_request: Request, _error: ClientDisconnect) -> JSONResponse:
        # Nothing of the body was kept, and nobody hears this: the sender sends it again.
        log.info("sender_gone_in_mid_body")
        return problem(400, "body", "all of it")

    @app.post("/facts")
    async def facts(request: Request) -> JSONResponse:
        found = holder_of(group, request)
        if found is None:
            refuse_token(request, audit)
            return problem(
                401,
                "Authorization",
                "a bearer token of a device or person of this group",
                {"WWW-Authenticate": "Bearer"},
            )
        try:
            found = acting_holder(group, *found, request.headers)
        except NotPermitted as error:
            refuse_acting(*found, error, request, audit)
            return problem(403, error.field, error.expected)
        shown, address = shown_in(request.headers.get(HEADER)), address_of(request)
        site, holder = found
        return await take_body(
            request,
            max_body_bytes,
            lambda body: desk.take(site, holder, body, address, shown),
        )

    return app


async def take_body(
    request: Request, max_body_bytes: int, take: Callable[[bytes], Answered]
) -> JSONResponse:
    """Read a body and have a desk take it. 413: too large; 503: nothing was kept; else as the desk
    answers."""
    try:
        body = await bounded_body(request, max_body_bytes)
    except TooLarge:
        # The rest is not read; the connection cannot carry another request.
        return problem(413, "body", f"at most {max_body_bytes} bytes", {"Connection": "close"})
    try:
        answered = await run_in_threadpool(take, body)
    except StoreUnavailable as error:
        log.error("facts_not_taken", path=request.url.path, reason=str(error))
        return problem(
            503,
            "store",
            "a store that can be written; nothing of this body was kept, send it again",
            {"Retry-After": _RETRY_AFTER_S},
        )
    return JSONResponse(answered.answers, status_code=answered.status)


def holder_of(group: Group, request: Request) -> tuple[Site, Holder] | None:
    """Find whose bearer token a request carries."""
    scheme, _, token = request.headers.get("authorization", "").partition(" ")
    if scheme.lower() != "bearer" or not token.strip():
        return None
    return group.token_holder(token.strip())


def address_of(request: Request) -> str | None:
    """Tell where a request comes from."""
    return request.client.host if request.client else None


def refuse_token(request: Request, audit: AuditWriter) -> None:
    """Note that a request was refused for its token; the token itself goes nowhere."""
    address = address_of(request)
    log.warning("token_refused", audit=True, address=address)
    shown = "authorization" in request.headers
    reason = "token: expected one of this group" if shown else "token: expected one, found none"
    audit.refused(Refusal("http", "request", reason, address))


def refuse_acting(
    site: Site, holder: Holder, error: NotPermitted, request: Request, audit: AuditWriter
) -> None:
    """Note that somebody would speak for a person whom they may not speak for."""
    reason = f"{error.field}: expected {error.expected}"
    log.warning("acting_refused", audit=True, site=site.name, holder=holder.name)
    audit.refused(
        Refusal("http", "request", reason, address_of(request), site.name, holder=holder.name)
    )


async def bounded_body(request: Request, max_body_bytes: int) -> bytes:
    """Read a body of at most so many bytes (TooLarge)."""
    told = request.headers.get("content-length", "")
    if _LENGTH.match(told) and int(told) > max_body_bytes:
        raise TooLarge
    body = bytearray()
    async for piece in request.stream():
        body += piece
        if len(body) > max_body_bytes:
            raise TooLarge
    return bytes(body)


def problem(
    status: int, field: str, expected: str, headers: dict[str, str] | None = None
) -> JSONResponse:
    """Answer that a request as a whole cannot be taken, with what was expected."""
    content: dict[str, Any] = {"outcome": "rejected", "field": field, "expected": expected}
    return JSONResponse(content, status_code=status, headers=headers)
