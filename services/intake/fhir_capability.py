"""Whether a FHIR server can answer what we ask: its CapabilityStatement held against our needs.

Pure. FHIR R4 section 5.2, CapabilityStatement (element names run with fhir.resources; that
``rest.searchParam`` holds those of all resources is from memory). A server may be able to do more
than it lists; what it does not list, nobody has promised.
"""

import re
from collections.abc import Iterator
from typing import Final

from services.intake.fhir_json import Resource, part, parts, text

_VERSION: Final = re.compile(r"4\.[03]\.[0-9]+\Z", re.ASCII)
_JSON: Final = frozenset({"json", "application/json", "application/fhir+json"})

NEEDS: Final[dict[str, tuple[frozenset[str], frozenset[str]]]] = {
    "Patient": (frozenset({"read", "search-type"}), frozenset({"_lastUpdated"})),
    "Encounter": (frozenset({"read"}), frozenset()),
    "ServiceRequest": (frozenset({"search-type"}), frozenset({"_lastUpdated"})),
    "Observation": (
        frozenset({"search-type"}),
        frozenset({"_lastUpdated", "code", "date", "patient"}),
    ),
}
"""What is used of each resource type: interactions and search parameters."""


def wanting(statement: Resource, *, weights: bool) -> Iterator[str]:
    """Say in words what the server lacks of what we use; nothing where it can do all.

    ``weights``: body weights are asked for. Raises FhirRefused where an element is misshapen.
    """
    version = text(statement.get("fhirVersion"), "CapabilityStatement.fhirVersion")
    if not _VERSION.match(version):
        yield f"fhirVersion {version or 'not told'}: expected 4.0.x or 4.3.x"
    formats = statement.get("format")
    told = formats if isinstance(formats, list) else [formats]
    if not any(str(one).partition(";")[0].strip() in _JSON for one in told):
        yield "format: expected JSON"
    path = "CapabilityStatement.rest"
    rests = [one for one in parts(statement.get("rest"), path) if one.get("mode") == "server"]
    if not rests:
        yield "rest: expected one of mode server"
        return
    rest = rests[0]
    of_all = _names(rest, "searchParam", "name", path)
    listed = {
        text(one.get("type"), f"{path}.resource.type"): one
        for one in parts(rest.get("resource"), f"{path}.resource")
    }
    for kind, (interactions, parameters) in NEEDS.items():
        if kind == "Observation" and not weights:
            continue
        if kind not in listed:
            yield f"{kind}: expected it among the resources"
            continue
        here = f"{path}.resource[{kind}]"
        found = _names(listed[kind], "interaction", "code", here)
        for code in sorted(interactions - found):
            yield f"{kind}: expected the interaction {code}"
        searched = of_all | _names(listed[kind], "searchParam", "name", here)
        for name in sorted(parameters - searched):
            yield f"{kind}: expected the search parameter {name}"


def told_of(statement: Resource) -> str:
    """Name the server's software as it does itself, for people."""
    path = "CapabilityStatement.software"
    software = part(statement.get("software"), path)
    name = text(software.get("name"), f"{path}.name") or "a server"
    version = text(software.get("version"), f"{path}.version")
    return f"{name} {version}".strip()[:100]


def _names(resource: Resource, element: str, name: str, path: str) -> frozenset[str]:
    where = f"{path}.{element}"
    return frozenset(
        text(one.get(name), f"{where}.{name}") for one in parts(resource.get(element), where)
    )
