"""The records service over a FHIR server that misbehaves: nothing lost, doubled or out of order."""

from __future__ import annotations

import random
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from services.records.adapters.fhir import FhirAdapter
from services.records.waiting import measure
from services.runtime.metrics import (
    POSTINGS_OLDEST_SECONDS,
    POSTINGS_WAITING,
    RECORD_BREAKER_OPEN,
)
from services.runtime.store import Store
from tests.contract.record_adapters.posting_desk import Desk, study_of
from tests.record_stand_ins.fhir_server import PATIENTS, FhirServer

FAULTS: tuple[dict[str, Any], ...] = (
    {"do": "status", "status": 500},
    {"do": "status", "status": 500, "commit": False},
    {"do": "status", "status": 409},
    {"do": "status", "status": 412, "commit": False},
    {"do": "status", "status": 429, "headers": {"Retry-After": "30"}, "commit": False},
    {"do": "cut"},
    {"do": "cut", "commit": False},
    {"do": "half"},
    {"do": "twice"},
    {"do": "cut", "method": "GET"},
    {"do": "half", "method": "GET"},
    {"do": "pass"},
)


def held_keys(fhir: FhirServer) -> dict[str, list[str]]:
    """Give the keys that the server holds, by study, in the order of their making."""
    by_study: dict[str, list[str]] = {}
    for item in fhir.held("ChargeItem"):
        key, study = (one["value"] for one in item["identifier"])
        by_study.setdefault(study, []).append(key)
    return by_study


@pytest.mark.parametrize("batches", [False, True], ids=["single", "batch"])
@pytest.mark.parametrize("seed", range(3))
def test_through_any_run_of_faults_each_key_is_held_once_and_in_order(
    fhir: FhirServer, adapter: FhirAdapter, store: Store, seed: int, *, batches: bool
) -> None:
    fhir.behave(batches=batches)
    chance = random.Random(seed)
    desk = Desk(store, adapter)
    patients = [f"P-{n}" for n in range(1, 5)]
    desk.take(*(study_of(patient) for patient in patients))
    fhir.control(faults=[chance.choice(FAULTS) for _ in range(25)])

    desk.post_all()

    assert set(desk.states().values()) == {"posted"}
    for n in range(1, 5):
        study = f"2.25.{n + 5000}"
        assert held_keys(fhir)[study] == [f"charge:{study}:{line}" for line in (1, 2, 3)]


def test_first_charges_of_many_patients_go_in_one_exchange(
    fhir: FhirServer, adapter: FhirAdapter, store: Store
) -> None:
    identifier = {"system": PATIENTS, "value": "P-4"}
    other = {"other": {"display": "invented"}, "type": "replaced-by"}
    merged = {"resourceType": "Patient", "identifier": [identifier], "link": [other]}
    fhir.control(set={"batches": True}, resources=[merged])
    desk = Desk(store, adapter)
    desk.take(*(study_of(f"P-{n}", lines=2) for n in range(1, 5)))

    answered = desk.poster.post_due()

    assert answered == len(held_keys(fhir)) == 3
    bundles = [one for one in fhir.requests("POST") if one["path"].rstrip("/") == "/fhir"]
    assert len(bundles) == 2  # one for the patients, one for their charges
    assert fhir.requests("POST", "ChargeItem") == []
    desk.poster.post_due()
    states = desk.states()
    assert states["charge:2.25.5004:1"] == "rejected"  # merged, so a person is told in words
    assert states["charge:2.25.5001:1"] == "posted"


def test_a_batch_that_was_cut_off_after_it_was_done_is_found_and_not_repeated(
    fhir: FhirServer, adapter: FhirAdapter, store: Store
) -> None:
    fhir.behave(batches=True)
    desk = Desk(store, adapter)
    desk.take(*(study_of(f"P-{n}") for n in range(1, 4)))
    fhir.control(faults=[{"do": "pass"}, {"do": "cut"}])

    assert desk.poster.post_due() == 0
    assert len(fhir.held("ChargeItem")) == 3
    desk.post_all()

    assert set(desk.states().values()) == {"posted"}
    assert [len(keys) for keys in held_keys(fhir).values()] == [3, 3, 3]


def test_an_outage_only_delays(fhir: FhirServer, adapter: FhirAdapter, store: Store) -> None:
    desk = Desk(store, adapter)
    desk.take(study_of("P-1"), study_of("P-2"))
    desk.poster.post_due()
    fhir.kill()
    for _ in range(5):
        desk.now += timedelta(minutes=10)
        desk.poster.post_due()
    waiting = [state for state in desk.states().values() if state == "waiting"]
    assert len(waiting) == 4

    fhir.start()
    desk.post_all()

    assert set(desk.states().values()) == {"posted"}
    assert [len(keys) for keys in held_keys(fhir).values()] == [3, 3]


def test_while_the_record_asks_us_to_wait_it_is_asked_nothing(
    fhir: FhirServer, adapter: FhirAdapter, store: Store
) -> None:
    desk = Desk(store, adapter)
    desk.take(*(study_of(f"P-{n}") for n in range(1, 6)))
    told = {"Retry-After": "120"}
    fhir.fault("status", status=429, headers=told, commit=False)

    desk.poster.post_due()
    asked = len(fhir.requests("POST", "ChargeItem"))
    desk.now += timedelta(seconds=119)
    desk.poster.post_due()

    assert asked == len(fhir.requests("POST", "ChargeItem")) == 1
    assert RECORD_BREAKER_OPEN._value.get() == 1
    desk.now += timedelta(seconds=1)
    desk.post_all()
    assert set(desk.states().values()) == {"posted"}
    assert RECORD_BREAKER_OPEN._value.get() == 0


def test_a_patient_whom_the_record_does_not_know_does_not_hold_up_the_others(
    fhir: FhirServer, adapter: FhirAdapter, store: Store
) -> None:
    identifier = {"system": PATIENTS, "value": "P-2"}
    fhir.control(
        set={"knows_every_patient": False},
        resources=[{"resourceType": "Patient", "identifier": [identifier]}],
    )
    desk = Desk(store, adapter)
    desk.take(study_of("P-1"), study_of("P-2"))

    desk.post_all(rounds=3)

    states = list(desk.states().values())
    assert states[0] == "withdrawn"  # refused, and its credit had nothing to take back
    assert states[3:] == ["posted"] * 3


def test_a_site_that_used_up_its_rate_waits_and_another_goes_on(
    fhir: FhirServer, adapter: FhirAdapter, store: Store
) -> None:
    desk = Desk(store, adapter, per_minute=2)
    desk.take(*(study_of(f"P-{n}") for n in range(1, 6)))
    desk.take(study_of("P-9"), site="south")

    posted = [desk.poster.post_due() for _ in range(3)]
    desk.now += timedelta(seconds=30)

    assert posted == [3, 1, 0]  # two of north and one of south, then the second of south
    assert desk.poster.post_due() == 2  # half a minute later: one more of each


def test_what_waits_and_since_when_is_measured(store: Store, adapter: FhirAdapter) -> None:
    desk = Desk(store, adapter)
    desk.take(study_of("P-1"))

    measure(store, datetime.now(UTC) + timedelta(minutes=5))

    assert POSTINGS_WAITING._value.get() == 3
    assert 300.0 <= POSTINGS_OLDEST_SECONDS._value.get() < 400.0
