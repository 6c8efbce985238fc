"""The patients and orders of a FHIR server that postings are for."""

from __future__ import annotations

from typing import Any

import pytest

from services.records.adapters.fhir import FhirAdapter
from services.records.port import (
    Rejected,
)
from services.records.suite import accepted
from services.records.suite.samples import charge_posting, entry, note, note_posting
from tests.record_stand_ins.fhir_server import ORDERS, FhirServer, known_patient


@pytest.mark.parametrize(
    ("held", "words"),
    [
        ([], "knows no patient P-1001"),
        ([known_patient("P-1001"), known_patient("P-1001")], "2 times"),
    ],
    ids=["unknown", "twice"],
)
def test_nothing_is_posted_for_a_patient_whom_the_record_does_not_know_for_certain(
    fhir: FhirServer, adapter: FhirAdapter, held: list[dict[str, Any]], words: str
) -> None:
    fhir.control(set={"knows_every_patient": False}, resources=held)

    answers = [adapter.post_charge(charge_posting()), adapter.post_note(note_posting())]

    assert all(isinstance(one, Rejected) and words in one.words for one in answers)
    assert fhir.held("ChargeItem") == fhir.held("DocumentReference") == []


def test_nothing_is_posted_for_a_patient_who_was_merged_into_another(
    fhir: FhirServer, adapter: FhirAdapter
) -> None:
    fhir.control(resources=[{**known_patient("P-2"), "id": "kept"}])
    link = {"other": {"reference": "Patient/kept"}, "type": "replaced-by"}
    fhir.control(resources=[known_patient("P-1001", link=[link])])

    answer = adapter.post_charge(charge_posting())

    assert isinstance(answer, Rejected)
    assert "merged" in answer.words


def test_an_order_is_named_by_its_reference_where_the_record_knows_it(fhir: FhirServer) -> None:
    adapter = fhir.adapter(order_system=ORDERS)
    accepted(adapter.post_charge(charge_posting(entry(1))))
    (known,) = fhir.held("Patient")
    order = {
        "resourceType": "ServiceRequest",
        "id": "order-1",
        "identifier": [{"system": ORDERS, "value": "A1001"}],
        "status": "active",
        "intent": "order",
        "subject": {"reference": f"Patient/{known['id']}"},
    }
    fhir.control(resources=[order])

    accepted(adapter.post_charge(charge_posting(entry(2))))
    accepted(adapter.post_note(note_posting(note(accession_number="A1001"))))

    before, after = (one["supportingInformation"][0] for one in fhir.held("ChargeItem"))
    assert before["identifier"] == {"system": ORDERS, "value": "A1001"}
    assert after == {"reference": "ServiceRequest/order-1"}
    assert fhir.held("DiagnosticReport")[0]["basedOn"] == [after]
    adapter.close()
