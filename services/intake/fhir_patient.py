"""A FHIR R4 Patient that is an animal, with its newest weight. Pure.

The extension patient-animal of R4 (http://hl7.org/fhir/StructureDefinition/patient-animal):
species 1..1, breed and genderStatus 0..1; that a Patient lacks it does not mean a human.
"""

from collections.abc import Sequence
from datetime import datetime
from typing import Final
from zoneinfo import ZoneInfo

from schemas.facts import Patient, Weight
from schemas.mappings.record_codes import RecordCodes
from services.intake import record_words
from services.intake.fhir_json import (
    FhirRefused,
    Resource,
    extensions,
    moment,
    part,
    parts,
    text,
    whole_date,
    words_of,
)

ANIMAL: Final = "http://hl7.org/fhir/StructureDefinition/patient-animal"
_UTC: Final = ZoneInfo("UTC")
_ANIMAL_PATH: Final = "Patient.extension(patient-animal)"
_STATUS_OF_A_WEIGHT: Final = frozenset({"preliminary", "final", "amended", "corrected"})
"""Observation.status of a value that counts; registered, cancelled, entered-in-error and
unknown do not (R4 value set observation-status; run: fhir.resources)."""


def read_patient(
    resource: Resource, observations: Sequence[Resource], codes: RecordCodes
) -> Patient:
    """Read an animal. Raises FhirRefused with the FHIR path, or NotOurs by its species."""
    animal = next(extensions(resource, "Patient", ANIMAL), {})
    species_words = _extension_words(animal, "species")
    if not species_words:
        raise FhirRefused(f"{_ANIMAL_PATH}.species", "", "a species")
    name = _name(parts(resource.get("name"), "Patient.name"), "Patient.name")
    if name is None:
        raise FhirRefused("Patient.name", "", "a name")
    gender = text(resource.get("gender"), "Patient.gender")
    sex, neutered_by_sex = record_words.sex_of(codes, "Patient.gender", gender)
    neutered = record_words.neutered_of(
        codes, f"{_ANIMAL_PATH}.genderStatus", _extension_words(animal, "genderStatus")
    )
    breed = (_extension_words(animal, "breed", shown=True) or [""])[-1]
    return Patient(
        patient_id=patient_identifier(resource, codes),
        name=name,
        species=record_words.species_of(codes, f"{_ANIMAL_PATH}.species", species_words),
        breed=record_words.short_text(f"{_ANIMAL_PATH}.breed", breed),
        sex=sex,
        neutered=neutered_by_sex if neutered is None else neutered,
        born_on=whole_date(resource.get("birthDate"), "Patient.birthDate"),
        weight=newest_weight(observations, codes),
        responsible_person=_responsible_person(resource),
    )


def patient_identifier(resource: Resource, codes: RecordCodes) -> str:
    """Give the identifier that counts: the only one, or that of one of our systems."""
    path = "Patient.identifier"
    wanted = codes.identifier_authorities
    values: dict[str, None] = {}
    told = []
    for place, identifier in enumerate(parts(resource.get("identifier"), path)):
        value = text(identifier.get("value"), f"{path}[{place}].value")
        if not value or identifier.get("use") == "old":
            continue
        told.append(value)
        if not wanted or identifier.get("system") in wanted:
            values[value] = None
    if len(values) != 1:
        expected = (
            f"one identifier of system {' or '.join(wanted)}"
            if wanted
            else "one identifier, or identifier_authorities in record_codes.yaml to choose by"
        )
        raise FhirRefused(path, ", ".join(told), expected)
    identifier_text = record_words.short_text(path, next(iter(values)))
    if identifier_text is None:
        raise FhirRefused(path, "", "an identifier")
    return identifier_text


def newest_weight(observations: Sequence[Resource], codes: RecordCodes) -> Weight | None:
    """Give the newest weight that counts; of two of one moment, the later version."""
    dated: list[tuple[datetime, str, Resource]] = []
    for observation in observations:
        if not is_weight(observation, codes):
            continue
        if text(observation.get("status"), "Observation.status") not in _STATUS_OF_A_WEIGHT:
            continue
        if "valueQuantity" not in observation:
            continue
        at = _measured_at(observation)
        if at is None:
            raise FhirRefused("Observation.effectiveDateTime", "", "when it was weighed")
        meta = part(observation.get("meta"), "Observation.meta")
        dated.append((at, text(meta.get("lastUpdated"), "Observation.meta"), observation))
    if not dated:
        return None
    newest = max(dated, key=lambda entry: entry[:2])[2]
    path = "Observation.valueQuantity"
    quantity = part(newest.get("valueQuantity"), path)
    unit = text(quantity.get("code"), f"{path}.code") or text(quantity.get("unit"), f"{path}.unit")
    value = quantity.get("value")
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        raise FhirRefused(f"{path}.value", value, "a number")
    return record_words.weight_of(codes, f"{path}.value", f"{path}.code", str(value), unit)


def is_weight(observation: Resource, codes: RecordCodes) -> bool:
    """Tell whether an Observation is a body weight, by its code."""
    words = words_of(observation.get("code"), "Observation.code")
    return any(word in codes.weight_codes for word in words)


def _measured_at(observation: Resource) -> datetime | None:
    for name in ("effectiveDateTime", "effectiveInstant", "issued"):
        if observation.get(name):
            return moment(observation[name], f"Observation.{name}", _UTC)
    period = part(observation.get("effectivePeriod"), "Observation.effectivePeriod")
    return moment(period.get("start"), "Observation.effectivePeriod.start", _UTC)


def _extension_words(animal: Resource, url: str, *, shown: bool = False) -> list[str]:
    """Give the words of one part of the extension; ``shown`` leaves out codes with systems."""
    path = f"{_ANIMAL_PATH}.{url}"
    for extension in extensions(animal, _ANIMAL_PATH, url):
        words = words_of(extension.get("valueCodeableConcept"), path)
        return [word for word in words if "|" not in word] if shown else words
    return []


def _name(names: Sequence[Resource], path: str) -> str | None:
    """Give the usual name, else the first: as text, or given and family name joined."""
    current = [name for name in names if name.get("use") != "old"]
    ranked = sorted(current, key=lambda name: name.get("use") not in ("usual", "official"))
    for name in ranked:
        given = name.get("given") or []
        words = [
            text(one, f"{path}.given") for one in (given if isinstance(given, list) else [given])
        ]
        joined = " ".join([*words, text(name.get("family"), f"{path}.family")])
        whole = text(name.get("text"), f"{path}.text") or joined
        found = record_words.short_text(path, whole)
        if found is not None:
            return found
    return None


def _responsible_person(resource: Resource) -> str | None:
    for contact in parts(resource.get("contact"), "Patient.contact"):
        path = "Patient.contact.name"
        found = _name(parts(contact.get("name"), path), path)
        if found is not None:
            return found
    return None
