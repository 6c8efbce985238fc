"""What a FHIR server answers, and does not: what waits, what a person is told, what is lost."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from services.records.adapters.fhir import FhirAdapter
from services.records.port import (
    RecordRefused,
    RecordUnavailable,
    Rejected,
)
from services.records.suite import accepted
from services.records.suite.samples import STUDY, charge_posting, entry
from tests.record_stand_ins.fhir_server import FhirServer

KEY = entry().posting_key
MISBEHAVIOUR: dict[str, dict[str, Any]] = {
    "500": {"do": "status", "status": 500, "commit": False},
    "500 after commit": {"do": "status", "status": 500},
    "409": {"do": "status", "status": 409, "commit": False},
    "409 after commit": {"do": "status", "status": 409},
    "429": {"do": "status", "status": 429, "headers": {"Retry-After": "7"}, "commit": False},
    "connection cut": {"do": "cut", "commit": False},
    "connection cut after commit": {"do": "cut"},
    "half a reply": {"do": "half"},
    "slow": {"do": "slow", "seconds": 2.0},
}


@pytest.mark.parametrize("fault", MISBEHAVIOUR.values(), ids=MISBEHAVIOUR)
def test_whatever_the_server_does_to_a_charge_it_waits_and_is_held_once(
    fhir: FhirServer, fault: dict[str, Any]
) -> None:
    adapter = fhir.adapter(timeout_s="0.5" if fault["do"] == "slow" else "10")
    fhir.fault(**fault)

    with pytest.raises(RecordUnavailable) as told:
        adapter.post_charge(charge_posting())
    accepted(adapter.post_charge(charge_posting()))

    (line,) = adapter.read_charges(study_instance_uid=STUDY)
    assert len(fhir.held("ChargeItem")) == 1
    assert (line.posting_key, line.amount) == (KEY, Decimal("38.00"))
    assert told.value.retry_after_s == (7.0 if fault.get("status") == 429 else None)
    adapter.close()


def test_a_reply_that_comes_twice_is_not_taken_for_that_of_the_next_posting(
    fhir: FhirServer, adapter: FhirAdapter
) -> None:
    fhir.fault("twice")

    references = [accepted(adapter.post_charge(charge_posting(entry(n)))) for n in (1, 2)]

    assert len(set(references)) == 2
    assert [line.reference for line in adapter.read_charges(study_instance_uid=STUDY)] == references


def test_a_412_means_that_the_key_is_held_twice_and_a_person_is_told_where(
    fhir: FhirServer, adapter: FhirAdapter
) -> None:
    accepted(adapter.post_charge(charge_posting()))
    (item,) = fhir.held("ChargeItem")
    fhir.control(resources=[{**item, "id": "by-hand"}])

    answer = adapter.post_charge(charge_posting())

    assert isinstance(answer, Rejected)
    assert "ChargeItem/by-hand" in answer.words
    assert adapter.find_charge(charge_posting()) is None


def test_a_412_that_the_record_gives_without_reason_does_not_lose_or_double_the_charge(
    fhir: FhirServer, adapter: FhirAdapter
) -> None:
    fhir.fault("status", status=412)

    accepted(adapter.post_charge(charge_posting()))

    assert len(fhir.held("ChargeItem")) == 1


@pytest.mark.parametrize("status", [302, 401, 403, 404, 405])
def test_a_refusal_that_no_posting_can_pass_is_for_a_person_and_the_posting_waits(
    fhir: FhirServer, adapter: FhirAdapter, status: int
) -> None:
    fhir.fault("status", status=status, commit=False, headers={"Location": "/elsewhere"})

    with pytest.raises(RecordRefused):
        adapter.post_charge(charge_posting())

    accepted(adapter.post_charge(charge_posting()))


@pytest.mark.parametrize("status", [400, 422])
def test_a_refusal_of_one_posting_is_its_answer(
    fhir: FhirServer, adapter: FhirAdapter, status: int
) -> None:
    fhir.fault("status", status=status, commit=False)

    answers = [adapter.post_charge(charge_posting(entry(n))) for n in (1, 2)]

    assert isinstance(answers[0], Rejected)
    assert str(status) in answers[0].words
    accepted(answers[1])


def test_the_words_of_the_record_are_those_that_a_person_reads(
    fhir: FhirServer, adapter: FhirAdapter
) -> None:
    answer = adapter.post_charge(charge_posting(currency="EUR\n"))

    assert isinstance(answer, Rejected)
    assert "no valid R4B ChargeItem" in answer.words
