"""FHIR resources held against the models of fhir.resources before we read them.

The library carries R4B (4.3.0), not R4 (4.0.1). Of what is read here the two are alike: Patient,
Encounter, Observation, ServiceRequest and Bundle kept the elements that are used (HL7's page of
changes between the two: R4B is about new resources of evidence and medication; from memory).
R5 differs: Encounter.class is repeated and its period is actualPeriod, ServiceRequest.code is a
CodeableReference: shown below, so that nobody swaps the module unseen.
"""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from fhir.resources.encounter import Encounter as R5Encounter
from fhir.resources.R4B.bundle import Bundle
from fhir.resources.R4B.encounter import Encounter
from fhir.resources.R4B.observation import Observation
from fhir.resources.R4B.operationoutcome import OperationOutcome
from fhir.resources.R4B.patient import Patient
from fhir.resources.R4B.servicerequest import ServiceRequest
from fhir.resources.servicerequest import ServiceRequest as R5ServiceRequest
from pydantic import ValidationError

from schemas.facts import OrderCancelled, OrderPlaced, PatientDescribed, PatientMerged
from schemas.facts.order import Sex
from schemas.mappings.record_codes import load_record_codes
from schemas.teeth import Species
from services.intake.fhir_hook import _outcome
from services.intake.fhir_look import BundleLook
from services.intake.fhir_reading import ReadFact, read_facts
from tests.record_inputs.codes import codes, north
from tests.record_inputs.fhir_resources import Json, bundle, encounter, order, patient, weight

MODELS: dict[str, Any] = {
    "Patient": Patient,
    "Encounter": Encounter,
    "Observation": Observation,
    "ServiceRequest": ServiceRequest,
    "Bundle": Bundle,
}


def validated(resource: Json) -> Json:
    """Give a resource as it is once the library's model has taken it."""
    MODELS[resource["resourceType"]].model_validate_json(json.dumps(resource))
    return resource


def read(resource: Json, *beside: Json) -> list[ReadFact]:
    came = [validated(one) for one in (resource, *beside)]
    validated(bundle(*came))
    return read_facts(resource, codes(), north(), BundleLook(came, codes()))


def test_a_valid_order_is_read_with_its_patient_encounter_and_weight() -> None:
    (told,) = read(order(), patient(), encounter(), weight())

    fact = told.fact
    assert isinstance(fact, OrderPlaced)
    assert (fact.order_id, fact.plan, fact.room) == ("100s1", "dog-full-mouth", "dental-1")
    assert fact.scheduled_at == datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
    assert fact.indication == "Fractured tooth (invented)"
    animal = fact.patient
    assert (animal.patient_id, animal.name, animal.breed) == ("P-p1", "Pepper Owner", "Beagle")
    assert (animal.species, animal.sex, animal.neutered) == (Species.DOG, Sex.FEMALE, True)
    assert animal.responsible_person == "Invented Owner"
    assert animal.weight is not None
    assert (animal.weight.value, animal.weight.unit) == (25.1, "lb")
    assert told.occurred_at == datetime(2026, 3, 2, 8, 30, tzinfo=UTC)


def test_a_valid_order_may_contain_its_patient_and_weight() -> None:
    animal, weighed = patient(), weight(value=11.4, unit="kg")
    for one in (animal, weighed):
        del one["meta"]
    weighed["subject"] = {"reference": "#p1"}
    whole = order(
        contained=[animal, weighed],
        subject={"reference": "#p1"},
        supportingInfo=[{"reference": "#w1"}],
    )

    (told,) = read(whole, encounter())

    assert isinstance(told.fact, OrderPlaced)
    assert told.fact.patient.weight is not None
    assert (told.fact.patient.weight.value, told.fact.patient.weight.unit) == (11.4, "kg")


@pytest.mark.parametrize(
    ("status", "kind"),
    [
        ("active", OrderPlaced),
        ("on-hold", OrderPlaced),
        ("revoked", OrderCancelled),
        ("entered-in-error", OrderCancelled),
        ("completed", None),
        ("draft", None),
    ],
)
def test_each_status_of_the_value_set_is_placed_cancelled_or_only_heard(
    status: str, kind: type[Any] | None
) -> None:
    told = read(order(status=status), patient(), encounter())

    assert [type(one.fact) for one in told] == ([] if kind is None else [kind])


def test_a_valid_patient_is_described_with_its_newest_weight() -> None:
    newer = weight("w2", 24.0, at="2026-03-02T07:30:00Z", updated="2026-03-02T09:00:00Z")
    wrong = weight("w3", 2.0, at="2026-03-02T07:45:00Z", status="entered-in-error")

    (told,) = read(patient(), weight(), newer, wrong)

    assert isinstance(told.fact, PatientDescribed)
    assert told.fact.patient.weight is not None
    assert told.fact.patient.weight.value == 24.0
    assert told.occurred_at == datetime(2026, 3, 2, 9, 0, tzinfo=UTC)


def test_a_weight_tells_the_same_of_the_patient_as_the_patient_does() -> None:
    by_patient = read(patient(), weight())
    by_weight = read(weight(), patient())

    assert by_weight == by_patient


def test_a_valid_link_merges_two_records_from_either_side() -> None:
    link = [{"other": {"reference": "Patient/p1"}, "type": "replaced-by"}]
    back = [{"other": {"reference": "Patient/p0"}, "type": "replaces"}]
    retired, kept = patient("p0", active=False, link=link), patient(link=back)
    merged = PatientMerged(kept_patient_id="P-p1", retired_patient_id="P-p0")

    assert [one.fact for one in read(retired, kept)] == [merged]
    from_kept = [one.fact for one in read(kept, retired)]
    assert merged in from_kept
    assert len(from_kept) == 2


def test_our_refusal_is_a_valid_operation_outcome() -> None:
    answer = _outcome(422, "processing", "ServiceRequest.code", "one of the mapped codes")

    OperationOutcome.model_validate_json(bytes(answer.body))


def test_the_check_itself_finds_what_the_standard_does_not_have() -> None:
    with pytest.raises(ValidationError):
        validated(order(intents="order"))


def test_the_newer_release_would_not_take_these_resources() -> None:
    for model, resource in ((R5Encounter, encounter()), (R5ServiceRequest, order())):
        with pytest.raises(ValidationError):
            model.model_validate_json(json.dumps(resource))


def test_the_packaged_example_knows_the_species_codes_of_the_extension_s_value_set() -> None:
    # 'canislf' is Dog in http://hl7.org/fhir/animal-species, as a published example has it
    # (a tutorial's instance of this extension; the value set itself is from memory).
    packaged = load_record_codes(Path("no folder"))

    assert packaged.species["canislf"] is Species.DOG
    assert packaged.species["448771007"] is Species.DOG
