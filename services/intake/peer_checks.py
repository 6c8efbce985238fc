"""Whether each device that listens for our reports can be reached, and how long its TLS is good."""

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from functools import partial
from typing import Any, Final

from cryptography import x509

from schemas.group import Device, Group, Site
from services.intake.dicom_outgoing import PeerUnreachable, associated
from services.intake.dicom_outgoing_tls import PeerTls
from services.runtime.certificates import Certificate
from services.runtime.checks import Verdict
from services.runtime.settings import IntakeSettings

_VERIFICATION: Final = "1.2.840.10008.1.1"
_AT_ONCE: Final = 16
_RENEW: Final = "have it renewed there, and list its new certificate_sha256 where one is listed"


def check_peers(settings: IntakeSettings, group: Group) -> Iterator[Verdict]:
    """Verify with each of them, many at once; in the order of the group."""
    tls = PeerTls(settings.tls_certificate, settings.tls_key, settings.tls_ca)
    peers = [
        (site, device)
        for site in group.sites
        for device in site.devices
        if device.listens_at is not None and device.ae_title is not None
    ]
    if peers:
        with ThreadPoolExecutor(max_workers=_AT_ONCE) as pool:
            yield from pool.map(partial(_check, tls), peers)


def _check(tls: PeerTls, peer: tuple[Site, Device]) -> Verdict:
    site, device = peer
    name = f"{device.name} of {site.name}"
    try:
        with associated(site, device, [_VERIFICATION], tls) as association:
            until = _until(association)
            answer = association.send_c_echo()
    except PeerUnreachable as error:
        return Verdict(name, False, str(error))
    status = getattr(answer, "Status", None)
    if status != 0:
        words = f"answers C-ECHO with status {status}: expected 0000; look at its log"
        return Verdict(name, False, words)
    if until is None:
        return Verdict(name, True, "verified (C-ECHO), without TLS")
    now, certificate = datetime.now(UTC), Certificate(name, until)
    words = f"verified (C-ECHO); its certificate is {certificate.words(now, _RENEW)}"
    return Verdict(name, certificate.is_good(now), words)


def _until(association: Any) -> datetime | None:
    """Tell until when the certificate is good that the peer has shown; None without TLS."""
    connection = association.dul.socket.socket
    shown = getattr(connection, "getpeercert", lambda **_: None)(binary_form=True)
    return None if shown is None else x509.load_der_x509_certificate(shown).not_valid_after_utc
