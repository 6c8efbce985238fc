"""How we speak to a FHIR server over HTTP: bounded, with a token, never led to another host.

What an answer means is for the caller. What keeps one from us is told as FhirTrouble, which each
caller puts into its own words.
"""

import ssl
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from pathlib import Path
from threading import Lock
from typing import Final

import httpx

from schemas.errors import GomphosisError, InvalidInput
from schemas.messages import load_json
from services.runtime.tls_faults import PeerFault, look_for_fault, tls_fault, unreadable_files

FHIR_JSON: Final = "application/fhir+json"
AGAIN: Final = frozenset({408, 425, 429})
"""Statuses below 500 that are worth another try (RFC 9110, 8470 and 6585; from memory)."""

NO_TOKEN: Final = PeerFault(
    "credentials",
    "the record does not let us in",
    "check the token, or the client's id, its secret and the scope",
)

_BROKEN: Final = (httpx.ReadError, httpx.WriteError, httpx.RemoteProtocolError)
"""A connection that stood and broke: perhaps for a certificate that was refused after it did."""
_LONGEST_RETRY_AFTER_S: Final = 3_600.0
"""A server that asks for more is asked again after this; invented."""


class FhirTrouble(GomphosisError):  # noqa: N818 - a state, not a fault of the caller
    """There is no answer that can be used. ``retry_after_s``: the wait that we are asked for.

    ``lasting`` says that waiting alone will not mend it; ``barred`` that for TLS or credentials
    nothing at all can pass.
    """

    def __init__(
        self,
        reason: str,
        retry_after_s: float | None = None,
        *,
        lasting: bool = False,
        barred: PeerFault | None = None,
    ) -> None:
        super().__init__(reason)
        self.retry_after_s = retry_after_s
        self.lasting = lasting or barred is not None
        self.barred = barred


class AnswerTooLarge(FhirTrouble):
    """An answer has more bytes than we read."""


class CaFileUnusable(GomphosisError):  # noqa: N818 - read as a sentence
    """A PEM file of ours cannot be used; says what was expected of which option."""

    def __init__(self, option: str, file: Path, error: OSError) -> None:
        super().__init__(f"a PEM file that can be read ({error})")
        self.option, self.file, self.error = option, file, error


@dataclass(frozen=True, slots=True, kw_only=True)
class FhirAccess:
    """Where a server is and how we are let in.

    Either ``token``, or the client credentials of OAuth 2.0 (``token_url`` and what follows), or
    neither; ``certificate_file`` and ``key_file`` where the server asks for a certificate of ours.
    ``timeout_s`` is for a whole answer of at most ``most_bytes``. Without ``keep_alive`` no
    connection is used twice.
    """

    base_url: str
    timeout_s: float
    most_bytes: int
    keep_alive: bool = True
    ca_file: Path | None = None
    certificate_file: Path | None = None
    key_file: Path | None = None
    token: str = field(default="", repr=False)
    token_url: str = ""
    client_id: str = ""
    client_secret: str = field(default="", repr=False)
    scope: str = ""


@dataclass(frozen=True, slots=True)
class FhirAnswer:
    """An answer as it came, whatever its status."""

    status: int
    headers: httpx.Headers
    body: bytes

    @property
    def retry_after_s(self) -> float | None:
        return retry_after_s(self.headers)


class FhirHttp:
    """Asks one server. Safe to use from several threads. Raises CaFileUnusable."""

    def __init__(self, access: FhirAccess) -> None:
        self.base = httpx.URL(access.base_url.rstrip("/") + "/")
        self._access = access
        self._context = _context(access)
        self._http = _client(access, self._context)
        self._files_changed = False
        self._lock = Lock()
        self._token = ""
        self._token_until = 0.0

    def close(self) -> None:
        self._http.close()

    def within(self, target: str) -> httpx.URL:
        """Resolve an address; only the server's own may be asked, with our token (FhirTrouble)."""
        expected = f"expected an address within {self.base}, got {target[:200]!r}"
        try:
            url = self.base.join(target)
        except httpx.InvalidURL as error:
            raise FhirTrouble(expected, lasting=True) from error
        base = self.base
        same_host = (url.scheme, url.host, url.port) == (base.scheme, base.host, base.port)
        if not same_host or not f"{url.path}/".startswith(base.path):
            raise FhirTrouble(expected, lasting=True)
        return url

    def ask(
        self,
        method: str,
        url: httpx.URL,
        headers: Mapping[str, str],
        content: bytes | None = None,
    ) -> FhirAnswer:
        """Send one request to an address of ``within``; give the answer (FhirTrouble)."""
        self._read_files_again()
        answer = self._ask_once(method, url, headers, content)
        if answer.status == 401 and self._access.token_url:
            # A token of client credentials may have been withdrawn: once more with a new one.
            self._token_until = 0.0
            answer = self._ask_once(method, url, headers, content)
        return answer

    def _ask_once(
        self, method: str, url: httpx.URL, headers: Mapping[str, str], content: bytes | None
    ) -> FhirAnswer:
        token = self._bearer()
        bearer = {"Authorization": f"Bearer {token}"} if token else {}
        return self._bounded(
            self._http.build_request(method, url, content=content, headers={**headers, **bearer})
        )

    def _bounded(self, request: httpx.Request) -> FhirAnswer:
        most = self._access.most_bytes
        # The client's own time-out runs anew with every byte; a dripping answer must end too.
        deadline = time.monotonic() + self._access.timeout_s
        body = bytearray()
        try:
            response = self._http.send(request, stream=True)
            try:
                for piece in response.iter_bytes():
                    body += piece
                    if len(body) > most:
                        raise AnswerTooLarge(f"its answer is larger than {most} bytes")
                    if time.monotonic() > deadline:
                        raise FhirTrouble("its answer took too long")
            finally:
                response.close()
        except httpx.HTTPError as error:
            if (fault := self._fault(error, request.url)) is not None:
                where = f"at {request.url.host}:{request.url.port or 443}"
                raise FhirTrouble(f"{where}: {fault.words}", barred=fault) from error
            raise FhirTrouble(f"not reached ({type(error).__name__}: {error})") from error
        return FhirAnswer(response.status_code, response.headers, bytes(body))

    def _fault(self, error: httpx.HTTPError, url: httpx.URL) -> PeerFault | None:
        fault = tls_fault(error)
        if fault is None and url.scheme == "https" and isinstance(error, _BROKEN):
            fault = look_for_fault(url.host, url.port or 443, self._context, self._access.timeout_s)
        self._files_changed = self._files_changed or fault is not None
        return fault

    def _read_files_again(self) -> None:
        """After a fault of TLS, take up the files as they are now: they may have been mended."""
        if not self._files_changed:
            return
        try:
            context = _context(self._access)
        except CaFileUnusable as error:
            fault = unreadable_files(error.error)
            raise FhirTrouble(fault.words, barred=fault) from error
        # The old client is not closed, for another thread may be using it.
        self._context, self._http = context, _client(self._access, context)
        self._files_changed = False

    def _bearer(self) -> str:
        """Give the token: the one that we were given, or one by client credentials."""
        access = self._access
        if not access.token_url:
            return access.token
        with self._lock:
            if time.monotonic() < self._token_until:
                return self._token
        # RFC 6749 section 4.4, the client authenticated by HTTP Basic (section 2.3.1;
        # from memory).
        form = {"grant_type": "client_credentials"}
        if access.scope:
            form["scope"] = access.scope
        request = self._http.build_request("POST", access.token_url, data=form)
        basic = httpx.BasicAuth(access.client_id, access.client_secret)
        token, lives_s = _token_of(self._bounded(next(basic.auth_flow(request))))
        with self._lock:
            self._token = token
            self._token_until = time.monotonic() + max(lives_s - 30.0, lives_s / 2)
        return token


def retry_after_s(headers: httpx.Headers) -> float | None:
    """Read Retry-After, seconds or a date, at most an hour (RFC 9110 10.2.3, from memory)."""
    told = headers.get("Retry-After", "").strip()
    if told.isascii() and told.isdigit():
        wait_s = float(told[:9])
    else:
        try:
            at = parsedate_to_datetime(told)
        except ValueError:
            return None
        if at.tzinfo is None:
            at = at.replace(tzinfo=UTC)
        wait_s = (at - datetime.now(UTC)).total_seconds()
    return min(max(wait_s, 0.0), _LONGEST_RETRY_AFTER_S)


def _token_of(answer: FhirAnswer) -> tuple[str, float]:
    status = answer.status
    if status in AGAIN or status >= 500:
        raise FhirTrouble(f"the token's address answers {status}", answer.retry_after_s)
    try:
        content = load_json(answer.body)
    except InvalidInput:
        content = None
    told = content if isinstance(content, dict) else {}
    token, lives = told.get("access_token"), told.get("expires_in")
    if status != 200 or not isinstance(token, str) or not token.isascii():
        raise FhirTrouble(
            f"the token's address gives no token (HTTP {status}): "
            "check the client's id, its secret and the scope",
            answer.retry_after_s,
            barred=NO_TOKEN,
        )
    return token, float(lives) if isinstance(lives, int | float) else 60.0


def _client(access: FhirAccess, context: ssl.SSLContext) -> httpx.Client:
    return httpx.Client(
        timeout=access.timeout_s,
        follow_redirects=False,
        trust_env=False,
        limits=httpx.Limits(max_keepalive_connections=None if access.keep_alive else 0),
        verify=context,
        headers={"Accept": f"{FHIR_JSON}; fhirVersion=4.0", "User-Agent": "gomphosis"},
    )


def _context(access: FhirAccess) -> ssl.SSLContext:
    ca_file, certificate, key = access.ca_file, access.certificate_file, access.key_file
    try:
        if ca_file is None:
            context = httpx.create_ssl_context(trust_env=False)
        else:
            context = ssl.create_default_context(cafile=str(ca_file))
    except OSError as error:  # TLS errors too
        raise CaFileUnusable("ca_file", ca_file or Path(), error) from error
    if certificate is not None:
        try:
            context.load_cert_chain(certificate, key)
        except OSError as error:
            raise CaFileUnusable("certificate_file", certificate, error) from error
    return context
