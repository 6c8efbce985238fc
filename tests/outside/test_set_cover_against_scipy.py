"""The smallest set of views against a general solver.

Outside: ``scipy.optimize.milp`` (HiGHS), a mixed-integer linear solver that shares no code with
ours. It proves the least number of sets; which of several least choices is taken is our own rule.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import Bounds, LinearConstraint, milp

from schemas.plans import Scope, load_plans
from services.assessment.set_cover import prove_smallest, smallest_cover

# The plans of a single tooth ask for each of their views: there is nothing to choose.
PLANS = {c: p for c, p in load_plans().items() if p.scope is not Scope.SINGLE_TOOTH}


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


@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_the_witnesses_are_as_many_as_the_solver_can_find(data: st.DataObject) -> None:
    # Given the packing problem: as many elements as can be, of which no set holds two
    number = data.draw(st.integers(1, 12))
    sets = {
        f"set-{n}": data.draw(st.frozensets(st.integers(0, 14), min_size=1, max_size=6))
        for n in range(number)
    }
    wanted = frozenset(range(15))
    cover = prove_smallest(wanted, sets)
    reachable = sorted(wanted - cover.out_of_reach)
    holds = np.array([[float(element in held) for element in reachable] for held in sets.values()])

    solved = milp(
        c=-np.ones(len(reachable)),
        constraints=LinearConstraint(holds, ub=1.0),
        integrality=np.ones(len(reachable)),
        bounds=Bounds(0.0, 1.0),
    )

    assert len(cover.witnesses) == round(-float(solved.fun))
    assert all(len(cover.witnesses & held) <= 1 for held in sets.values())
    assert len(cover.witnesses) <= len(cover.keys)
