"""FHIR resources taken in: each kept or refused on its own, in a transaction of its own."""

import json
from dataclasses import dataclass

import structlog
from pydantic import ValidationError

from schemas.errors import InvalidInput
from schemas.group import Device, Group, Site
from schemas.mappings.record_codes import RecordCodes
from schemas.messages import invalid_input
from services.intake.count import count_outcomes
from services.intake.fhir_client import FhirUnavailable
from services.intake.fhir_json import Resource, name_of
from services.intake.fhir_reading import Look, read_facts
from services.intake.record_facts import Contradicted, keep_all, record_message
from services.intake.record_words import NotOurs
from services.runtime import triage
from services.runtime.outbox import Relay
from services.runtime.store import Store, StoreUnavailable

log = structlog.get_logger(__name__)

ORIGIN = "fhir"
_LONGEST_BODY = 1_000_000


@dataclass(frozen=True, slots=True)
class Taken:
    """What became of a resource: its facts kept (0 where it tells none), or the refusal."""

    resource: str
    facts: int = 0
    refusal: InvalidInput | None = None


class FhirDesk:
    """Takes resources of a record. Safe to use from many threads."""

    def __init__(
        self, service: str, group: Group, store: Store, relay: Relay, codes: RecordCodes
    ) -> None:
        self._service = service
        self._group = group
        self._store = store
        self._relay = relay
        self._codes = codes

    def take(self, site: Site, device: Device, resource: Resource, look: Look) -> Taken:
        """Keep what a resource tells; what cannot be used is in triage once this returns.

        Raises StoreUnavailable or FhirUnavailable: nothing was kept, try again.
        """
        name = name_of(resource)[:128]
        body = json.dumps(resource)
        try:
            if "\\u0000" in body:
                raise InvalidInput("Resource", name, "text without NUL characters")
            read = read_facts(resource, self._codes, site, look)
            messages = [
                record_message(
                    self._group, site, device, one.fact, one.occurred_at, one.source_clock
                )
                for one in read
            ]
            with self._store.begin() as connection:
                offered, outcomes = keep_all(connection, self._service, messages, ORIGIN)
        except NotOurs:
            return Taken(name)
        except (StoreUnavailable, FhirUnavailable):
            raise
        except Contradicted as contradiction:
            refusal = contradiction.error
        except ValidationError as error:
            refusal = invalid_input(error, "fact")
        except InvalidInput as error:
            refusal = error
        except Exception as error:
            # One resource that we cannot use must not keep the others from us.
            log.exception("resource_failed", resource=name)
            refusal = InvalidInput("Resource", type(error).__name__, "a resource we can use")
        else:
            self._relay.wake()
            count_outcomes(offered, outcomes)
            return Taken(name, len(offered))
        kind = str(resource.get("resourceType", ""))[:40] or None
        self.keep_for_triage(device, body.encode(), kind, refusal)
        return Taken(name, refusal=refusal)

    def keep_for_triage(
        self, device: Device, body: bytes, kind: str | None, refusal: InvalidInput
    ) -> None:
        """Put what could not be used before a person (StoreUnavailable)."""
        log.warning("resource_kept_for_triage", device=device.name, field=refusal.field)
        with self._store.begin() as connection:
            entry = triage.Kept(self._service, ORIGIN, refusal, body[:_LONGEST_BODY], kind)
            triage.keep(connection, [entry])
