"""A FHIR server spoken to over HTTP: bounded, never led to another host, its answers translated.

What the answers mean: FHIR R4, hl7.org/fhir/R4/http.html, and RFC 9110 (from memory). 401 and
403, a wrong address or a redirect need a person (RecordRefused); 408, 409, 425, 429, 5xx and
trouble with the connection are worth another try (RecordUnavailable, with Retry-After where
told); what is left is for the caller to judge.
"""

import json
import ssl
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from decimal import Decimal
from email.utils import parsedate_to_datetime
from threading import Lock
from typing import Any, Final

import httpx

from services.records.adapters.fhir_options import FhirOptions
from services.records.port import RecordOptionError, RecordRefused, RecordUnavailable

Resource = dict[str, Any]

_FHIR_JSON: Final = "application/fhir+json"
_MOST_BYTES: Final = 10_000_000
_MOST_PAGES: Final = 1_000
_AGAIN: Final = frozenset({408, 409, 425, 429})


@dataclass(frozen=True, slots=True)
class Reply:
    """An answer that is the caller's to judge. ``content`` is empty where none could be read."""

    status: int
    content: Resource
    location: str
    etag: str

    def words(self) -> str:
        """Give what an OperationOutcome says, or the status."""
        issues = self.content.get("issue")
        told = [_issue_words(one) for one in issues] if isinstance(issues, list) else []
        said = "; ".join(one for one in told if one)
        return f"{said} (HTTP {self.status})" if said else f"HTTP {self.status} without a reason"


class FhirRecordClient:
    """Speaks to one server. Safe to use from several threads."""

    def __init__(self, options: FhirOptions) -> None:
        self._options = options
        self._base = httpx.URL(options.base_url.rstrip("/") + "/")
        self._http = httpx.Client(
            timeout=options.timeout_s,
            follow_redirects=False,
            trust_env=False,
            # No connection is used twice: a reply that comes two times over would else be taken
            # for the answer to the next posting.
            limits=httpx.Limits(max_keepalive_connections=0),
            verify=_context(options) if options.ca_file else True,
            headers={"Accept": f"{_FHIR_JSON}; fhirVersion=4.0", "User-Agent": "gomphosis"},
        )
        self._lock = Lock()
        self._token = ""
        self._token_until = 0.0

    @property
    def encrypted(self) -> bool:
        return self._base.scheme == "https"

    def close(self) -> None:
        self._http.close()

    def read(self, path: str) -> Reply | None:
        """Read one resource; None where the server has none (404, 410)."""
        reply = self.send("GET", path)
        if reply.status in {404, 410}:
            return None
        if reply.status != 200 or not reply.content:
            raise RecordRefused(f"FHIR server: {path} was not given: {reply.words()}")
        return reply

    def search(self, kind: str, **parameters: str | list[str]) -> Iterator[Resource]:
        """Give every resource of a kind that a search finds, page after page.

        The server's word is not taken for it that it heeds the parameters: the caller looks.
        """
        url: httpx.URL | None = self._within(kind).copy_merge_params(dict(parameters))
        seen: set[str] = set()
        while url is not None:
            if str(url) in seen or len(seen) >= _MOST_PAGES:
                raise RecordRefused(f"FHIR server: expected a last page of {kind}, found none")
            seen.add(str(url))
            reply = self.send("GET", str(url), headers={"Prefer": "handling=strict"})
            if reply.status != 200 or reply.content.get("resourceType") != "Bundle":
                raise RecordRefused(f"FHIR server: the search of {kind} failed: {reply.words()}")
            yield from _resources(reply.content, kind)
            url = self._next(reply.content)

    def send(
        self,
        method: str,
        path: str,
        content: Resource | None = None,
        headers: Mapping[str, str] | None = None,
    ) -> Reply:
        """Send one request. Raises RecordUnavailable and RecordRefused."""
        url = self._within(path)
        body = None if content is None else json.dumps(content, ensure_ascii=False).encode()
        told = dict(headers or {})
        if body is not None:
            told["Content-Type"] = f"{_FHIR_JSON}; charset=utf-8"
        for last in (False, True):
            if token := self._bearer(renew=last):
                told["Authorization"] = f"Bearer {token}"
            request = self._http.build_request(method, url, content=body, headers=told)
            status, got, answer = self._bounded(request)
            if status != 401 or not self._options.token_url:
                break  # a token of client credentials may have been withdrawn: once more with a new
        reply = Reply(status, _content(answer), got.get("Location", ""), got.get("ETag", ""))
        if status in _AGAIN or status >= 500:
            raise RecordUnavailable(f"FHIR server: {reply.words()}", _retry_after_s(got))
        if status in {401, 403, 405} or 300 <= status < 400:
            raise RecordRefused(f"FHIR server: {method} {url.path} is refused: {reply.words()}")
        return reply

    def _within(self, target: str) -> httpx.URL:
        """Resolve an address; only our server's own may be asked, with our token."""
        try:
            url = self._base.join(target)
        except httpx.InvalidURL as error:
            raise RecordRefused(f"FHIR server: {target[:200]!r} is no address") from error
        base = self._base
        same_host = (url.scheme, url.host, url.port) == (base.scheme, base.host, base.port)
        if not same_host or not f"{url.path}/".startswith(base.path):
            raise RecordRefused(f"FHIR server: expected an address within {base}, got {url}")
        return url

    def _next(self, bundle: Resource) -> httpx.URL | None:
        links = bundle.get("link")
        for link in links if isinstance(links, list) else []:
            if isinstance(link, dict) and link.get("relation") == "next":
                return self._within(str(link.get("url", "")))
        return None

    def _bounded(self, request: httpx.Request) -> tuple[int, httpx.Headers, bytes]:
        # The client's own time-out runs anew with every byte; a dripping answer must end too.
        deadline = time.monotonic() + self._options.timeout_s
        body = bytearray()
        try:
            response = self._http.send(request, stream=True)
            try:
                for piece in response.iter_bytes():
                    body += piece
                    if len(body) > _MOST_BYTES:
                        raise RecordRefused(f"FHIR server: an answer above {_MOST_BYTES} bytes")
                    if time.monotonic() > deadline:
                        raise RecordUnavailable("FHIR server: its answer took too long")
            finally:
                response.close()
        except httpx.HTTPError as error:
            reason = f"FHIR server: no whole answer ({type(error).__name__}: {error})"
            raise RecordUnavailable(reason) from error
        return response.status_code, response.headers, bytes(body)

    def _bearer(self, *, renew: bool) -> str:
        """Give the token: the one of the options, or one by client credentials."""
        options = self._options
        if not options.token_url:
            return options.token
        with self._lock:
            if not renew and time.monotonic() < self._token_until:
                return self._token
            # RFC 6749 section 4.4, the client authenticated by HTTP Basic (section 2.3.1;
            # from memory).
            form = {"grant_type": "client_credentials"}
            if options.scope:
                form["scope"] = options.scope
            request = self._http.build_request("POST", options.token_url, data=form)
            basic = httpx.BasicAuth(options.client_id, options.client_secret)
            status, headers, body = self._bounded(next(basic.auth_flow(request)))
            if status in _AGAIN or status >= 500:
                reason = f"the token's address answers {status}"
                raise RecordUnavailable(reason, _retry_after_s(headers))
            told = _content(body)
            token, lives = told.get("access_token"), told.get("expires_in")
            if status != 200 or not isinstance(token, str) or not token.isascii():
                raise RecordRefused(
                    f"the token's address gives no token (HTTP {status}): "
                    "check client_id, client_secret_file and scope"
                )
            lives_s = float(lives) if isinstance(lives, int | Decimal) else 60.0
            self._token = token
            self._token_until = time.monotonic() + max(lives_s - 30.0, lives_s / 2)
            return token


def _resources(bundle: Resource, kind: str) -> Iterator[Resource]:
    entries = bundle.get("entry")
    for entry in entries if isinstance(entries, list) else []:
        resource = entry.get("resource") if isinstance(entry, dict) else None
        if isinstance(resource, dict) and resource.get("resourceType") == kind:
            yield resource


def _content(body: bytes) -> Resource:
    """Read JSON, its numbers exactly; empty where it is none or no object."""
    try:
        found = json.loads(body, parse_float=Decimal)
    except (ValueError, RecursionError):
        return {}
    return found if isinstance(found, dict) else {}


def _issue_words(issue: object) -> str:
    if not isinstance(issue, dict):
        return ""
    details = issue.get("details")
    text = details.get("text") if isinstance(details, dict) else None
    return str(issue.get("diagnostics") or text or issue.get("code") or "")


def _retry_after_s(headers: httpx.Headers) -> float | None:
    """Read Retry-After: seconds, or a date (RFC 9110 section 10.2.3, from memory)."""
    told = headers.get("Retry-After", "").strip()
    if told.isascii() and told.isdigit():
        return float(told[:9])
    try:
        at = parsedate_to_datetime(told)
    except ValueError:
        return None
    if at.tzinfo is None:
        at = at.replace(tzinfo=UTC)
    return max((at - datetime.now(UTC)).total_seconds(), 0.0)


def _context(options: FhirOptions) -> ssl.SSLContext:
    try:
        return ssl.create_default_context(cafile=str(options.ca_file))
    except (OSError, ssl.SSLError) as error:
        expected = f"a PEM file of a CA ({error})"
        raise RecordOptionError("ca_file", str(options.ca_file), expected) from error
