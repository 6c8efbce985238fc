"""Invented FHIR R4 resources, as JSON. ``tests/outside`` validates them before they are read."""

from __future__ import annotations

import copy
from typing import Any

Json = dict[str, Any]

ANIMAL = "http://hl7.org/fhir/StructureDefinition/patient-animal"
SNOMED = "http://snomed.info/sct"
INVENTED = "http://example.org/invented"


def concept(code: str, system: str = INVENTED, text: str = "") -> Json:
    made: Json = {"coding": [{"system": system, "code": code}]}
    return made | ({"text": text} if text else {})


def patient(number: str = "p1", updated: str = "2026-03-02T08:00:00Z", **changes: Any) -> Json:
    made: Json = {
        "resourceType": "Patient",
        "id": number,
        "meta": {"versionId": "1", "lastUpdated": updated},
        "extension": [
            {
                "url": ANIMAL,
                "extension": [
                    {
                        "url": "species",
                        "valueCodeableConcept": concept("448771007", SNOMED, "Dog"),
                    },
                    {"url": "breed", "valueCodeableConcept": concept("BEA", text="Beagle")},
                    {
                        "url": "genderStatus",
                        "valueCodeableConcept": concept(
                            "neutered", "http://hl7.org/fhir/animal-genderstatus"
                        ),
                    },
                ],
            }
        ],
        "identifier": [{"system": INVENTED, "value": f"P-{number}"}],
        "name": [{"use": "usual", "given": ["Pepper"], "family": "Owner"}],
        "gender": "female",
        "birthDate": "2019-05-01",
        "contact": [{"name": {"text": "Invented Owner"}}],
    }
    return _changed(made, changes)


def weight(
    number: str = "w1",
    value: float = 25.1,
    unit: str = "[lb_av]",
    at: str = "2026-03-02T07:00:00Z",
    updated: str = "2026-03-02T07:00:01Z",
    patient_number: str = "p1",
    **changes: Any,
) -> Json:
    made: Json = {
        "resourceType": "Observation",
        "id": number,
        "meta": {"versionId": "1", "lastUpdated": updated},
        "status": "final",
        "code": concept("29463-7", "http://loinc.org"),
        "subject": {"reference": f"Patient/{patient_number}"},
        "effectiveDateTime": at,
        "valueQuantity": {
            "value": value,
            "unit": "lb" if unit == "[lb_av]" else unit,
            "system": "http://unitsofmeasure.org",
            "code": unit,
        },
    }
    return _changed(made, changes)


def encounter(number: str = "e1", **changes: Any) -> Json:
    made: Json = {
        "resourceType": "Encounter",
        "id": number,
        "meta": {"versionId": "1", "lastUpdated": "2026-03-02T06:00:00Z"},
        "status": "planned",
        "class": {
            "system": "http://terminology.hl7.org/CodeSystem/v3-ActCode",
            "code": "AMB",
        },
        "subject": {"reference": "Patient/p1"},
        "period": {"start": "2026-03-02T10:00:00+01:00"},
        "location": [{"location": {"display": "INV-DENTAL-1"}}],
    }
    return _changed(made, changes)


def order(number: str = "s1", updated: str = "2026-03-02T08:30:00Z", **changes: Any) -> Json:
    made: Json = {
        "resourceType": "ServiceRequest",
        "id": number,
        "meta": {"versionId": "1", "lastUpdated": updated},
        "identifier": [
            {
                "type": concept("PLAC", "http://terminology.hl7.org/CodeSystem/v2-0203"),
                "system": INVENTED,
                "value": f"100{number}",
            }
        ],
        "status": "active",
        "intent": "order",
        "code": concept("INV-DENT-DOG", text="Full mouth"),
        "subject": {"reference": "Patient/p1"},
        "encounter": {"reference": "Encounter/e1"},
        "authoredOn": "2026-03-01T17:00:00Z",
        "reasonCode": [{"text": "Fractured tooth (invented)"}],
    }
    return _changed(made, changes)


def bundle(*resources: Json, kind: str = "collection") -> Json:
    base = "http://example.org/invented"
    entries = [
        {"fullUrl": f"{base}/{one['resourceType']}/{one['id']}", "resource": one}
        for one in resources
    ]
    return {"resourceType": "Bundle", "type": kind, "entry": entries}


def _changed(made: Json, changes: dict[str, Any]) -> Json:
    changed = copy.deepcopy(made) | changes
    return {name: value for name, value in changed.items() if value is not None}
