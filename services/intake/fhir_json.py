"""FHIR JSON read leniently: what is not there is empty, what is of another shape is refused."""

import re
from collections.abc import Iterator
from datetime import UTC, date, datetime, time
from typing import Any, Final
from zoneinfo import ZoneInfo

from schemas.errors import InvalidInput
from schemas.messages import load_json

Resource = dict[str, Any]

_DATE: Final = re.compile(r"\d{4}-\d{2}-\d{2}\Z", re.ASCII)
_PARTIAL_DATE: Final = re.compile(r"\d{4}(-\d{2})?\Z", re.ASCII)
_FRACTION: Final = re.compile(r"(\.\d{6})\d+", re.ASCII)


class FhirRefused(InvalidInput):
    """A resource that cannot be used; ``field`` is the FHIR path of what is wrong."""


def read_resource(body: bytes) -> Resource:
    """Read one resource from JSON (FhirRefused)."""
    try:
        content = load_json(body)
    except InvalidInput as error:
        raise FhirRefused("Resource", body[:80], error.expected) from error
    if not isinstance(content, dict) or not isinstance(content.get("resourceType"), str):
        raise FhirRefused("Resource.resourceType", "", "a FHIR resource in JSON")
    return content


def name_of(resource: Resource) -> str:
    """Give ``Type/id`` of a resource."""
    return f"{resource.get('resourceType', '')}/{resource.get('id', '')}"


def text(value: Any, path: str) -> str:
    """Give a text, empty where there is none (FhirRefused for another shape)."""
    if value is None:
        return ""
    if not isinstance(value, str):
        raise FhirRefused(path, value, "a text")
    return value.strip()


def part(value: Any, path: str) -> Resource:
    """Give an object, empty where there is none."""
    if value is None:
        return {}
    if not isinstance(value, dict):
        raise FhirRefused(path, value, "an object")
    return value


def parts(value: Any, path: str) -> list[Resource]:
    """Give the objects of an array; one alone counts as an array of it."""
    if value is None:
        return []
    many = value if isinstance(value, list) else [value]
    return [part(one, path) for one in many if one is not None]


def words_of(concept: Any, path: str) -> list[str]:
    """Give what a CodeableConcept says, most exact first: system|code, code, display, text."""
    found = part(concept, path)
    exact, codes, displays = [], [], []
    for place, coding in enumerate(parts(found.get("coding"), f"{path}.coding")):
        here = f"{path}.coding[{place}]"
        system, code = text(coding.get("system"), here), text(coding.get("code"), f"{here}.code")
        if system and code:
            exact.append(f"{system}|{code}")
        codes.append(code)
        displays.append(text(coding.get("display"), f"{here}.display"))
    words = [*exact, *codes, *displays, text(found.get("text"), f"{path}.text")]
    return list(dict.fromkeys(word for word in words if word))


def extensions(resource: Resource, path: str, url: str) -> Iterator[Resource]:
    """Give the extensions of a URL."""
    for extension in parts(resource.get("extension"), f"{path}.extension"):
        if extension.get("url") == url:
            yield extension


def moment(value: Any, path: str, zone: ZoneInfo | None = None) -> datetime | None:
    """Read a dateTime or instant as UTC; None where none is told.

    A date alone begins at midnight of ``zone``, where one is given. A time without a zone is
    refused: FHIR wants one (R4 section 2.24.0.1, dateTime; from memory).
    """
    told = text(value, path)
    if not told:
        return None
    try:
        if zone is not None and _DATE.match(told):
            return datetime.combine(date.fromisoformat(told), time(), zone).astimezone(UTC)
        read = datetime.fromisoformat(_FRACTION.sub(r"\1", told))
        if read.tzinfo is not None and "T" in told:
            return read.astimezone(UTC)
    except (ValueError, OverflowError) as error:
        raise FhirRefused(path, told, "a time with its zone (2026-03-02T09:00:00Z)") from error
    raise FhirRefused(path, told, "a time with its zone (2026-03-02T09:00:00Z)")


def whole_date(value: Any, path: str) -> date | None:
    """Read a date; None where none is told, or only a year or month."""
    told = text(value, path)
    if not told or _PARTIAL_DATE.match(told):
        return None
    try:
        if _DATE.match(told):
            return date.fromisoformat(told)
    except ValueError as error:
        raise FhirRefused(path, told, "a date (2026-03-02)") from error
    raise FhirRefused(path, told, "a date (2026-03-02)")


def last_updated(resource: Resource) -> datetime | None:
    """Give when the record says that this version was made."""
    path = f"{resource.get('resourceType', 'Resource')}.meta"
    return moment(part(resource.get("meta"), path).get("lastUpdated"), f"{path}.lastUpdated")
