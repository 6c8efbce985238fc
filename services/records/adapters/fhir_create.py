"""Creating on condition: one resource of a kind for each identifier, whatever the answers do.

FHIR R4, hl7.org/fhir/R4/http.html#ccreate: none 201, one 200 and nothing changed, several 412.
"""

import re
from dataclasses import dataclass
from typing import Final

from schemas.errors import GomphosisError
from services.records.adapters.fhir_client import FhirRecordClient, Reply
from services.records.adapters.fhir_names import (
    Resource,
    has_identifier,
    query,
    reference_of,
    token,
)
from services.records.port import RecordRefused, RecordUnavailable

_LOCATION: Final = re.compile(
    r"(?:^|/)([A-Z][A-Za-z]+/[A-Za-z0-9\-.]{1,64})(?:/_history/[^/]+)?/?$"
)
"""An id is of letters, digits, '-' and '.', at most 64 (FHIR R4, data type id; from memory)."""


class FhirRefusal(GomphosisError):  # noqa: N818 - an answer, not a fault of ours
    """The record will not take one posting; says why, for a person.

    ``outcome`` is what the server answered, and empty where the refusal is ours.
    """

    def __init__(self, words: str, outcome: Resource | None = None) -> None:
        super().__init__(words)
        self.outcome = outcome or {}


@dataclass(frozen=True, slots=True)
class Created:
    """``held`` is what was there already, and None where it was made now."""

    reference: str
    held: Resource | None = None


def find(client: FhirRecordClient, kind: str, system: str, value: str) -> list[Resource]:
    """Give every resource of a kind that carries an identifier, each once."""
    found = client.search(kind, identifier=token(system, value))
    own = {reference_of(one): one for one in found if has_identifier(one, system, value)}
    return list(own.values())


def find_one(client: FhirRecordClient, kind: str, system: str, value: str) -> Resource | None:
    """Give the one, or None. Raises FhirRefusal where there are several."""
    found = find(client, kind, system, value)
    if len(found) > 1:
        names = ", ".join(reference_of(one) for one in found[:5])
        raise FhirRefusal(
            f"the record holds {value} {len(found)} times ({names}); "
            "a person has to take out what is too much"
        )
    return found[0] if found else None


def create(
    client: FhirRecordClient, kind: str, resource: Resource, system: str, value: str
) -> Created:
    """Create a resource unless one with this identifier is there.

    Raises FhirRefusal where the record will not have it, and what the client raises.
    """
    headers = {"If-None-Exist": query(system, value), "Prefer": "return=representation"}
    reply = client.send("POST", kind, resource, headers)
    content = reply.content
    if reply.status == 201 and (not content or has_identifier(content, system, value)):
        reference = reference_in(reply.location, kind) or _own_reference(reply, kind)
        if reference:
            return Created(reference)
    elif reply.status not in {200, 201, 412}:
        raise refusal(reply, kind)
    held = find_one(client, kind, system, value)
    if held is None:
        # It says that it has it and does not find it: its index may lag behind.
        raise RecordUnavailable(f"FHIR server: {kind} {value} is told of and not found yet")
    return Created(reference_of(held), None if reply.status == 201 else held)


def refusal(reply: Reply, kind: str) -> FhirRefusal:
    """Make the refusal of one posting. Raises RecordRefused where no posting can pass."""
    if reply.status in {404, 410, 415, 406}:
        raise RecordRefused(f"FHIR server: it does not take a {kind}: {reply.words()}")
    return FhirRefusal(f"{kind} was refused: {reply.words()}", reply.content)


def reference_in(location: str, kind: str) -> str | None:
    """Read ``Type/id`` from a location, without its version."""
    found = _LOCATION.search(location)
    return found[1] if found and found[1].startswith(f"{kind}/") else None


def _own_reference(reply: Reply, kind: str) -> str | None:
    if reply.content.get("resourceType") != kind:
        return None
    return reference_in(reference_of(reply.content), kind)
