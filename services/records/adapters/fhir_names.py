"""Our own names in a FHIR server: identifier systems, extensions, and keys safe to search by."""

import re
from dataclasses import dataclass
from typing import Any, Final
from urllib.parse import quote

Resource = dict[str, Any]

_PLAIN: Final = re.compile(r"[^A-Za-z0-9._:-]")
_SEARCHED: Final = re.compile(r"([\\$,|])")
_CODED: Final = re.compile(r"~([0-9a-f]{1,6})~")

DICOM_UID: Final = "urn:dicom:uid"
"""The identifier system of DICOM UIDs, with values ``urn:oid:`` (FHIR R4, ImagingStudy)."""


def key_value(key: str) -> str:
    """Write a key of ours so that it means itself in JSON, a URL and a search parameter.

    All but letters, digits and ``._:-`` become ``~hex~``; our own keys need none of that.
    """
    return _PLAIN.sub(lambda one: f"~{ord(one[0]):x}~", key)


def key_of(value: str) -> str:
    """Read a key back."""
    return _CODED.sub(lambda one: chr(int(one[1], 16)), value)


def token(system: str, value: str) -> str:
    """Write ``system|value`` for a search; ``\\``, ``$``, ``,`` and ``|`` of the value escaped.

    FHIR R4, hl7.org/fhir/R4/search.html, escaping search parameters (from memory).
    """
    escaped = _SEARCHED.sub(r"\\\1", value)
    return f"{system}|{escaped}"


def query(system: str, value: str) -> str:
    """Write the condition of a conditional create, as ``If-None-Exist`` carries it."""
    return f"identifier={quote(token(system, value), safe=':/.~-')}"


def identifier_of(resource: Resource, system: str) -> str | None:
    """Give the value of a resource's identifier of a system, or None."""
    found = resource.get("identifier")
    for one in found if isinstance(found, list) else [found]:
        if isinstance(one, dict) and one.get("system") == system:
            value = one.get("value")
            return value if isinstance(value, str) else None
    return None


def has_identifier(resource: Resource, system: str, value: str) -> bool:
    """Tell whether a resource carries an identifier; a server may have passed over the search."""
    found = resource.get("identifier")
    return any(
        isinstance(one, dict) and one.get("system") == system and one.get("value") == value
        for one in (found if isinstance(found, list) else [found])
    )


def reference_of(resource: Resource) -> str:
    """Give ``Type/id``."""
    return f"{resource.get('resourceType', '')}/{resource.get('id', '')}"


def uid_identifier(study_instance_uid: str) -> Resource:
    return {"system": DICOM_UID, "value": f"urn:oid:{key_value(study_instance_uid)}"}


@dataclass(frozen=True, slots=True)
class Names:
    """Identifier systems and extensions under a group's namespace."""

    namespace: str

    @property
    def posting_key(self) -> str:
        return f"{self.namespace}/posting-key"

    @property
    def study(self) -> str:
        """Beside the posting key, so that a study's items are found by one search."""
        return f"{self.namespace}/study"

    @property
    def report(self) -> str:
        return f"{self.namespace}/report"

    @property
    def charge_code(self) -> str:
        return f"{self.namespace}/charge-code"

    @property
    def extensions(self) -> str:
        """Under which all our extensions are."""
        return f"{self.namespace}/StructureDefinition"

    @property
    def extension(self) -> str:
        return f"{self.extensions}/posting"

    def extend(self, **told: str | None) -> Resource:
        """Make our extension: named texts, without those that are None."""
        inner = [{"url": name, "valueString": value} for name, value in told.items() if value]
        return {"url": self.extension, "extension": inner}

    def told(self, resource: Resource) -> dict[str, str]:
        """Read our extension; empty where there is none."""
        extensions = resource.get("extension")
        for one in extensions if isinstance(extensions, list) else []:
            if isinstance(one, dict) and one.get("url") == self.extension:
                inner = one.get("extension")
                return {
                    str(part.get("url")): str(part.get("valueString"))
                    for part in (inner if isinstance(inner, list) else [])
                    if isinstance(part, dict)
                }
        return {}
