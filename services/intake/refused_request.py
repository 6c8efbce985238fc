"""What a station asked or told and could not be used, as a triage entry keeps it."""

import json
from base64 import b64encode
from typing import Any, Final

from schemas.errors import InvalidInput
from schemas.group import Device, Site
from services.runtime import triage

ORIGIN: Final = "dicom-request"


def refused_request(
    service: str,
    request: str,
    event: Any,
    attribute: str,
    peer: tuple[Site, Device],
    error: InvalidInput,
    kind: str,
) -> triage.Kept:
    """Make the entry of a refused request, such as an ``N-CREATE``.

    Its body is JSON that holds the data set as it came, in base64: it may be what could not be
    read. ``kind`` is that of the fact that it would have become.
    """
    site, device = peer
    content = getattr(event.request, attribute)
    body = {
        "request": request,
        "site": site.name,
        "station": device.name,
        "sop_instance_uid": _uid_of(event.request),
        "transfer_syntax_uid": str(event.context.transfer_syntax),
        "data_set": "" if content is None else b64encode(content.getvalue()).decode(),
    }
    return triage.Kept(service, ORIGIN, error, json.dumps(body).encode(), kind=kind)


def _uid_of(request: Any) -> str:
    uid = getattr(request, "RequestedSOPInstanceUID", None)
    return str(uid or getattr(request, "AffectedSOPInstanceUID", None) or "")
