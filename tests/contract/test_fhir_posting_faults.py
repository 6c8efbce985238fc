"""The records service over a FHIR server that misbehaves: nothing lost, doubled or out of order."""

from __future__ import annotations

import random
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select

from schemas.envelope import Payload
from services.records.adapters.fhir import FhirAdapter
from services.records.poster import Poster
from services.records.store import POSTINGS
from services.records.waiting import measure
from services.records.worker import handle
from services.runtime.metrics import (
    POSTINGS_OLDEST_SECONDS,
    POSTINGS_WAITING,
    RECORD_BREAKER_OPEN,
)
from services.runtime.store import Store
from services.runtime.worker import Work
from tests.contract.record_samples import charges, credit, entry, message
from tests.contract.record_store import open_store
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


class Desk:
    """The records service over one FHIR server, with a clock of its own."""

    def __init__(self, store: Store, record: FhirAdapter, per_minute: int | None = None) -> None:
        self.store = store
        self.now = datetime.now(UTC) + timedelta(seconds=1)
        self.poster = Poster(
            store, record, lambda: None, 0.01, lambda: self.now, per_minute=per_minute
        )

    def take(self, *payloads: Payload, site: str = "north") -> None:
        with self.store.begin() as connection:
            work = Work(connection, self.store)
            handle(work, [message(payload, site) for payload in payloads])
            work.flush("records")

    def post_all(self, rounds: int = 60) -> None:
        """Post, and wait out every put-off, until nothing waits."""
        for _ in range(rounds):
            while self.poster.post_due():
                pass
            if set(self.states().values()) <= {"posted"}:
                return
            self.now += timedelta(minutes=10)

    def states(self) -> dict[str, str]:
        with self.store.read() as connection:
            rows = connection.execute(select(POSTINGS).order_by(POSTINGS.c.sequence)).all()
        return {row.posting_key: row.state for row in rows}


@pytest.fixture(scope="module")
def started(tmp_path_factory: pytest.TempPathFactory) -> Iterator[FhirServer]:
    made = FhirServer(tmp_path_factory.mktemp("fhir-record"))
    made.start()
    yield made
    made.kill()


@pytest.fixture
def server(started: FhirServer) -> FhirServer:
    started.control(reset=True)
    return started


@pytest.fixture
def adapter(server: FhirServer) -> Iterator[FhirAdapter]:
    made = server.adapter()
    yield made
    made.close()


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    made = open_store(f"sqlite:///{tmp_path}/store.sqlite")
    yield made
    made.close()


def study_of(patient: str, lines: int = 3) -> Payload:
    """Make the charges of a patient's study: a charge, its credit, and further charges."""
    study = f"2.25.{int(patient.removeprefix('P-')) + 5000}"
    first = entry(1, study, patient_id=patient)
    ledger = [first, credit(2, first.posting_key, study, patient_id=patient)]
    ledger += [entry(n, study, patient_id=patient) for n in range(3, lines + 1)]
    return charges(*ledger, study_instance_uid=study, patient_id=patient)


def held_keys(server: FhirServer) -> dict[str, list[str]]:
    """Give the keys that the server holds, by study, in the order of their making."""
    by_study: dict[str, list[str]] = {}
    for item in server.held("ChargeItem"):
        key, study = (one["value"] for one in item["identifier"])
        by_study.setdefault(study, []).append(key)
    return by_study


@pytest.mark.parametrize("batches", [False, True], ids=["single", "batch"])
@pytest.mark.parametrize("seed", range(3))
def test_through_any_run_of_faults_each_key_is_held_once_and_in_order(
    server: FhirServer, adapter: FhirAdapter, store: Store, seed: int, *, batches: bool
) -> None:
    server.behave(batches=batches)
    chance = random.Random(seed)
    desk = Desk(store, adapter)
    patients = [f"P-{n}" for n in range(1, 5)]
    desk.take(*(study_of(patient) for patient in patients))
    server.control(faults=[chance.choice(FAULTS) for _ in range(25)])

    desk.post_all()

    assert set(desk.states().values()) == {"posted"}
    for n in range(1, 5):
        study = f"2.25.{n + 5000}"
        assert held_keys(server)[study] == [f"charge:{study}:{line}" for line in (1, 2, 3)]


def test_first_charges_of_many_patients_go_in_one_exchange(
    server: FhirServer, adapter: FhirAdapter, store: Store
) -> None:
    identifier = {"system": PATIENTS, "value": "P-4"}
    other = {"other": {"display": "invented"}, "type": "replaced-by"}
    merged = {"resourceType": "Patient", "identifier": [identifier], "link": [other]}
    server.control(set={"batches": True}, resources=[merged])
    desk = Desk(store, adapter)
    desk.take(*(study_of(f"P-{n}", lines=2) for n in range(1, 5)))

    answered = desk.poster.post_due()

    assert answered == len(held_keys(server)) == 3
    bundles = [one for one in server.requests("POST") if one["path"].rstrip("/") == "/fhir"]
    assert len(bundles) == 2  # one for the patients, one for their charges
    assert server.requests("POST", "ChargeItem") == []
    desk.poster.post_due()
    states = desk.states()
    assert states["charge:2.25.5004:1"] == "rejected"  # merged, so a person is told in words
    assert states["charge:2.25.5001:1"] == "posted"


def test_a_batch_that_was_cut_off_after_it_was_done_is_found_and_not_repeated(
    server: FhirServer, adapter: FhirAdapter, store: Store
) -> None:
    server.behave(batches=True)
    desk = Desk(store, adapter)
    desk.take(*(study_of(f"P-{n}") for n in range(1, 4)))
    server.control(faults=[{"do": "pass"}, {"do": "cut"}])

    assert desk.poster.post_due() == 0
    assert len(server.held("ChargeItem")) == 3
    desk.post_all()

    assert set(desk.states().values()) == {"posted"}
    assert [len(keys) for keys in held_keys(server).values()] == [3, 3, 3]


def test_an_outage_only_delays(server: FhirServer, adapter: FhirAdapter, store: Store) -> None:
    desk = Desk(store, adapter)
    desk.take(study_of("P-1"), study_of("P-2"))
    desk.poster.post_due()
    server.kill()
    for _ in range(5):
        desk.now += timedelta(minutes=10)
        desk.poster.post_due()
    waiting = [state for state in desk.states().values() if state == "waiting"]
    assert len(waiting) == 4

    server.start()
    desk.post_all()

    assert set(desk.states().values()) == {"posted"}
    assert [len(keys) for keys in held_keys(server).values()] == [3, 3]


def test_while_the_record_asks_us_to_wait_it_is_asked_nothing(
    server: FhirServer, adapter: FhirAdapter, store: Store
) -> None:
    desk = Desk(store, adapter)
    desk.take(*(study_of(f"P-{n}") for n in range(1, 6)))
    told = {"Retry-After": "120"}
    server.fault("status", status=429, headers=told, commit=False)

    desk.poster.post_due()
    asked = len(server.requests("POST", "ChargeItem"))
    desk.now += timedelta(seconds=119)
    desk.poster.post_due()

    assert asked == len(server.requests("POST", "ChargeItem")) == 1
    assert RECORD_BREAKER_OPEN._value.get() == 1
    desk.now += timedelta(seconds=1)
    desk.post_all()
    assert set(desk.states().values()) == {"posted"}
    assert RECORD_BREAKER_OPEN._value.get() == 0


def test_a_patient_whom_the_record_does_not_know_does_not_hold_up_the_others(
    server: FhirServer, adapter: FhirAdapter, store: Store
) -> None:
    identifier = {"system": PATIENTS, "value": "P-2"}
    server.control(
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
    server: FhirServer, adapter: FhirAdapter, store: Store
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
