"""Who may associate: by called and calling AE title and address, or not at all."""

from typing import Any, NamedTuple

import structlog

from schemas.group import Device, Group, Site
from services.runtime.metrics import DICOM_REQUESTS

log = structlog.get_logger(__name__)


class Rejection(NamedTuple):
    """An A-ASSOCIATE-RJ (PS3.8 section 9.3.4, table 9-21): result, source, reason."""

    result: int
    source: int
    reason: int


# Rejected for good, by the service user.
CALLING_TITLE_UNKNOWN = Rejection(0x01, 0x01, 0x03)
CALLED_TITLE_UNKNOWN = Rejection(0x01, 0x01, 0x07)


def judge(group: Group, called: str, calling: str, address: str) -> tuple[Site, Device] | Rejection:
    """Find who calls, or the reason to send back.

    A known title from a foreign address is answered like an unknown one.
    """
    peer = group.dicom_peer(called, calling, address)
    if peer is not None:
        return peer
    if all(site.called_ae_title != called for site in group.sites):
        return CALLED_TITLE_UNKNOWN
    return CALLING_TITLE_UNKNOWN


def check_peer(event: Any, group: Group) -> None:
    """Answer an association request by name and address (handler of EVT_REQUESTED)."""
    association = event.assoc
    request = association.requestor.primitive
    called, calling = str(request.called_ae_title).strip(), str(request.calling_ae_title).strip()
    address = str(association.requestor.address)
    verdict = judge(group, called, calling, address)
    if isinstance(verdict, Rejection):
        log.warning(
            "association_rejected",
            audit=True,
            called_ae_title=called,
            calling_ae_title=calling,
            address=address,
            reason=verdict.reason,
        )
        DICOM_REQUESTS.labels("A-ASSOCIATE", "rejected").inc()
        association.acse.send_reject(*verdict)
        association.kill()
        return
    association.gomphosis_peer = verdict
    log.info(
        "association_requested",
        audit=True,
        site=verdict[0].name,
        device=verdict[1].name,
        address=address,
    )


def peer_of(event: Any) -> tuple[Site, Device]:
    """Tell who the peer of an accepted association is."""
    peer: tuple[Site, Device] = event.assoc.gomphosis_peer
    return peer
