"""A FHIR server spoken to over HTTP: bounded, never led to another host, its answers translated.

What the answers mean: FHIR R4, hl7.org/fhir/R4/http.html, and RFC 9110 (from memory). Trouble with
TLS and 401 let nothing pass (RecordBarred); 403, a wrong address or a redirect need a person
(RecordRefused); 408, 409, 425, 429, 5xx and
trouble with the connection are worth another try (RecordUnavailable, with Retry-After where
told); what is left is for the caller to judge.
"""

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Final

import httpx

from services.records.adapters.fhir_names import Resource
from services.records.adapters.fhir_options import FhirOptions
from services.records.adapters.fhir_periods import says_closed
from services.records.port import (
    RecordBarred,
    RecordOptionError,
    RecordRefused,
    RecordUnavailable,
)
from services.runtime.fhir_http import (
    AGAIN,
    FHIR_JSON,
    NO_TOKEN,
    AnswerTooLarge,
    CaFileUnusable,
    FhirAccess,
    FhirAnswer,
    FhirHttp,
    FhirTrouble,
)

_MOST_BYTES: Final = 10_000_000
_MOST_PAGES: Final = 1_000
_AGAIN: Final = AGAIN | {409}


@dataclass(frozen=True, slots=True)
class Reply:
    """An answer that is the caller's to judge. ``content`` is empty where none could be read."""

    status: int
    content: Resource
    location: str

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
        try:
            self._server = FhirHttp(_access(options))
        except CaFileUnusable as error:
            raise RecordOptionError(error.option, str(error.file), str(error)) from error

    @property
    def encrypted(self) -> bool:
        return self._server.base.scheme == "https"

    def close(self) -> None:
        self._server.close()

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
            told["Content-Type"] = f"{FHIR_JSON}; charset=utf-8"
        answer = self._ask(method, url, told, body)
        status = answer.status
        reply = Reply(status, _content(answer.body), answer.headers.get("Location", ""))
        if status >= 400 and says_closed(reply.content, self._options.codes.closed_period):
            return reply  # a refusal of this one posting, whatever its status would mean else
        if status in _AGAIN or status >= 500:
            raise RecordUnavailable(f"FHIR server: {reply.words()}", answer.retry_after_s)
        if status == 401:
            words = f"FHIR server: {NO_TOKEN.words}: {reply.words()}"
            raise RecordBarred(NO_TOKEN.name, words, NO_TOKEN.next_action)
        if status in {403, 405} or 300 <= status < 400:
            raise RecordRefused(f"FHIR server: {method} {url.path} is refused: {reply.words()}")
        return reply

    def _within(self, target: str) -> httpx.URL:
        """Resolve an address; only our server's own may be asked, with our token."""
        try:
            return self._server.within(target)
        except FhirTrouble as trouble:
            raise RecordRefused(f"FHIR server: {trouble}") from trouble

    def _next(self, bundle: Resource) -> httpx.URL | None:
        links = bundle.get("link")
        for link in links if isinstance(links, list) else []:
            if isinstance(link, dict) and link.get("relation") == "next":
                return self._within(str(link.get("url", "")))
        return None

    def _ask(
        self, method: str, url: httpx.URL, headers: Mapping[str, str], body: bytes | None
    ) -> FhirAnswer:
        try:
            return self._server.ask(method, url, headers, body)
        except FhirTrouble as trouble:
            reason = f"FHIR server: {trouble}"
            if (fault := trouble.barred) is not None:
                raise RecordBarred(fault.name, reason, fault.next_action) from trouble
            if trouble.lasting or isinstance(trouble, AnswerTooLarge):
                raise RecordRefused(reason) from trouble
            raise RecordUnavailable(reason, trouble.retry_after_s) from trouble


def _access(options: FhirOptions) -> FhirAccess:
    return FhirAccess(
        base_url=options.base_url,
        timeout_s=options.timeout_s,
        most_bytes=_MOST_BYTES,
        # A reply that comes two times over would else be taken for that to the next posting.
        keep_alive=False,
        ca_file=options.ca_file,
        certificate_file=options.certificate_file,
        key_file=options.key_file,
        token=options.token,
        token_url=options.token_url,
        client_id=options.client_id,
        client_secret=options.client_secret,
        scope=options.scope,
    )


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
