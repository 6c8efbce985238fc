"""Parsers of what a patient record says: FHIR, HL7 v2 and its framing."""

from __future__ import annotations

import json
import random
from pathlib import Path
from typing import Any

from services.intake.fhir_json import parts, read_resource
from services.intake.fhir_look import BundleLook
from services.intake.fhir_reading import read_facts as read_fhir
from services.intake.hl7_message import read_message
from services.intake.hl7_reading import read_facts as read_hl7
from services.intake.mllp_frames import BrokenStream, FrameReader, framed
from services.intake.record_words import NotOurs
from tests.fuzz.mutation import Mutator
from tests.fuzz.shape import ShapeMutator
from tests.fuzz.target import REFUSED, TAKEN, Broken, Ready, Target, refused
from tests.messages import message
from tests.record_inputs.codes import codes, north
from tests.record_inputs.hl7_texts import adt, joined, merge, omg, omi, orm

ANIMAL = "http://hl7.org/fhir/StructureDefinition/patient-animal"
PATIENT: dict[str, Any] = {
    "resourceType": "Patient",
    "id": "p1",
    "meta": {"lastUpdated": "2026-03-02T08:00:00Z", "versionId": "1"},
    "identifier": [{"system": "urn:invented", "value": "P-1001"}],
    "name": [{"use": "usual", "given": ["Pepper"], "family": "Invented"}],
    "gender": "female",
    "birthDate": "2019-05-01",
    "contact": [{"name": {"text": "Invented Owner"}}],
    "extension": [
        {
            "url": ANIMAL,
            "extension": [
                {
                    "url": "species",
                    "valueCodeableConcept": {
                        "coding": [{"system": "http://snomed.info/sct", "code": "448771007"}]
                    },
                },
                {"url": "breed", "valueCodeableConcept": {"text": "Beagle"}},
                {
                    "url": "genderStatus",
                    "valueCodeableConcept": {"coding": [{"code": "neutered"}]},
                },
            ],
        }
    ],
}
WEIGHT: dict[str, Any] = {
    "resourceType": "Observation",
    "id": "w1",
    "meta": {"lastUpdated": "2026-03-02T08:10:00Z"},
    "status": "final",
    "code": {"coding": [{"system": "http://loinc.org", "code": "29463-7"}]},
    "subject": {"reference": "Patient/p1"},
    "effectiveDateTime": "2026-03-02T08:05:00+01:00",
    "valueQuantity": {"value": 11.4, "unit": "kg", "code": "kg"},
}
ORDER: dict[str, Any] = {
    "resourceType": "ServiceRequest",
    "id": "o1",
    "meta": {"lastUpdated": "2026-03-02T08:20:00Z"},
    "identifier": [{"value": "O-1"}],
    "status": "active",
    "intent": "order",
    "code": {"coding": [{"code": "INV-DENT-DOG"}]},
    "subject": {"reference": "Patient/p1"},
    "occurrenceDateTime": "2026-03-02T10:00:00+01:00",
    "locationCode": [{"coding": [{"code": "INV-DENTAL-1"}]}],
    "reasonCode": [{"text": "Invented"}],
    "supportingInfo": [{"reference": "Observation/w1"}],
}
BUNDLE: dict[str, Any] = {
    "resourceType": "Bundle",
    "type": "collection",
    "entry": [{"resource": one} for one in (PATIENT, WEIGHT, ORDER)],
}
MERGED = PATIENT | {"link": [{"other": {"reference": "Patient/p2"}, "type": "replaced-by"}]}
OTHER = PATIENT | {"id": "p2", "identifier": [{"value": "P-2"}]}
FHIR_SEEDS: tuple[Any, ...] = (
    BUNDLE,
    PATIENT,
    WEIGHT,
    ORDER | {"contained": [PATIENT | {"id": "c"}], "subject": {"reference": "#c"}},
    ORDER | {"status": "revoked"},
    {"resourceType": "Bundle", "entry": [{"resource": MERGED}, {"resource": OTHER}]},
)
HL7_SEEDS = [
    *(joined(lines) for lines in (adt(), merge(), orm(), orm("CA"), omg(), omi(), orm("XO"))),
    joined(adt(f18="UNICODE UTF-8"), "utf-8"),
    joined(adt(f18="8859/1"), "iso-8859-1"),
]
HL7_TOKENS = (
    b"|",
    b"^",
    b"~",
    b"\\",
    b"&",
    b"\\X41\\",
    b"\\XZZ\\",
    b"\\F\\",
    b"\\C2842\\",
    b'""',
    b"\r",
    b"\rORC|",
    b"\rMSH|^~\\&|",
    b"\rPID|",
    b"^" * 200,
    b"~" * 200,
    b"20260230",
    b"2026",
    b"+9999",
    b"UNICODE UTF-8",
    b"8859/1",
    b"ISO IR87",
)


def _fhir(_folder: Path) -> Ready:
    mutate = ShapeMutator(FHIR_SEEDS)
    table, site = codes(), north()

    def feed(body: bytes) -> str:
        resource = read_resource(body)
        if resource["resourceType"] == "Bundle":
            look = BundleLook.of_bundle(resource, table)
            told = [one for one in look.resources() if isinstance(one.get("resourceType"), str)]
        else:
            look, told = BundleLook([resource], table), [resource]
        parts(resource.get("entry"), "Bundle.entry")
        outcome = TAKEN
        for one in told:
            try:
                facts = read_fhir(one, table, site, look)
            except NotOurs:
                continue
            for fact in facts:
                message(fact.fact, occurred_at=fact.occurred_at).encode().decode()
        json.dumps(resource).encode()
        return outcome

    return Ready(mutate.written, mutate, feed)


def _hl7(_folder: Path) -> Ready:
    table, site = codes(), north()

    def feed(body: bytes) -> str:
        try:
            read = read_hl7(read_message(body), table, site)
        except NotOurs:
            return TAKEN
        for fact in read.facts:
            message(fact, occurred_at=read.occurred_at, source_clock=read.source_clock).encode()
        return TAKEN

    return Ready(HL7_SEEDS, Mutator(HL7_SEEDS, HL7_TOKENS), feed)


MLLP_SEEDS = [
    framed(HL7_SEEDS[0]),
    framed(HL7_SEEDS[2]) + framed(HL7_SEEDS[3]),
    b"\r\n" + framed(HL7_SEEDS[1]) + b"\r\n" + framed(b""),
]
MLLP_TOKENS = (*HL7_TOKENS, b"\x0b", b"\x1c", b"\x1c\r", b"\x0b\x1c\r", b"\x00" * 1200, b"x" * 1200)


def _frames(_folder: Path) -> Ready:
    def read(pieces: list[bytes]) -> tuple[list[bytes], str]:
        reader = FrameReader(5_000)
        found: list[bytes] = []
        for piece in pieces:
            try:
                found += reader.feed(piece)
            except BrokenStream as error:
                return found, refused(error)
        return found, TAKEN

    def feed(stream: bytes) -> str:
        cut = random.Random(stream)
        places = sorted(cut.randrange(len(stream) + 1) for _ in range(4))
        ends = zip([0, *places], [*places, len(stream)], strict=True)
        found, outcome = read([stream[start:end] for start, end in ends])
        whole, whole_outcome = read([stream])
        # A stream that breaks in one piece loses what came whole before it in the same piece.
        if whole_outcome != REFUSED and (found, outcome) != (whole, whole_outcome):
            raise Broken("a stream read in pieces gives other messages than in one")
        return whole_outcome

    return Ready(MLLP_SEEDS, Mutator(MLLP_SEEDS, MLLP_TOKENS), feed)


TARGETS = (
    Target("fhir", _fhir),
    Target("hl7", _hl7),
    Target("mllp-frames", _frames),
)
