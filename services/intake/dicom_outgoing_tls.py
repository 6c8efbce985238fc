"""TLS on associations that we ask for: our certificate, their CA, and the right peer behind it.

PS3.15 annex B (from memory) has both sides show certificates and leaves to the site whom to trust.
Any certificate of the CA would let one station listen in another's place. So the peer must show
the certificate that the group lists for the device, or, where it lists none, one that names the
host that we call.
"""

import ssl
from pathlib import Path

from schemas.group import Device, Group
from services.intake.dicom_tls import load_files, presented_certificate_sha256
from services.runtime.settings import IntakeSettings


class PeerContext(ssl.SSLContext):
    """The client's side for one device. ``failure`` says why the handshake failed, if it did."""

    wanted_sha256: str | None = None
    failure: str | None = None


class _PeerSocket(ssl.SSLSocket):
    """Compares the certificate as a part of the handshake, before a byte of DICOM is sent."""

    context: PeerContext

    def do_handshake(self, block: bool = False) -> None:
        try:
            super().do_handshake(block)
            wanted = self.context.wanted_sha256
            if wanted is not None and presented_certificate_sha256(self) != wanted:
                raise ssl.SSLCertVerificationError("expected the certificate_sha256 of the device")
        except OSError as error:
            self.context.failure = f"TLS handshake: {error}"
            raise


class PeerTls:
    """Makes contexts of the settings' files, which are read anew each time: they get renewed."""

    def __init__(self, certificate: Path | None, key: Path | None, ca: Path | None) -> None:
        self._files = (certificate, key, ca)

    def context(self, device: Device) -> PeerContext:
        """Make the context to call a device with. Raises TlsSettingsError."""
        context = PeerContext(ssl.PROTOCOL_TLS_CLIENT)
        context.sslsocket_class = _PeerSocket
        context.wanted_sha256 = device.certificate_sha256
        context.check_hostname = device.certificate_sha256 is None
        load_files(context, *self._files, f"{device.name} listens with TLS (group.yaml)")
        return context


def peer_tls(settings: IntakeSettings, group: Group) -> PeerTls:
    """Take the files of the settings, once every device that listens with TLS can be called.

    Raises TlsSettingsError.
    """
    made = PeerTls(settings.tls_certificate, settings.tls_key, settings.tls_ca)
    for site in group.sites:
        for device in site.devices:
            if device.listens_at is not None and device.listens_at.tls:
                made.context(device)
    return made
