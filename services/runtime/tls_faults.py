"""What is wrong with a TLS connection and never mends by waiting, in plain words.

Which certificate errors and alerts there are: OpenSSL's ``x509_vfy.h`` and RFC 8446 section 6.2
(numbers and names from memory; each is made to happen in the tests). What is not named here, such
as a connection cut in the middle, is an outage.
"""

import socket
import ssl
from dataclasses import dataclass
from typing import Final

_LOOK_S: Final = 1.0

_CA: Final = "have the record's certificate renewed, or put the authority that signed it in ca_file"
_OURS: Final = (
    "look at certificate_file and key_file, and have the record trust the authority that signed "
    "them"
)

_VERIFY: Final[dict[int, tuple[str, str]]] = {
    9: (
        "the record's certificate is not valid yet",
        "look at this machine's clock, and have the certificate replaced",
    ),
    10: ("the record's certificate has expired", "have the record's certificate renewed"),
    18: ("the record's certificate is signed by itself", _CA),
    19: ("the record's certificate is of an authority that we do not trust", _CA),
    20: ("the record's certificate is of an authority that we do not trust", _CA),
    21: ("the record's certificate is of an authority that we do not trust", _CA),
    23: ("the record's certificate was revoked", "have the record's certificate replaced"),
    62: (
        "the record's certificate is for another host name",
        "use the name in the certificate as the address, or have the certificate replaced",
    ),
    64: (
        "the record's certificate is for another address",
        "use the name in the certificate as the address, or have the certificate replaced",
    ),
}

_ALERTS: Final[dict[str, tuple[str, str]]] = {
    "CERTIFICATE_REQUIRED": ("the record asks for a certificate of ours and got none", _OURS),
    "CERTIFICATE_EXPIRED": ("the record says that our certificate has expired", _OURS),
    "CERTIFICATE_REVOKED": ("the record says that our certificate was revoked", _OURS),
    "CERTIFICATE_UNKNOWN": ("the record refuses our certificate", _OURS),
    "UNSUPPORTED_CERTIFICATE": ("the record refuses the kind of our certificate", _OURS),
    "BAD_CERTIFICATE": ("the record refuses our certificate", _OURS),
    "UNKNOWN_CA": ("the record does not trust the authority of our certificate", _OURS),
    "ACCESS_DENIED": ("the record refuses us by our certificate", _OURS),
    "DECRYPT_ERROR": ("the record could not check our certificate", _OURS),
    "UNRECOGNIZED_NAME": (
        "the record does not know the host name that we call it by",
        "use the record's own host name as the address",
    ),
    "HANDSHAKE_FAILURE": (
        "the record found nothing to agree on with us by TLS",
        "set certificate_file and key_file if it asks for our certificate; else have it speak "
        "TLS 1.2 or later with ciphers of today",
    ),
    "INSUFFICIENT_SECURITY": (
        "the record wants stronger ciphers than we have",
        "have its list of ciphers looked at",
    ),
    "PROTOCOL_VERSION": (
        "the record speaks another version of TLS",
        "have it speak TLS 1.2 or later",
    ),
}

_REASONS: Final[dict[str, tuple[str, str]]] = {
    "UNSUPPORTED_PROTOCOL": _ALERTS["PROTOCOL_VERSION"],
    "WRONG_VERSION_NUMBER": (
        "what answers at the record's address does not speak TLS",
        "look at its host and port, and whether TLS is set up there",
    ),
}


@dataclass(frozen=True, slots=True)
class PeerFault:
    """A fault for a person, of TLS or of credentials. ``name`` stays while the fault does."""

    name: str
    words: str
    next_action: str


def tls_fault(error: BaseException | None) -> PeerFault | None:
    """Find the fault that an error rests on, if one is among its causes."""
    seen: set[int] = set()
    while error is not None and id(error) not in seen:
        seen.add(id(error))
        if isinstance(error, ssl.SSLError) and (found := _fault_of(error)) is not None:
            return found
        error = error.__cause__ or error.__context__
    return None


def unreadable_files(error: OSError) -> PeerFault:
    """Tell that our own PEM files cannot be used, as they are now."""
    return PeerFault(
        "files",
        f"our own TLS files cannot be used: expected PEM files that can be read ({error})",
        "look at ca_file, certificate_file and key_file",
    )


def look_for_fault(
    host: str, port: int, context: ssl.SSLContext, timeout_s: float
) -> PeerFault | None:
    """Connect once more and see why a connection broke: the alert may have been lost with it.

    A server of TLS 1.3 refuses a client's certificate after the handshake, and then hangs up;
    whoever was sending meanwhile sees only that.
    """
    try:
        with (
            socket.create_connection((host, port), timeout_s) as plain,
            context.wrap_socket(plain, server_hostname=host) as secured,
        ):
            secured.settimeout(_LOOK_S)
            secured.recv(1)
    except OSError as error:
        return tls_fault(error)
    return None


def _fault_of(error: ssl.SSLError) -> PeerFault | None:
    if isinstance(error, ssl.SSLCertVerificationError):
        code = error.verify_code
        told = f"the record's certificate cannot be trusted ({error.verify_message})"
        words, next_action = _VERIFY.get(code, (told, _CA))
        return PeerFault(f"certificate-{code}", words, next_action)
    reason = error.reason or ""
    if reason in _REASONS:
        return PeerFault(reason.lower(), *_REASONS[reason])
    _, is_alert, alert = reason.partition("ALERT_")
    if is_alert and alert in _ALERTS:
        return PeerFault(f"alert-{alert.lower()}", *_ALERTS[alert])
    return None
