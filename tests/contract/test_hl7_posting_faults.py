"""The records service over an MLLP record that misbehaves: nothing lost, doubled or disordered."""

from __future__ import annotations

import random
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select

from schemas.conclusions import EntryType
from schemas.envelope import Payload
from services.records.adapters.hl7 import Hl7Adapter
from services.records.poster import Poster
from services.records.store import POSTINGS
from services.records.worker import handle
from services.runtime.store import Store
from services.runtime.worker import Work
from tests.contract.record_samples import charges, credit, entry, message
from tests.contract.record_store import open_store
from tests.record_stand_ins.mllp_server import MllpServer

FAULTS: tuple[dict[str, Any], ...] = (
    {"do": "cut"},
    {"do": "cut_before"},
    {"do": "half"},
    {"do": "stuck"},
    {"do": "twice"},
    {"do": "wrong_id"},
    {"do": "wrong_id_only"},
    {"do": "noise"},
    {"do": "commit_only"},
    {"do": "slow", "seconds": 0.1},
    {"do": "slow", "seconds": 0.7},
    {"do": "refuse", "code": "AR", "condition": "207", "words": "down (invented)"},
    {"do": "refuse", "code": "CR", "condition": "", "words": "no room (invented)"},
    {"do": "refuse", "code": "AE", "condition": "206", "words": "locked (invented)"},
    {"do": "pass"},
)
TIMEOUT_S = "0.4"


@pytest.fixture(scope="module")
def started(tmp_path_factory: pytest.TempPathFactory) -> Iterator[MllpServer]:
    made = MllpServer(tmp_path_factory.mktemp("mllp-record"))
    made.start()
    yield made
    made.kill()


@pytest.fixture
def server(started: MllpServer, tmp_path: Path) -> MllpServer:
    started.control(reset=True)
    started.folder = tmp_path
    return started


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
    ledger += [entry(number, study, patient_id=patient) for number in range(3, lines + 3)]
    return charges(*ledger, study_instance_uid=study, patient_id=patient)


def post_all(store: Store, record: Hl7Adapter, *payloads: Payload) -> set[str]:
    """Take conclusions and post, waiting out every put-off; give the states at the end."""
    now = datetime.now(UTC) + timedelta(seconds=1)
    poster = Poster(store, record, lambda: None, 0.01, lambda: now)
    with store.begin() as connection:
        work = Work(connection, store)
        handle(work, [message(payload, "north") for payload in payloads])
        work.flush("records")
    states: set[str] = set()
    for _ in range(80):
        while poster.post_due():
            pass
        with store.read() as connection:
            states = {row.state for row in connection.execute(select(POSTINGS.c.state))}
        if states <= {"posted"}:
            break
        now += timedelta(minutes=10)
    return states


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_whatever_the_record_does_each_charge_is_held_once_and_in_order(
    server: MllpServer, store: Store, seed: int
) -> None:
    chosen = random.Random(seed)
    patients = [f"P-{number}" for number in range(1, 5)]
    server.control(faults=[*chosen.choices(FAULTS, k=12), *FAULTS])
    adapter = server.adapter(timeout_s=TIMEOUT_S)

    states = post_all(store, adapter, *(study_of(patient) for patient in patients))
    adapter.close()

    assert states == {"posted"}
    lines = server.lines()
    for patient in patients:
        study = f"2.25.{int(patient.removeprefix('P-')) + 5000}"
        own = [line for line in lines if line.patient_id == patient]
        assert [line.posting_key for line in own] == [f"charge:{study}:{n}" for n in range(1, 6)]
        assert own[1].type is EntryType.CREDIT
    # A message that came again came under the id that it had at first.
    ids = {tuple(one[2:]): set[str]() for one in server.messages()}
    for one in server.messages():
        ids[tuple(one[2:])].add(one[0].split("|")[9])
    assert {len(told) for told in ids.values()} == {1}
    assert len(server.messages()) > len(lines)


def test_a_record_that_is_away_only_delays(server: MllpServer, store: Store) -> None:
    server.kill()
    adapter = server.adapter(timeout_s=TIMEOUT_S)
    now = datetime.now(UTC) + timedelta(seconds=1)
    poster = Poster(store, adapter, lambda: None, 0.01, lambda: now)
    with store.begin() as connection:
        work = Work(connection, store)
        handle(work, [message(study_of("P-7"), "north")])
        work.flush("records")
    assert poster.post_due() == 0

    server.start()
    now += timedelta(hours=1)
    while poster.post_due():
        pass
    adapter.close()

    assert len(server.lines()) == 5
