"""The records service over an MLLP record that misbehaves: nothing lost, doubled or disordered."""

from __future__ import annotations

import random
from datetime import timedelta
from typing import Any

import pytest

from schemas.conclusions import EntryType
from services.runtime.store import Store
from tests.contract.record_adapters.posting_desk import Desk, study_of, study_uid
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


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_whatever_the_record_does_each_charge_is_held_once_and_in_order(
    mllp: MllpServer, store: Store, seed: int
) -> None:
    chosen = random.Random(seed)
    patients = [f"P-{number}" for number in range(1, 5)]
    mllp.control(faults=[*chosen.choices(FAULTS, k=12), *FAULTS])
    adapter = mllp.adapter(timeout_s=TIMEOUT_S)
    desk = Desk(store, adapter)
    desk.take(*(study_of(patient, lines=5) for patient in patients))

    desk.post_all()
    adapter.close()

    assert set(desk.states().values()) == {"posted"}
    lines = mllp.lines()
    for patient in patients:
        study = study_uid(patient)
        own = [line for line in lines if line.patient_id == patient]
        assert [line.posting_key for line in own] == [f"charge:{study}:{n}" for n in range(1, 6)]
        assert own[1].type is EntryType.CREDIT
    # A message that came again came under the id that it had at first.
    ids = {tuple(one[2:]): set[str]() for one in mllp.messages()}
    for one in mllp.messages():
        ids[tuple(one[2:])].add(one[0].split("|")[9])
    assert {len(told) for told in ids.values()} == {1}
    assert len(mllp.messages()) > len(lines)


def test_a_record_that_is_away_only_delays(mllp: MllpServer, store: Store) -> None:
    mllp.kill()
    adapter = mllp.adapter()
    desk = Desk(store, adapter)
    desk.take(study_of("P-7", lines=5))
    assert desk.poster.post_due() == 0

    mllp.start()
    desk.now += timedelta(hours=1)
    desk.post_due()
    adapter.close()

    assert len(mllp.lines()) == 5
