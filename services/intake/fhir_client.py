"""A FHIR server asked over HTTPS: bounded, patient, and never led to another host."""

from collections import OrderedDict
from collections.abc import Iterator, Mapping
from threading import Lock
from typing import Final

import httpx

from schemas.errors import GomphosisError
from services.intake.fhir_json import FhirRefused, Resource, part, parts, read_resource, text
from services.runtime.fhir_http import (
    AGAIN,
    CaFileUnusable,
    FhirAccess,
    FhirAnswer,
    FhirHttp,
    FhirTrouble,
)
from services.runtime.settings import FhirSettings, SettingsError

_REMEMBERED: Final = 200


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
        try:
            self._server = FhirHttp(_access(settings))
        except CaFileUnusable as error:
            raise SettingsError(
                f"setting GOMPHOSIS_INTAKE__FHIR__CA_FILE: expected {error}"
            ) from error
        self._remembered: OrderedDict[str, tuple[str, Resource]] = OrderedDict()
        self._lock = Lock()

    def close(self) -> None:
        self._server.close()

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
            return self._server.within(target)
        except FhirTrouble as trouble:
            expected = f"an address within {self._server.base}"
            raise FhirRefused("reference", target, expected) from trouble

    def _get(self, url: httpx.URL) -> Resource | None:
        with self._lock:
            remembered = self._remembered.get(str(url))
        answer = self._ask(url, {"If-None-Match": remembered[0]} if remembered else {})
        if answer.status == 304 and remembered:
            return remembered[1]
        if answer.status in {404, 410}:
            return None
        if answer.status != 200:
            lasting = 300 <= answer.status < 500 and answer.status not in AGAIN
            reason = f"it answers {answer.status}"
            raise FhirUnavailable(reason, answer.retry_after_s, lasting=lasting)
        try:
            resource = read_resource(answer.body)
        except FhirRefused as error:
            raise FhirUnavailable(f"its answer is no FHIR resource ({error.expected})") from error
        etag = answer.headers.get("ETag")
        if etag:
            with self._lock:
                self._remembered[str(url)] = etag, resource
                self._remembered.move_to_end(str(url))
                while len(self._remembered) > _REMEMBERED:
                    self._remembered.popitem(last=False)
        return resource

    def _ask(self, url: httpx.URL, headers: Mapping[str, str]) -> FhirAnswer:
        try:
            return self._server.ask("GET", url, headers)
        except FhirTrouble as trouble:
            raise FhirUnavailable(
                str(trouble), trouble.retry_after_s, lasting=trouble.lasting
            ) from trouble


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


def _access(settings: FhirSettings) -> FhirAccess:
    return FhirAccess(
        base_url=settings.base_url,
        timeout_s=settings.timeout_s,
        most_bytes=settings.max_response_bytes,
        ca_file=settings.ca_file,
        token=settings.token.get_secret_value(),
        token_url=settings.token_url,
        client_id=settings.client_id,
        client_secret=settings.client_secret.get_secret_value(),
        scope=settings.scope,
    )
