"""The subscription door: a record's FHIR server tells us here that something has changed.

``POST /fhir/notify`` without a body means 'ask me now'; with a resource or Bundle, that is what
changed. A server that sends a resource as an update may use ``PUT /fhir/notify/{type}/{id}``
(R4 section 2.46.7.1, channel rest-hook; from memory).
"""

from typing import Any, Final

import structlog
from fastapi import FastAPI, Request
from fastapi.responses import JSONResponse
from starlette.concurrency import run_in_threadpool

from schemas.errors import InvalidInput
from schemas.group import Device, DeviceKind, Group, Site
from schemas.mappings.record_codes import RecordCodes
from services.intake.fhir_client import FhirClient, FhirUnavailable
from services.intake.fhir_desk import FhirDesk, Taken
from services.intake.fhir_json import FhirRefused, Resource, read_resource
from services.intake.fhir_look import BundleLook, ServerLook
from services.intake.fhir_poller import FhirPoller
from services.intake.fhir_reading import READ_TYPES
from services.intake.http_app import (
    TooLarge,
    address_of,
    bounded_body,
    holder_of,
    refuse_token,
)
from services.runtime.audit import Refusal
from services.runtime.audit_writer import AuditWriter
from services.runtime.store import StoreUnavailable

log = structlog.get_logger(__name__)

_RETRY_AFTER_S: Final = "5"
_MEDIA_TYPE: Final = "application/fhir+json"


class FhirHook:
    """What the door needs. Without a server to ask, a resource has to bring what it refers to."""

    def __init__(
        self,
        desk: FhirDesk,
        codes: RecordCodes,
        most_resources: int,
        client: FhirClient | None = None,
        poller: FhirPoller | None = None,
    ) -> None:
        self._desk = desk
        self._codes = codes
        self._most = most_resources
        self._client = client
        self._poller = poller

    def wake(self) -> bool:
        """Poll now; tell whether there is a server to poll."""
        if self._poller is None:
            return False
        self._poller.wake()
        return True

    def take(self, site: Site, device: Device, body: bytes) -> list[Taken]:
        """Take a resource, or those of a Bundle.

        Raises FhirRefused (the body is in triage then), StoreUnavailable or FhirUnavailable.
        """
        try:
            near, told = self._read(body)
        except FhirRefused as refusal:
            self._desk.keep_for_triage(device, body, None, refusal)
            raise
        look = near if self._client is None else ServerLook(self._client, self._codes, near)
        if not told:
            self.wake()  # a notification that only names what changed
        # Patients first: what an order says of its patient is then never the older word.
        told.sort(key=lambda one: READ_TYPES.index(str(one["resourceType"])))
        return [self._desk.take(site, device, one, look) for one in told]

    def _read(self, body: bytes) -> tuple[BundleLook, list[Resource]]:
        resource = read_resource(body)
        if resource["resourceType"] == "Bundle":
            near = BundleLook.of_bundle(resource, self._codes)
        else:
            near = BundleLook([resource], self._codes)
        told = [one for one in near.resources() if one.get("resourceType") in READ_TYPES]
        if len(told) > self._most:
            raise FhirRefused("Bundle.entry", f"{len(told)} resources", f"at most {self._most}")
        return near, told


def add_fhir_hook(
    app: FastAPI, group: Group, hook: FhirHook, max_body_bytes: int, audit: AuditWriter
) -> None:
    """Add the door to the HTTP application.

    200: taken, or heard. 422: one at least could not be used and is in triage; the outcome names
    the FHIR path. 400, 401, 403, 413; 503: nothing of what failed was kept, send it again.
    """

    async def notify(request: Request) -> JSONResponse:
        record = _record_of(group, request, audit)
        if isinstance(record, JSONResponse):
            return record
        try:
            body = await bounded_body(request, max_body_bytes)
        except TooLarge:
            expected = f"at most {max_body_bytes} bytes"
            return _outcome(413, "too-long", "Resource", expected, {"Connection": "close"})
        if not body.strip():
            heard = "asked now" if hook.wake() else "no server is set to be asked"
            return _outcome(200, "informational", "Resource", heard, severity="information")
        try:
            return _answer(await run_in_threadpool(hook.take, *record, body))
        except InvalidInput as error:
            return _outcome(400, "invalid", error.field, str(error))
        except (StoreUnavailable, FhirUnavailable) as error:
            log.error("notification_not_taken", reason=str(error))
            retry = {"Retry-After": _RETRY_AFTER_S}
            return _outcome(503, "transient", "Resource", "send it again", retry)

    app.add_api_route("/fhir/notify", notify, methods=["POST"])
    app.add_api_route("/fhir/notify/{kind}/{number}", notify, methods=["PUT", "POST"])


def _record_of(
    group: Group, request: Request, audit: AuditWriter
) -> tuple[Site, Device] | JSONResponse:
    found = holder_of(group, request)
    if found is None:
        refuse_token(request, audit)
        headers = {"WWW-Authenticate": "Bearer"}
        return _outcome(401, "login", "Authorization", "a record's bearer token", headers)
    site, holder = found
    if not isinstance(holder, Device) or holder.kind is not DeviceKind.RECORD:
        address = address_of(request)
        log.warning("notification_refused", audit=True, address=address, holder=holder.name)
        reason = "token: expected that of a patient record"
        audit.refused(
            Refusal("http", "notification", reason, address, site.name, holder=holder.name)
        )
        return _outcome(403, "forbidden", "Authorization", "the token of a patient record")
    return site, holder


def _answer(taken: list[Taken]) -> JSONResponse:
    issues = [
        _issue("error", "processing", one.refusal.field, f"{one.resource}: {one.refusal}")
        for one in taken
        if one.refusal is not None
    ]
    if issues:
        return _response(422, issues)
    facts = sum(one.facts for one in taken)
    text = f"{len(taken)} resources read, {facts} facts offered"
    return _response(200, [_issue("information", "informational", "Resource", text)])


def _outcome(
    status: int,
    code: str,
    path: str,
    expected: str,
    headers: dict[str, str] | None = None,
    *,
    severity: str = "error",
) -> JSONResponse:
    return _response(status, [_issue(severity, code, path, expected)], headers)


def _issue(severity: str, code: str, path: str, words: str) -> dict[str, Any]:
    return {"severity": severity, "code": code, "diagnostics": words, "expression": [path]}


def _response(
    status: int, issues: list[dict[str, Any]], headers: dict[str, str] | None = None
) -> JSONResponse:
    outcome: Resource = {"resourceType": "OperationOutcome", "issue": issues}
    return JSONResponse(outcome, status_code=status, headers=headers, media_type=_MEDIA_TYPE)
