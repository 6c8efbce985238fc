"""The poller: asks the record's FHIR server what has changed, and goes on where it stopped."""

import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from threading import Event
from typing import Final

import structlog

from schemas.group import Device, Site
from schemas.mappings.record_codes import RecordCodes
from services.intake import record_store
from services.intake.fhir_client import FhirClient, FhirUnavailable, TooManyPages
from services.intake.fhir_desk import FhirDesk
from services.intake.fhir_json import FhirRefused, Resource, last_updated
from services.intake.fhir_look import BundleLook, ServerLook
from services.intake.fhir_reading import READ_TYPES
from services.intake.record_store import Cursor
from services.runtime.settings import FhirSettings
from services.runtime.store import Store, StoreUnavailable

log = structlog.get_logger(__name__)

_CLAIM: Final = "intake-fhir-poller"
_FIRST_WAIT_S: Final = 1.0
_LOOK_S: Final = 0.2


class FhirPoller:
    """Polls one server, one process at a time.

    How far it has read is kept by the record's own clock (``meta.lastUpdated``) and moves only
    once all of a round is kept. Killed in between, it reads the round again: every fact is then
    known by its natural key. ``overlap_s`` is read twice on purpose, since a record may show
    a version later than its time says; what was read of it is remembered and left alone.
    """

    def __init__(
        self,
        settings: FhirSettings,
        client: FhirClient,
        desk: FhirDesk,
        store: Store,
        codes: RecordCodes,
        site: Site,
        device: Device,
    ) -> None:
        self._settings = settings
        self._client = client
        self._desk = desk
        self._store = store
        self._codes = codes
        self._site = site
        self._device = device
        self._woken = Event()
        self._running = False

    def ready(self) -> bool:
        return self._running

    def wake(self) -> None:
        """Poll now; the record has told that there is something."""
        self._woken.set()

    def run(self, stop: Event) -> None:
        """Poll until stopped; trouble with record or store only delays."""
        self._running = True
        wait_s = _FIRST_WAIT_S
        while not stop.is_set():
            self._woken.clear()
            pause_s = self._settings.poll_s
            try:
                with self._store.exclusive(_CLAIM) as mine:
                    if mine:
                        self.poll_once()
                wait_s = _FIRST_WAIT_S
            except (FhirUnavailable, FhirRefused, StoreUnavailable) as error:
                told = getattr(error, "retry_after_s", None)
                lasting = getattr(error, "lasting", False)
                longest = self._settings.longest_wait_s
                # What the server asks for outranks our own patience, and our bell.
                pause_s = told if told is not None else longest if lasting else wait_s
                wait_s = min(wait_s * 2, longest)
                log.warning("fhir_poll_waits", reason=str(error), pause_s=pause_s)
                stop.wait(pause_s)
                continue
            self._wait(stop, pause_s)
        self._running = False

    def poll_once(self) -> int:
        """Take what has changed; give the number of resources read.

        Raises FhirUnavailable, FhirRefused or StoreUnavailable; what was kept stays kept.
        """
        return sum(self._poll(resource_type) for resource_type in READ_TYPES)

    def _wait(self, stop: Event, pause_s: float) -> None:
        deadline = time.monotonic() + pause_s
        while time.monotonic() < deadline and not stop.is_set():
            if self._woken.wait(_LOOK_S):
                return

    def _poll(self, resource_type: str) -> int:
        with self._store.read() as connection:
            cursor = record_store.cursor(
                connection, self._site.name, self._device.name, resource_type
            )
        if cursor is None:
            back = timedelta(seconds=self._settings.first_look_back_s)
            cursor = Cursor(datetime.now(UTC) - back)
        read: dict[str, datetime] = {}
        in_order = True
        try:
            for page in self._pages(resource_type, cursor):
                # What is found once serves the page, not longer: the record goes on.
                look = ServerLook(self._client, self._codes, BundleLook(page, self._codes))
                for resource in page:
                    if resource.get("resourceType") != resource_type:
                        continue
                    newest = max(read.values(), default=cursor.since)
                    at = _updated_at(resource) or newest
                    in_order = in_order and at >= newest
                    version = _version(resource)
                    if version not in cursor.seen and version not in read:
                        self._desk.take(self._site, self._device, resource, look)
                    read[version] = at
        except TooManyPages:
            # A backlog beyond one round. In the record's order, what was read can stand.
            if in_order and read:
                self._move(resource_type, cursor, read)
            raise
        if read:
            self._move(resource_type, cursor, read)
        return len(read)

    def _pages(self, resource_type: str, cursor: Cursor) -> Iterator[list[Resource]]:
        since = cursor.since.astimezone(UTC).isoformat(timespec="milliseconds")
        parameters: dict[str, str | list[str]] = {
            "_lastUpdated": f"ge{since.replace('+00:00', 'Z')}",
            "_sort": "_lastUpdated",
            "_count": str(self._settings.page_count),
        }
        if resource_type == "ServiceRequest":
            parameters["_include"] = ["ServiceRequest:patient", "ServiceRequest:encounter"]
        if resource_type == "Observation":
            if not self._codes.weight_codes:
                return
            parameters["code"] = ",".join(self._codes.weight_codes)
        yield from self._client.pages(resource_type, parameters)

    def _move(self, resource_type: str, before: Cursor, read: dict[str, datetime]) -> None:
        newest = max(read.values())
        overlap = timedelta(seconds=self._settings.overlap_s)
        since = max(before.since, newest - overlap)
        remembered = {version for version, at in read.items() if at >= since}
        if since == before.since:
            remembered |= before.seen
        with self._store.begin() as connection:
            record_store.move_cursor(
                connection,
                self._site.name,
                self._device.name,
                resource_type,
                Cursor(since, frozenset(remembered)),
            )


def _updated_at(resource: Resource) -> datetime | None:
    """Give when a version was made. One that tells it wrongly is refused when it is taken."""
    try:
        return last_updated(resource)
    except FhirRefused:
        return None


def _version(resource: Resource) -> str:
    meta = resource.get("meta")
    told = meta if isinstance(meta, dict) else {}
    return f"{resource.get('id')}|{told.get('versionId')}|{told.get('lastUpdated')}"[:200]
