"""A short campaign, as ``python -m tests.faults`` makes them: nothing lost, doubled or changed."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.faults.campaign import Plan, run
from tests.faults.real_plants import missed

SEED = 9


@pytest.mark.drill
@pytest.mark.broker
@pytest.mark.database
@pytest.mark.timeout(900)
def test_a_group_that_is_hit_by_faults_loses_doubles_and_changes_nothing(tmp_path: Path) -> None:
    plan = Plan(seed=SEED, studies=60, faults=20, folder=tmp_path / "run", pace_per_s=2, minutes=5)

    outcome = run(plan)

    assert outcome.good, outcome.table()
    assert outcome.studies == plan.studies, outcome.table()
    assert outcome.faults.total() == plan.faults, outcome.table()
    assert missed(plan.folder) == []  # each error that is planted in what it left is found
