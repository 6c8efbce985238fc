"""The door of a site's own node: ``POST /forwarded``, with the token of a device of kind node."""

import structlog
from fastapi import FastAPI, Request
from fastapi.responses import JSONResponse
from starlette.concurrency import run_in_threadpool

from schemas.group import Device, DeviceKind, Group
from schemas.messages import MAX_MESSAGE_BYTES
from services.intake.forwarded import ForwardedDesk
from services.intake.http_app import (
    RETRY_AFTER_S,
    TooLarge,
    address_of,
    bounded_body,
    holder_of,
    problem,
    refuse_token,
)
from services.runtime.audit import Refusal
from services.runtime.audit_writer import AuditWriter
from services.runtime.store import StoreUnavailable

log = structlog.get_logger(__name__)

_MOST_BYTES = MAX_MESSAGE_BYTES + 2
"""One message of the largest size, and the brackets of its list."""


def add_forwarded_door(app: FastAPI, group: Group, desk: ForwardedDesk, audit: AuditWriter) -> None:
    """Add the door; see ``ForwardedDesk.take`` for its statuses. 401, 403, 413; 503: nothing was
    kept, send it again."""

    @app.post("/forwarded")
    async def forwarded(request: Request) -> JSONResponse:
        found = holder_of(group, request)
        if found is None:
            refuse_token(request, audit)
            headers = {"WWW-Authenticate": "Bearer"}
            return problem(401, "Authorization", "a bearer token of a site's node", headers)
        site, holder = found
        if not isinstance(holder, Device) or holder.kind is not DeviceKind.NODE:
            expected = "that of a site's own node"
            log.warning("forwarding_refused", audit=True, site=site.name, holder=holder.name)
            reason, address = f"token: expected {expected}", address_of(request)
            refusal = Refusal("http", "request", reason, address, site.name, holder=holder.name)
            audit.refused(refusal)
            return problem(403, "token", expected)
        try:
            body = await bounded_body(request, _MOST_BYTES)
        except TooLarge:
            return problem(413, "body", f"at most {_MOST_BYTES} bytes", {"Connection": "close"})
        try:
            answered = await run_in_threadpool(desk.take, site, body)
        except StoreUnavailable as error:
            log.error("forwarded_not_taken", reason=str(error))
            expected = "a store that can be written; nothing of this body was kept, send it again"
            return problem(503, "store", expected, {"Retry-After": RETRY_AFTER_S})
        return JSONResponse(answered.answers, status_code=answered.status)
