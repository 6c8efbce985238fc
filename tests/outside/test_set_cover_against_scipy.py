"""The smallest set of views against a general solver.

Outside: ``scipy.optimize.milp`` (HiGHS), a mixed-integer linear solver that shares no code with
ours. It proves the least number of sets; which of several least choices is taken is our own rule.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import Bounds, LinearConstraint, milp

from schemas.plans import load_plans
from services.assessment.set_cover import smallest_cover

PLANS = load_plans()


def least_number(wanted: frozenset[int], sets: dict[str, frozenset[int]]) -> int:
    reachable = sorted(wanted & frozenset[int]().union(*sets.values()))
    if not reachable:
        return 0
    holds = np.array([[float(tooth in held) for held in sets.values()] for tooth in reachable])
    solved = milp(
        c=np.ones(len(sets)),
        constraints=LinearConstraint(holds, lb=1.0),
        integrality=np.ones(len(sets)),
        bounds=Bounds(0.0, 1.0),
    )
    assert solved.success
    return round(float(solved.fun))


@pytest.mark.parametrize("code", sorted(PLANS))
@settings(max_examples=30, deadline=None)
@given(data=st.data())
def test_the_views_of_every_packaged_plan_are_chosen_as_few_as_the_solver_proves(
    code: str, data: st.DataObject
) -> None:
    plan = PLANS[code]
    sets = {view.code: frozenset(view.teeth) for view in plan.views}
    wanted = data.draw(st.frozensets(st.sampled_from(sorted(plan.teeth))))
    assert len(smallest_cover(wanted, sets)) == least_number(wanted, sets)


@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_overlapping_sets_are_chosen_as_few_as_the_solver_proves(data: st.DataObject) -> None:
    number = data.draw(st.integers(1, 14))
    sets = {
        f"set-{n}": data.draw(st.frozensets(st.integers(0, 19), min_size=1, max_size=8))
        for n in range(number)
    }
    wanted = frozenset(range(20))
    assert len(smallest_cover(wanted, sets)) == least_number(wanted, sets)
