"""Charges as ChargeItems, and the lines that a FHIR server holds."""

from __future__ import annotations

from decimal import Decimal

from schemas.facts import RecordLine
from services.records.adapters.fhir import FhirAdapter
from services.records.port import (
    ChargePosting,
    Rejected,
    Unreadable,
)
from services.records.suite import accepted
from services.records.suite.samples import DAY, SITE, STUDY, charge_posting, credit, entry
from tests.record_stand_ins.fhir_server import FhirServer, known_patient

KEY = entry().posting_key


def test_a_server_that_passes_over_the_search_does_not_lead_us_to_another_key_or_patient(
    fhir: FhirServer, adapter: FhirAdapter
) -> None:
    fhir.control(resources=[known_patient("P-2002"), known_patient("P-1001")])
    accepted(adapter.post_charge(charge_posting(entry(2))))
    fhir.behave(heeds_searches=False)

    assert adapter.find_charge(charge_posting(entry(1))) is None
    (line,) = adapter.read_charges(study_instance_uid=STUDY)
    assert line.patient_id == "P-1001"


def test_the_charge_stays_billable_beside_a_negative_item_that_names_it(
    fhir: FhirServer, adapter: FhirAdapter
) -> None:
    reference = accepted(adapter.post_charge(charge_posting()))
    accepted(adapter.reverse_charge(charge_posting(credit(2, KEY))))

    charge, reversal = fhir.held("ChargeItem")

    assert (charge["status"], reversal["status"]) == ("billable", "billable")
    assert (charge["priceOverride"]["value"], reversal["priceOverride"]["value"]) == (38.0, -38.0)
    assert reversal["supportingInformation"] == [{"reference": reference}]


def test_an_item_taken_out_by_hand_is_no_line_and_is_not_posted_over(
    fhir: FhirServer, adapter: FhirAdapter
) -> None:
    accepted(adapter.post_charge(charge_posting()))
    (item,) = fhir.held("ChargeItem")
    fhir.control(resources=[{**item, "status": "entered-in-error"}])

    answer = adapter.post_charge(charge_posting())

    assert isinstance(answer, Rejected)
    assert "entered-in-error" in answer.words
    assert list(adapter.read_lines(SITE, DAY, DAY)) == []


def test_a_line_by_hand_is_read_and_one_that_we_posted_and_was_edited_is_marked(
    fhir: FhirServer, adapter: FhirAdapter
) -> None:
    accepted(adapter.post_charge(charge_posting()))
    (item,) = fhir.held("ChargeItem")
    price = {"value": 45.0, "currency": "EUR"}
    by_hand = {
        "resourceType": "ChargeItem",
        "status": "billed",
        "code": {"coding": [{"code": "INV-HAND"}]},
        "subject": {"reference": item["subject"]["reference"]},
        "occurrenceDateTime": "2026-03-02T09:00:00Z",
        "priceOverride": {"value": 12.5, "currency": "EUR"},
    }
    unpriced = {k: v for k, v in by_hand.items() if k != "priceOverride"}
    fhir.control(resources=[{**item, "priceOverride": price}, by_hand, unpriced])

    edited, hand, unread = adapter.read_lines(SITE, DAY, DAY)

    assert isinstance(edited, RecordLine)
    assert (edited.posting_key, edited.amount, edited.edited) == (KEY, Decimal("45.00"), True)
    assert isinstance(hand, RecordLine)
    assert (hand.posting_key, hand.patient_id, hand.amount) == (None, "P-1001", Decimal("12.50"))
    assert isinstance(unread, Unreadable)
    assert unread.error.field == "ChargeItem.priceOverride.value"
    adapter.settle(unread)
    assert len(list(adapter.read_lines(SITE, DAY, DAY))) == 2


def test_every_page_of_what_is_held_is_read(fhir: FhirServer, adapter: FhirAdapter) -> None:
    fhir.behave(page=2)
    for number in range(1, 6):
        accepted(adapter.post_charge(charge_posting(entry(number))))

    assert len(adapter.read_charges(study_instance_uid=STUDY)) == 5
    assert len(list(adapter.read_lines(SITE, DAY, DAY))) == 5


def test_hostile_keys_reach_the_server_as_identifiers_that_fhir_allows(
    fhir: FhirServer, adapter: FhirAdapter
) -> None:
    posting: ChargePosting = charge_posting(entry(1, posting_key="a|b,c$d\\e \x00~1~"))

    accepted(adapter.post_charge(posting))

    (item,) = fhir.held("ChargeItem")
    value = item["identifier"][0]["value"]
    assert value.isascii()
    assert value.isprintable()
    assert not set(value) & set("|,$\\ ")
    held = adapter.find_charge(posting)
    assert held is not None
    assert held.posting_key == posting.key
