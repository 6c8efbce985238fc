"""A FHIR server asked over HTTPS: bounded, patient, and never led to another host."""

import ssl
import time
from collections import OrderedDict
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from pathlib import Path
from threading import Lock
from typing import Final

import httpx

from schemas.errors import GomphosisError, InvalidInput
from schemas.messages import load_json
from services.intake.fhir_json import FhirRefused, Resource, part, parts, read_resource, text
from services.runtime.settings import FhirSettings, SettingsError

_ACCEPT: Final = "application/fhir+json; fhirVersion=4.0"
_REMEMBERED: Final = 200
_LONGEST_RETRY_AFTER_S: Final = 3_600.0
_RETRYABLE: Final = frozenset({408, 425, 429})


class FhirUnavailable(GomphosisError):  # noqa: N818 - a state, not a fault of the caller
    """The server cannot answer now. ``retry_after_s`` is how long it asks us to wait, if it does.

    ``lasting`` says that waiting alone will not mend it: a refused token, a wrong address.
    """

    def __init__(
        self, reason: str, retry_after_s: float | None = None, *, lasting: bool = False
    ) -> None:
        super().__init__(f"FHIR server: {reason}")
        self.retry_after_s = retry_after_s
        self.lasting = lasting


class FhirClient:
    """Reads from one server. Safe to use from several threads."""

    def __init__(self, settings: FhirSettings) -> None:
        self._settings = settings
        self._base = httpx.URL(settings.base_url.rstrip("/") + "/")
        verify: ssl.SSLContext | bool = (
            True if settings.ca_file is None else _context(settings.ca_file)
        )
        self._http = httpx.Client(
            timeout=settings.timeout_s,
            follow_redirects=False,
            trust_env=False,
            verify=verify,
            headers={"Accept": _ACCEPT, "User-Agent": "gomphosis"},
        )
        self._remembered: OrderedDict[str, tuple[str, Resource]] = OrderedDict()
        self._lock = Lock()
        self._token = ""
        self._token_until = 0.0

    def close(self) -> None:
        self._http.close()

    def read(self, reference: str) -> Resource | None:
        """Read a resource by its reference; None where the server has none (404, 410)."""
        return self._get(self._within(reference))

    def pages(
        self, path: str, parameters: Mapping[str, str | list[str]]
    ) -> Iterator[list[Resource]]:
        """Search, and give each page's resources, following ``next`` as far as it goes.

        Raises FhirUnavailable, also where there are more than ``max_pages``, or a page leads
        back to one that was read.
        """
        url: httpx.URL | None = self._within(path).copy_merge_params(dict(parameters))
        seen: set[str] = set()
        while url is not None:
            if str(url) in seen or len(seen) >= self._settings.max_pages:
                raise TooManyPages(len(seen))
            seen.add(str(url))
            bundle = self._get(url)
            if bundle is None or bundle.get("resourceType") != "Bundle":
                found = "nothing" if bundle is None else bundle.get("resourceType")
                raise FhirUnavailable(f"expected a Bundle at {url.path}, got {found}", lasting=True)
            yield resources_of(bundle)
            url = self._next(bundle)

    def _next(self, bundle: Resource) -> httpx.URL | None:
        for link in parts(bundle.get("link"), "Bundle.link"):
            if link.get("relation") == "next":
                return self._within(text(link.get("url"), "Bundle.link.url"))
        return None

    def _within(self, target: str) -> httpx.URL:
        """Resolve an address; only our server's own may be asked, with our token."""
        try:
            url = self._base.join(target)
        except httpx.InvalidURL as error:
            raise FhirRefused("reference", target, "an address of the record's server") from error
        base = self._base
        same_host = (url.scheme, url.host, url.port) == (base.scheme, base.host, base.port)
        if not same_host or not f"{url.path}/".startswith(base.path):
            raise FhirRefused("reference", target, f"an address within {base}")
        return url

    def _get(self, url: httpx.URL) -> Resource | None:
        with self._lock:
            remembered = self._remembered.get(str(url))
        headers = {"If-None-Match": remembered[0]} if remembered else {}
        status, answer_headers, body = self._ask(url, headers)
        if status == 401 and self._settings.token_url:
            self._token_until = 0.0
            status, answer_headers, body = self._ask(url, headers)
        if status == 304 and remembered:
            return remembered[1]
        if status in {404, 410}:
            return None
        if status != 200:
            raise _unavailable(status, answer_headers)
        try:
            resource = read_resource(body)
        except FhirRefused as error:
            raise FhirUnavailable(f"its answer is no FHIR resource ({error.expected})") from error
        etag = answer_headers.get("ETag")
        if etag:
            with self._lock:
                self._remembered[str(url)] = etag, resource
                self._remembered.move_to_end(str(url))
                while len(self._remembered) > _REMEMBERED:
                    self._remembered.popitem(last=False)
        return resource

    def _ask(self, url: httpx.URL, headers: dict[str, str]) -> tuple[int, httpx.Headers, bytes]:
        token = self._bearer()
        if token:
            headers = headers | {"Authorization": f"Bearer {token}"}
        return self._bounded(self._http.build_request("GET", url, headers=headers))

    def _bounded(self, request: httpx.Request) -> tuple[int, httpx.Headers, bytes]:
        most = self._settings.max_response_bytes
        # The client's own time-out runs anew with every byte; a dripping answer must end too.
        deadline = time.monotonic() + self._settings.timeout_s
        body = bytearray()
        try:
            response = self._http.send(request, stream=True)
            try:
                for piece in response.iter_bytes():
                    body += piece
                    if len(body) > most:
                        raise FhirUnavailable(f"its answer is larger than {most} bytes")
                    if time.monotonic() > deadline:
                        raise FhirUnavailable("its answer took too long")
            finally:
                response.close()
        except httpx.HTTPError as error:
            raise FhirUnavailable(f"not reached ({type(error).__name__}: {error})") from error
        return response.status_code, response.headers, bytes(body)

    def _bearer(self) -> str:
        """Give the token: the one of the settings, or one by client credentials."""
        settings = self._settings
        if not settings.token_url:
            return settings.token.get_secret_value()
        with self._lock:
            if time.monotonic() < self._token_until:
                return self._token
        # RFC 6749 section 4.4, the client authenticated by HTTP Basic (section 2.3.1).
        form = {"grant_type": "client_credentials"}
        if settings.scope:
            form["scope"] = settings.scope
        secret = settings.client_secret.get_secret_value()
        request = self._http.build_request("POST", settings.token_url, data=form)
        basic = httpx.BasicAuth(settings.client_id, secret)
        request = next(basic.auth_flow(request))
        status, headers, body = self._bounded(request)
        if status != 200:
            raise _unavailable(status, headers, "the token's address answers")
        token, lives_s = _token_of(body)
        with self._lock:
            self._token = token
            self._token_until = time.monotonic() + max(lives_s - 30.0, lives_s / 2)
        return token


class TooManyPages(FhirUnavailable):
    """A search had more pages than we read at once, or went in a circle."""

    def __init__(self, pages: int) -> None:
        super().__init__(f"expected a last page, found none in {pages}")


def resources_of(bundle: Resource) -> list[Resource]:
    """Give the resources of a Bundle, without those that only tell of the search."""
    found = []
    for entry in parts(bundle.get("entry"), "Bundle.entry"):
        mode = part(entry.get("search"), "Bundle.entry.search").get("mode")
        resource = entry.get("resource")
        if mode != "outcome" and isinstance(resource, dict):
            found.append(resource)
    return found


def _unavailable(status: int, headers: httpx.Headers, what: str = "it answers") -> FhirUnavailable:
    lasting = 300 <= status < 500 and status not in _RETRYABLE
    return FhirUnavailable(f"{what} {status}", _retry_after_s(headers), lasting=lasting)


def _retry_after_s(headers: httpx.Headers) -> float | None:
    """Read Retry-After: seconds, or a date (RFC 9110 section 10.2.3)."""
    told = headers.get("Retry-After", "").strip()
    if not told:
        return None
    if told.isascii() and told.isdigit():
        wait_s = float(told[:9])
    else:
        try:
            at = parsedate_to_datetime(told)
        except ValueError:
            return None
        wait_s = (at.astimezone(UTC) - datetime.now(UTC)).total_seconds()
    return min(max(wait_s, 0.0), _LONGEST_RETRY_AFTER_S)


def _token_of(body: bytes) -> tuple[str, float]:
    try:
        content = load_json(body)
    except InvalidInput as error:
        raise FhirUnavailable(f"the token's address gives no JSON ({error.expected})") from error
    token = content.get("access_token") if isinstance(content, dict) else None
    if not isinstance(token, str) or not token.isascii():
        raise FhirUnavailable("the token's address gives no access_token", lasting=True)
    lives = content.get("expires_in")
    return token, float(lives) if isinstance(lives, int | float) else 60.0


def _context(ca_file: Path) -> ssl.SSLContext:
    try:
        return ssl.create_default_context(cafile=str(ca_file))
    except (OSError, ssl.SSLError) as error:
        raise SettingsError(
            f"setting GOMPHOSIS_INTAKE__FHIR__CA_FILE: expected a PEM file of a CA ({error})"
        ) from error
