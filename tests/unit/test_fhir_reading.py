"""FHIR resources read into facts: refusals by path, and no crash on anything."""

from __future__ import annotations

import json
from contextlib import suppress
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from schemas.errors import InvalidInput
from schemas.facts import OrderPlaced
from services.intake.fhir_json import read_resource
from services.intake.fhir_look import BundleLook
from services.intake.fhir_reading import ReadFact, read_facts
from services.intake.record_words import NotOurs
from tests.record_inputs.codes import codes, north
from tests.record_inputs.fhir_resources import (
    ANIMAL,
    Json,
    bundle,
    concept,
    encounter,
    order,
    patient,
    weight,
)


def read(resource: Json, *beside: Json, **changes: Any) -> list[ReadFact]:
    table = codes(**changes)
    return read_facts(resource, table, north(), BundleLook([resource, *beside], table))


def placed(resource: Json, *beside: Json, **changes: Any) -> OrderPlaced:
    (told,) = read(resource, *beside, **changes)
    assert isinstance(told.fact, OrderPlaced)
    return told.fact


def species(code: str) -> list[Json]:
    inner = {"url": "species", "valueCodeableConcept": concept(code)}
    return [{"url": ANIMAL, "extension": [inner]}]


def replaced_by(number: str) -> list[Json]:
    return [{"type": "replaced-by", "other": {"reference": f"Patient/{number}"}}]


NO_UID = {"system": "urn:dicom:uid", "value": "1.a"}
AROUND = (patient(), encounter(), weight())


@pytest.mark.parametrize(
    ("resource", "path"),
    [
        (order(code=concept("NEW")), "ServiceRequest.code"),
        (order(code=None), "ServiceRequest.code"),
        (order(status="lost"), "ServiceRequest.status"),
        (order(status=None), "ServiceRequest.status"),
        (order(subject={"reference": "Patient/p9"}), "ServiceRequest.subject"),
        (order(encounter=None), "ServiceRequest.locationReference"),
        (order(locationCode=[concept("X")]), "ServiceRequest.locationCode"),
        (order(occurrenceDateTime="soon"), "ServiceRequest.occurrenceDateTime"),
        (order(occurrenceDateTime="2026-03-02T09:00:00"), "ServiceRequest.occurrenceDateTime"),
        (order(meta={}), "ServiceRequest.meta.lastUpdated"),
        (order(identifier=[{"value": "1"}, {"value": "2"}]), "ServiceRequest.identifier"),
        (order(identifier=None, id="x" * 65), "ServiceRequest.identifier"),
        (order(identifier=[NO_UID]), "ServiceRequest.identifier"),
        (order(reasonCode=["text"]), "ServiceRequest.reasonCode"),
        (patient(extension=None), "Patient.extension(patient-animal).species"),
        (patient(extension=species("GOAT")), "Patient.extension(patient-animal).species"),
        (patient(identifier=[{"value": "1"}, {"value": "2"}]), "Patient.identifier"),
        (patient(birthDate="2019-02-30"), "Patient.birthDate"),
        (patient(birthDate="May"), "Patient.birthDate"),
        (patient(gender=7), "Patient.gender"),
        (patient(link=replaced_by("p9")), "Patient.link[0].other"),
        (patient(link=replaced_by("p1")), "Patient.link[0].other"),
        (weight(unit="stone"), "Observation.valueQuantity.code"),
        (weight(value=-1.0), "Observation.valueQuantity.value"),
        (weight(value=True), "Observation.valueQuantity.value"),
        (weight(effectiveDateTime=None), "Observation.effectiveDateTime"),
        (weight(subject={"reference": "Patient/p9"}), "Observation.subject"),
    ],
)  # fmt: skip
def test_what_cannot_be_used_is_refused_by_its_path(resource: Json, path: str) -> None:
    beside = [one for one in AROUND if one["id"] != resource["id"]]

    with pytest.raises(InvalidInput) as refusal:
        read(resource, *beside)

    assert refusal.value.field == path


def test_what_is_listed_as_not_ours_is_told_apart() -> None:
    for resource in (patient(extension=species("EQUINE")), order(code=concept("INV-THORAX"))):
        with pytest.raises(NotOurs):
            read(resource, *AROUND)


@pytest.mark.parametrize("intent", ["plan", "proposal", "reflex-order", None])
def test_only_an_order_is_an_order(intent: str | None) -> None:
    assert read(order(intent=intent), *AROUND) == []


def test_another_observation_or_resource_tells_nothing() -> None:
    pulse = weight(code=concept("8867-4", "http://loinc.org"))

    assert read(pulse, patient()) == []
    assert read(encounter()) == []


def test_a_code_may_be_listed_with_its_system() -> None:
    table = {"orders": {"http://example.org/invented|77": "dog-full-mouth"}}

    assert placed(order(code=concept("77")), *AROUND, **table).plan == "dog-full-mouth"
    with pytest.raises(InvalidInput):
        read(order(code=concept("77", "http://example.org/other")), *AROUND, **table)


def test_the_identifier_of_our_system_counts_among_several() -> None:
    several = [
        {"system": "http://example.org/chip", "value": "276098100000001"},
        {"system": "http://example.org/ours", "value": "P-77"},
        {"system": "http://example.org/ours", "value": "P-70", "use": "old"},
    ]
    table = {"identifier_authorities": ["http://example.org/ours"]}

    told = placed(order(), patient(identifier=several), encounter(), **table)

    assert told.patient.patient_id == "P-77"


def test_the_record_s_own_study_and_accession_number_are_kept() -> None:
    own = [
        *order()["identifier"],
        {"system": "urn:dicom:uid", "value": "urn:oid:2.25.4711"},
        {"type": concept("ACSN"), "value": "A-4711"},
    ]

    told = placed(order(identifier=own), *AROUND)

    assert (told.study_instance_uid, told.accession_number) == ("2.25.4711", "A-4711")
    assert told.order_id == "100s1"


def test_the_order_s_own_start_outranks_its_encounter_s_and_a_day_begins_at_midnight() -> None:
    told = placed(order(occurrenceDateTime="2026-07-02"), *AROUND)

    # midnight in Vienna, in summer time
    assert told.scheduled_at.isoformat() == "2026-07-01T22:00:00+00:00"


def test_a_changed_part_gives_the_order_a_higher_revision() -> None:
    before = placed(order(), *AROUND)
    heavier = weight("w2", 26.0, at="2026-03-02T08:31:00Z", updated="2026-03-02T08:31:01Z")

    after = placed(order(), *AROUND, heavier)

    assert after.revision > before.revision
    assert after.patient.weight != before.patient.weight


def test_an_entry_in_error_moves_the_moment_too_so_nothing_is_told_twice_differently() -> None:
    (before,) = read(patient(), weight())
    wrong = weight(status="entered-in-error", updated="2026-03-02T09:00:00Z")
    (after,) = read(patient(), wrong)

    assert after.fact != before.fact
    assert after.occurred_at > before.occurred_at


def test_a_bundle_s_full_urls_are_followed() -> None:
    animal = patient() | {"id": "other"}
    whole = bundle(order(subject={"reference": "urn:uuid:1"}), encounter())
    whole["entry"].append({"fullUrl": "urn:uuid:1", "resource": animal})
    look = BundleLook.of_bundle(whole, codes())

    (told,) = read_facts(whole["entry"][0]["resource"], codes(), north(), look)

    assert isinstance(told.fact, OrderPlaced)


JSON = st.recursive(
    st.none() | st.booleans() | st.floats(allow_nan=False) | st.integers() | st.text(max_size=8),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=6), inner, max_size=3)
    ),
    max_leaves=6,
)


def places(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    inner: list[tuple[Any, Any]] = []
    if isinstance(value, dict):
        inner = list(value.items())
    elif isinstance(value, list):
        inner = list(enumerate(value))
    return [path, *(place for key, one in inner for place in places(one, (*path, key)))]


@settings(max_examples=400, deadline=None)
@given(data=st.data())
def test_no_change_of_a_resource_makes_reading_fail_otherwise_than_by_refusal(
    data: st.DataObject,
) -> None:
    # given: one part of one resource replaced by anything
    resources = [order(), patient(), encounter(), weight()]
    whole: Any = json.loads(json.dumps(resources))
    place = data.draw(st.sampled_from([one for one in places(whole) if len(one) > 1]))
    target = whole
    for key in place[:-1]:
        target = target[key]
    target[place[-1]] = data.draw(JSON)

    # when, then
    for resource in whole:
        try:
            told = read(resource, *whole)
        except (InvalidInput, NotOurs):
            continue
        for one in told:
            assert type(one.fact).model_validate_json(one.fact.model_dump_json()) == one.fact


@settings(max_examples=200, deadline=None)
@given(body=st.binary(max_size=200))
def test_any_bytes_are_a_resource_or_refused(body: bytes) -> None:
    with suppress(InvalidInput):
        assert isinstance(read_resource(body)["resourceType"], str)
