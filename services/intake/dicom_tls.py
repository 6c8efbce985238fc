"""DICOM over TLS with client certificates. TLS 1.2 or later (PS3.15 annex B; from memory)."""

import hashlib
import select
import socket
import ssl
import time
from pathlib import Path

from schemas.errors import GomphosisError


class TlsSettingsError(GomphosisError):
    """The settings of TLS do not fit together, or a file of them cannot be used."""


def tls_context(certificate: Path | None, key: Path | None, ca: Path | None) -> ssl.SSLContext:
    """Make the server's side: TLS 1.2 or later, and no client without a certificate of the CA's.

    Raises TlsSettingsError where a file is missing or unusable.
    """
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.verify_mode = ssl.CERT_REQUIRED
    load_files(context, certificate, key, ca, "GOMPHOSIS_INTAKE__TLS_PORT is set")
    return context


def load_files(
    context: ssl.SSLContext, certificate: Path | None, key: Path | None, ca: Path | None, why: str
) -> None:
    """Give a context our certificate and the CA of the peers, and TLS 1.2 or later.

    ``why`` says what they are wanted for. Raises TlsSettingsError.
    """
    files = {"TLS_CERTIFICATE": certificate, "TLS_KEY": key, "TLS_CA": ca}
    for name, file in files.items():
        if file is None or not file.is_file():
            raise TlsSettingsError(
                f"setting GOMPHOSIS_INTAKE__{name}: expected a PEM file, since {why}; "
                f"found {file or 'none'}"
            )
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    try:
        context.load_cert_chain(str(certificate), None if key is None else str(key))
        context.load_verify_locations(str(ca))
    except (ssl.SSLError, OSError) as error:
        raise TlsSettingsError(
            "settings GOMPHOSIS_INTAKE__TLS_CERTIFICATE, _KEY, _CA: expected PEM files of a "
            f"certificate, its key without password and the CA of the peers ({error})"
        ) from error


def handshake(context: ssl.SSLContext, peer: socket.socket, timeout_s: float) -> ssl.SSLSocket:
    """Shake hands within a time, however slowly the peer drips. Raises OSError."""
    deadline = time.monotonic() + timeout_s
    secured = context.wrap_socket(peer, server_side=True, do_handshake_on_connect=False)
    try:
        secured.setblocking(False)
        while True:
            try:
                secured.do_handshake()
            except ssl.SSLWantReadError:
                _wait(secured, select.POLLIN, deadline)
            except ssl.SSLWantWriteError:
                _wait(secured, select.POLLOUT, deadline)
            else:
                return secured
    except OSError:
        secured.close()
        raise


def is_wrong_handshake(error: OSError) -> bool:
    """Tell a handshake that failed for what the peer showed, or did not, from one broken off."""
    broken_off = (ssl.SSLEOFError, ssl.SSLZeroReturnError, ssl.SSLSyscallError)
    return isinstance(error, ssl.SSLError) and not isinstance(error, broken_off)


def presented_certificate_sha256(peer: socket.socket) -> str | None:
    """Hash the certificate that the peer has shown (DER), or None where it speaks no TLS."""
    if not isinstance(peer, ssl.SSLSocket):
        return None
    certificate = peer.getpeercert(binary_form=True)
    return None if certificate is None else hashlib.sha256(certificate).hexdigest()


def _wait(secured: ssl.SSLSocket, event: int, deadline: float) -> None:
    left_s = deadline - time.monotonic()
    poll = select.poll()
    poll.register(secured, event)
    if left_s <= 0 or not poll.poll(left_s * 1000):
        raise TimeoutError("expected the handshake to be over by now")
