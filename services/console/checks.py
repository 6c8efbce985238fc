"""What the console adds to ``gomphosis check``: its token, its TLS, intake's door, the provider."""

import hashlib
import socket
import ssl
from collections.abc import Iterable
from datetime import UTC, datetime
from typing import Final
from urllib.parse import urlsplit

import httpx
from cryptography import x509

from schemas.group import DeviceKind, Group
from services.console.oidc import Provider, ProviderError
from services.runtime.certificates import Certificate
from services.runtime.checks import Verdict
from services.runtime.settings import ConsoleSettings, Settings

_WAIT_S: Final = 5.0
_HERE: Final = frozenset({"127.0.0.1", "::1", "localhost"})


def check_console(settings: Settings, group: Group) -> Iterable[Verdict]:
    """Give a verdict on each. Raises nothing: what cannot be asked is a verdict."""
    console = settings.console
    yield _token(console, group)
    yield _tls(console)
    yield _intake(console)
    if console.oidc.issuer:
        yield _provider(console)


def check_used_console(settings: Settings, group: Group) -> Iterable[Verdict]:
    """Give the same for ``gomphosis check``, where a console may not be wanted at all."""
    if settings.console.token.get_secret_value():
        return check_console(settings, group)
    words = "not asked: nobody acts on its pages until GOMPHOSIS_CONSOLE__TOKEN is set"
    return [Verdict("console", True, words)]


def _token(console: ConsoleSettings, group: Group) -> Verdict:
    name, token = "console token", console.token.get_secret_value()
    if not token:
        words = (
            "none is set, so pages are shown and nothing can be done: set GOMPHOSIS_CONSOLE__TOKEN"
        )
        return Verdict(name, False, words)
    found = group.token_holder(token)
    if found is None:
        digest = hashlib.sha256(token.encode()).hexdigest()
        words = (
            f"no device of group.yaml has its hash: put token_sha256: {digest} at the device of "
            "kind console"
        )
        return Verdict(name, False, words)
    site, holder = found
    kind = getattr(holder, "kind", None)
    if kind is not DeviceKind.CONSOLE:
        words = f"it is that of {holder.name} of {site.name}: expected a device of kind console"
        return Verdict(name, False, words)
    if len(group.sites) > 1 and getattr(holder, "speaks_for", "site") != "group":
        words = (
            f"{holder.name} speaks for the people of {site.name} only: for all sites add "
            "'speaks_for: group'"
        )
        return Verdict(name, False, words)
    return Verdict(name, True, f"that of {holder.name} of {site.name}")


def _tls(console: ConsoleSettings) -> Verdict:
    name, parts = "console TLS", urlsplit(console.url)
    if parts.scheme != "https":
        if (parts.hostname or "") in _HERE and console.host in _HERE:
            return Verdict(name, True, f"{console.url}: this machine only, without TLS")
        words = (
            f"passwords go in the clear to {console.url}: put a proxy with TLS before it and set "
            "GOMPHOSIS_CONSOLE__PUBLIC_URL and __TRUSTED_PROXIES"
        )
        return Verdict(name, False, words)
    if not console.trusted_proxies:
        words = (
            "no proxy is named in GOMPHOSIS_CONSOLE__TRUSTED_PROXIES: everybody seems to come "
            "from one address, and shares its tries"
        )
        return Verdict(name, False, words)
    try:
        until = _until(parts.hostname or "", parts.port or 443)
    except (OSError, ValueError) as error:
        words = f"{console.url} cannot be reached by TLS from here ({error}): look at the proxy"
        return Verdict(name, False, words)
    now, certificate = datetime.now(UTC), Certificate("public_url", until)
    return Verdict(name, certificate.is_good(now), f"{console.url}: {certificate.words(now)}")


def _until(host: str, port: int) -> datetime:
    """Tell until when the certificate of an address is good, whoever signed it."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.check_hostname = False
    context.verify_mode = ssl.CERT_NONE  # nothing is sent; browsers judge who signed it
    with (
        socket.create_connection((host, port), timeout=_WAIT_S) as plain,
        context.wrap_socket(plain, server_hostname=host) as secured,
    ):
        shown = secured.getpeercert(binary_form=True)
    if shown is None:
        raise ValueError("expected a certificate")
    return x509.load_der_x509_certificate(shown).not_valid_after_utc


def _provider(console: ConsoleSettings) -> Verdict:
    name, issuer = "identity provider", console.oidc.issuer
    try:
        provider = Provider(console.oidc, f"{console.url}/oidc/callback")
    except OSError as error:
        words = f"GOMPHOSIS_CONSOLE__OIDC__CA_FILE: expected PEM certificates ({error})"
        return Verdict(name, False, words)
    try:
        provider.check()
    except ProviderError as error:
        return Verdict(name, False, f"{error}: people sign in by password meanwhile")
    finally:
        provider.close()
    return Verdict(name, True, f"{issuer} answers and shows its keys")


def _intake(console: ConsoleSettings) -> Verdict:
    name = "intake's door"
    try:
        # A way that intake does not have: it answers, and nothing is told.
        httpx.get(f"{console.intake_url}/facts", timeout=_WAIT_S, trust_env=False)
    except (httpx.HTTPError, httpx.InvalidURL) as error:
        words = (
            f"{console.intake_url} does not answer ({error}): start intake, or set "
            "GOMPHOSIS_CONSOLE__INTAKE_URL"
        )
        return Verdict(name, False, words)
    return Verdict(name, True, f"{console.intake_url} answers")
