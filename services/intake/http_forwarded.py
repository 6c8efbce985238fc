"""The door of a site's own node: ``POST /forwarded``, with the token of a device of kind node."""

import structlog
from fastapi import FastAPI, Request
from fastapi.responses import JSONResponse

from schemas.group import Device, DeviceKind, Group
from schemas.messages import MAX_MESSAGE_BYTES
from services.intake.forwarded import ForwardedDesk
from services.intake.http_app import address_of, holder_of, problem, refuse_token, take_body
from services.runtime.audit import Refusal
from services.runtime.audit_writer import AuditWriter

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
        return await take_body(request, _MOST_BYTES, lambda body: desk.take(site, body))
