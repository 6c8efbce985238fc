"""Who may associate: by called and calling AE title and address, or not at all."""

from typing import Any, NamedTuple

import structlog

from schemas.group import Device, Group, Site
from services.runtime.audit import Refusal
from services.runtime.audit_writer import AuditWriter
from services.runtime.metrics import DICOM_REQUESTS

log = structlog.get_logger(__name__)

_LIMIT = "GOMPHOSIS_INTAKE__MAX_ASSOCIATIONS"


class Rejection(NamedTuple):
    """An A-ASSOCIATE-RJ (PS3.8 section 9.3.4, table 9-21): result, source, reason."""

    result: int
    source: int
    reason: int


# Rejected for good, by the service user.
CALLING_TITLE_UNKNOWN = Rejection(0x01, 0x01, 0x03)
CALLED_TITLE_UNKNOWN = Rejection(0x01, 0x01, 0x07)
# Rejected for now, by the provider: local limit exceeded.
NO_PLACE = Rejection(0x02, 0x03, 0x02)


def judge(
    group: Group, called: str, calling: str, address: str, certificate_sha256: str | None
) -> tuple[Site, Device] | Rejection:
    """Find who calls, or the reason to send back.

    A known title from a foreign address, or with another certificate than its own, is answered
    like an unknown one. Whoever has a certificate must show it, so it cannot come without TLS;
    whoever has none cannot come by TLS, where ``certificate_sha256`` is that of who came.
    """
    peer = group.dicom_peer(called, calling, address)
    if peer is not None and peer[1].certificate_sha256 == certificate_sha256:
        return peer
    if all(site.called_ae_title != called for site in group.sites):
        return CALLED_TITLE_UNKNOWN
    return CALLING_TITLE_UNKNOWN


def why_refused(
    group: Group, called: str, calling: str, address: str, certificate_sha256: str | None
) -> tuple[Site | None, str]:
    """Say why ``judge`` rejects, for the audit alone: the caller is not told that much."""
    sites = [site for site in group.sites if site.called_ae_title == called]
    if not sites:
        return None, "called AE title: expected that of a site"
    for site in sites:
        for device in site.devices:
            if device.ae_title != calling:
                continue
            if not device.is_at(address):
                return site, f"address: expected one of {device.name}"
            if device.certificate_sha256 is None:
                return site, f"TLS: expected {device.name} without, it has no certificate listed"
            if certificate_sha256 is None:
                return site, f"TLS: expected {device.name} with its certificate"
            return site, f"certificate: expected that of {device.name}"
    return sites[0], f"calling AE title: expected that of a device of {sites[0].name}"


def check_peer(event: Any, group: Group, audit: AuditWriter) -> None:
    """Answer an association request by name, address and certificate (handler of EVT_REQUESTED)."""
    association = event.assoc
    request = association.requestor.primitive
    called, calling = str(request.called_ae_title).strip(), str(request.calling_ae_title).strip()
    address = str(association.requestor.address)
    certificate = association.gomphosis_certificate
    verdict = judge(group, called, calling, address, certificate)
    if not isinstance(verdict, Rejection):
        association.gomphosis_has_place = association._server.places.enter()
        if not association.gomphosis_has_place:
            verdict = NO_PLACE
    if isinstance(verdict, Rejection):
        full = verdict == NO_PLACE
        log.warning(
            "association_rejected",
            audit=True,
            called_ae_title=called,
            calling_ae_title=calling,
            address=address,
            certificate_sha256=certificate,
            reason=f"all places taken (setting {_LIMIT})" if full else verdict.reason,
        )
        DICOM_REQUESTS.labels("A-ASSOCIATE", "full" if full else "rejected").inc()
        told = (called, calling, address, certificate)
        site, reason = (None, f"all places taken ({_LIMIT})") if full else why_refused(group, *told)
        audit.refused(
            Refusal(
                "dicom" if certificate is None else "dicom-tls",
                "association",
                reason,
                address,
                site=None if site is None else site.name,
                called=called,
                calling=calling,
                certificate_sha256=certificate,
            )
        )
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
