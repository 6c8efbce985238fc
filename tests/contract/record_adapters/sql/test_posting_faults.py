"""The records service over a database that misbehaves: nothing lost, doubled or out of order."""

from __future__ import annotations

import random
from datetime import timedelta
from typing import Any

import pytest

from services.records.adapters.sql import SqlAdapter
from services.records.port import RecordUnavailable
from services.records.suite import accepted
from services.records.suite.samples import charge_posting
from services.runtime.store import Store
from tests.contract.record_adapters.posting_desk import Desk, study_of, study_uid
from tests.record_stand_ins.sql_server import SqlServer
from tests.servers.postgresql import Database

TIMEOUT_S = "0.5"
KILL_OURS = (
    "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE application_name = 'gomphosis'"
)
FAULTS: tuple[dict[str, Any], ...] = (
    {"proxy": ["cut_before"]},
    {"proxy": ["cut_after"]},
    {"proxy": ["pass", "cut_after", "cut_before"]},
    {"sql": [[KILL_OURS, {}]]},
    {"hold": {"table": "charge", "seconds": 0.2}},
    {"hold": {"table": "charge", "seconds": 0.8}},
    {"hold": {"table": "answer", "seconds": 0.8}},
    {"work": True},
)


def held_keys(server: SqlServer) -> dict[str, list[str]]:
    """Give the staged keys by study, in the order in which the record's job takes them."""
    by_study: dict[str, list[str]] = {}
    rows = server.sql(
        "SELECT study_instance_uid, posting_key FROM gomphosis_charge ORDER BY sequence"
    )
    for row in rows:
        by_study.setdefault(row["study_instance_uid"], []).append(row["posting_key"])
    return by_study


@pytest.mark.parametrize(
    "seed", [0, *(pytest.param(seed, marks=pytest.mark.drill) for seed in (1, 2))]
)
def test_through_any_run_of_faults_each_key_is_held_once_and_in_order(
    behind_proxy: SqlServer, store: Store, seed: int
) -> None:
    chance = random.Random(seed)
    patients = [f"P-{n}" for n in range(1, 5)]
    adapter = behind_proxy.adapter(timeout_s=TIMEOUT_S)
    desk = Desk(store, adapter)
    desk.take(*(study_of(patient, lines=4) for patient in patients))

    for fault in chance.choices(FAULTS, k=8):
        behind_proxy.control(**fault)
        desk.poster.post_due()
        desk.now += timedelta(minutes=10)
    behind_proxy.control(proxy=["cut_after", "cut_before"])
    desk.post_all()
    behind_proxy.work()
    adapter.close()

    assert set(desk.states().values()) == {"posted"}
    assert behind_proxy.control()["cuts"] >= 2
    for patient in patients:
        study = study_uid(patient)
        keys = [f"charge:{study}:{line}" for line in (1, 2, 3, 4)]
        assert held_keys(behind_proxy)[study] == keys
        booked = [key for key in behind_proxy.control()["booked"] if f":{study}:" in key]
        assert booked == keys


def test_a_lock_that_is_held_too_long_only_delays(record_side: SqlServer) -> None:
    adapter = record_side.adapter(timeout_s="0.2")
    record_side.control(hold={"table": "charge", "seconds": 1.5})

    with pytest.raises(RecordUnavailable, match="lock"):
        adapter.post_charge(charge_posting())

    adapter.close()
    patient = record_side.adapter()
    accepted(patient.post_charge(charge_posting()))
    patient.close()


def test_a_statement_that_takes_too_long_only_delays(behind_proxy: SqlServer) -> None:
    adapter = behind_proxy.adapter(timeout_s="0.3")
    behind_proxy.control(slow={"seconds": 2})

    with pytest.raises(RecordUnavailable, match="statement timeout"):
        adapter.post_charge(charge_posting())

    behind_proxy.control(slow={"seconds": 0})
    accepted(adapter.post_charge(charge_posting()))
    adapter.close()
    assert len(held_keys(behind_proxy)) == 1


@pytest.mark.parametrize("cut", ["cut_before", "cut_after"])
def test_a_commit_whose_answer_is_lost_is_looked_up_and_not_repeated(
    behind_proxy: SqlServer, store: Store, cut: str
) -> None:
    adapter = behind_proxy.adapter()
    desk = Desk(store, adapter)
    desk.take(study_of("P-1"))
    behind_proxy.control(proxy=[cut])

    assert desk.poster.post_due() == 0

    there = len(held_keys(behind_proxy))
    assert there == (1 if cut == "cut_after" else 0)
    desk.post_all()
    adapter.close()
    assert set(desk.states().values()) == {"posted"}
    assert [len(keys) for keys in held_keys(behind_proxy).values()] == [3]


def test_what_another_has_put_under_our_key_is_refused_loudly(
    record_side: SqlServer, store: Store
) -> None:
    adapter = record_side.adapter()
    accepted(adapter.post_charge(charge_posting()))
    record_side.sql("UPDATE gomphosis_charge SET posting_key = :key", key="charge:2.25.5001:1")
    desk = Desk(store, adapter)
    desk.take(study_of("P-1"))

    desk.post_all(rounds=3)

    adapter.close()
    # Another's charge stands under the key of the first; nothing of ours rests on it.
    assert desk.states()["charge:2.25.5001:1"] in {"rejected", "withdrawn"}
    assert desk.states()["charge:2.25.5001:3"] == "posted"
    (other,) = record_side.sql(
        "SELECT study_instance_uid FROM gomphosis_charge WHERE posting_key = 'charge:2.25.5001:1'"
    )
    assert other["study_instance_uid"] == "2.25.1001"


def test_a_database_that_is_away_only_delays(record_side: SqlServer, store: Store) -> None:
    adapter = record_side.adapter()
    desk = Desk(store, adapter)
    desk.take(study_of("P-1"), study_of("P-2"))
    desk.poster.post_due()
    with record_side.away():
        for _ in range(4):
            desk.now += timedelta(minutes=10)
            desk.poster.post_due()
        waiting = [state for state in desk.states().values() if state == "waiting"]
        assert len(waiting) == 4

    desk.post_all()

    adapter.close()
    assert set(desk.states().values()) == {"posted"}
    assert [len(keys) for keys in held_keys(record_side).values()] == [3, 3]


def test_a_server_that_is_stopped_and_started_is_reached_again(
    behind_proxy: SqlServer, postgresql: Database
) -> None:
    adapter: SqlAdapter = behind_proxy.adapter()
    first = accepted(adapter.post_charge(charge_posting()))
    postgresql.stop()
    try:
        with pytest.raises(RecordUnavailable):
            adapter.post_charge(charge_posting())
        assert not adapter.check().ok
    finally:
        postgresql.start()

    assert accepted(adapter.post_charge(charge_posting())) == first
    adapter.close()
