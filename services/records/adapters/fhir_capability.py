"""Whether a FHIR server can take what we post: its CapabilityStatement held against our needs.

Pure. FHIR R4, hl7.org/fhir/R4/capabilitystatement.html. What a server does not list, nobody has
promised; without conditional create a posting could be held twice, so it is not done without.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from services.records.adapters.fhir_names import Resource

_VERSION: Final = re.compile(r"4\.[03]\.[0-9]+\Z", re.ASCII)
_JSON: Final = frozenset({"json", "application/json", "application/fhir+json"})

NEEDS: Final[dict[str, tuple[frozenset[str], frozenset[str], bool]]] = {
    "Patient": (frozenset({"search-type"}), frozenset({"identifier"}), False),
    "ChargeItem": (
        frozenset({"create", "read", "search-type"}),
        frozenset({"identifier", "patient", "occurrence"}),
        True,
    ),
    "ImagingStudy": (frozenset({"create", "search-type"}), frozenset({"identifier"}), True),
    "DiagnosticReport": (
        frozenset({"create", "search-type", "update"}),
        frozenset({"identifier"}),
        True,
    ),
    "DocumentReference": (
        frozenset({"create", "search-type", "update"}),
        frozenset({"identifier"}),
        True,
    ),
}
"""Of each type: the interactions, the search parameters, and whether to create on condition."""

_ORDER: Final = ("ServiceRequest", frozenset({"search-type"}), frozenset({"identifier"}))


@dataclass(frozen=True, slots=True)
class Capability:
    """What a server says of itself. ``wanting`` says in words what it lacks of what we use.

    Without ``updates_studies`` an ImagingStudy stays as the note's first revision made it.
    """

    software: str
    wanting: tuple[str, ...]
    transactions: bool
    batches: bool
    updates_studies: bool = False


def read_capability(statement: Resource, *, orders: bool) -> Capability:
    """Read a CapabilityStatement, whatever shape it has. ``orders``: orders are looked up."""
    software = statement.get("software")
    name = software.get("name") if isinstance(software, dict) else None
    rest = next((one for one in _parts(statement, "rest") if one.get("mode") == "server"), {})
    codes = _names(rest, "interaction", "code")
    return Capability(
        software=str(name or "a server")[:100],
        wanting=tuple(_wanting(statement, rest, orders=orders)),
        transactions="transaction" in codes,
        batches="batch" in codes,
        updates_studies=any(
            one.get("type") == "ImagingStudy" and "update" in _names(one, "interaction", "code")
            for one in _parts(rest, "resource")
        ),
    )


def _wanting(statement: Resource, rest: Resource, *, orders: bool) -> Iterator[str]:
    version = str(statement.get("fhirVersion", "not told"))
    if not _VERSION.match(version):
        yield f"fhirVersion {version}: expected 4.0.x or 4.3.x"
    formats = statement.get("format")
    told = formats if isinstance(formats, list) else [formats]
    if not any(str(one).partition(";")[0].strip() in _JSON for one in told):
        yield "format: expected JSON"
    if not rest:
        yield "rest: expected one of mode server"
        return
    of_all = _names(rest, "searchParam", "name")
    listed = {str(one.get("type")): one for one in _parts(rest, "resource")}
    needs = dict(NEEDS)
    if orders:
        kind, interactions, parameters = _ORDER
        needs[kind] = (interactions, parameters, False)
    for kind, (interactions, parameters, conditional) in needs.items():
        if kind not in listed:
            yield f"{kind}: expected it among the resources"
            continue
        for code in sorted(interactions - _names(listed[kind], "interaction", "code")):
            yield f"{kind}: expected the interaction {code}"
        for name in sorted(parameters - of_all - _names(listed[kind], "searchParam", "name")):
            yield f"{kind}: expected the search parameter {name}"
        if conditional and listed[kind].get("conditionalCreate") is not True:
            yield f"{kind}: expected conditionalCreate"


def _parts(resource: Resource, name: str) -> list[Resource]:
    found = resource.get(name)
    many = found if isinstance(found, list) else []
    return [one for one in many if isinstance(one, dict)]


def _names(resource: Resource, element: str, name: str) -> frozenset[str]:
    return frozenset(str(one.get(name)) for one in _parts(resource, element))
