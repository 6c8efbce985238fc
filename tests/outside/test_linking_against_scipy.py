"""Links against a general assignment solver, where the two must agree.

Outside: ``scipy.optimize.linear_sum_assignment``. It knows neither order nor clocks, so it is
given the true offset, squared time residuals and a cost for staying alone. On days with right
times and few gaps its least-cost assignment is the truth, and ours must be the same.
"""

import numpy as np
import pytest
from scipy.optimize import linear_sum_assignment

from services.assessment.alignment import align
from services.assessment.linking import link
from tests.simulated_rooms.conditions import Conditions
from tests.simulated_rooms.day import simulate

ALONE_COST = 20.0**2
CALM = Conditions(
    largest_offset_s=0.0,
    usual_delay_s=0.0,
    jitter_s=0.5,
    foreign_image=0.0,
    preset_left_over=0.0,
    retake_at_once=0.0,
    header_tells_technique=0.0,
    image_tells_teeth=0.0,
)


def assigned(exposure_times_s: list[float], image_times_s: list[float]) -> set[tuple[int, int]]:
    """Assign with one spare partner for each member, so that any may stay alone."""
    n, m = len(exposure_times_s), len(image_times_s)
    cost = np.full((n + m, n + m), ALONE_COST)
    cost[n:, m:] = 0.0
    cost[:n, :m] = (np.subtract.outer(exposure_times_s, image_times_s)) ** 2
    cost[:n, :m] = np.where(cost[:n, :m] > 2 * ALONE_COST, 1e9, cost[:n, :m])
    rows, columns = linear_sum_assignment(cost)
    return {(int(i), int(j)) for i, j in zip(rows, columns, strict=True) if i < n and j < m}


@pytest.mark.parametrize("seed", range(20))
def test_on_a_calm_day_links_are_those_of_the_general_solver(seed: int) -> None:
    day = simulate(seed, CALM)
    solved = assigned([e.at_s for e in day.exposures], [i.at_s for i in day.images])
    ours = {(one.exposure, one.image) for one in link(day.exposures, day.images).links}
    assert ours == {(day.exposures[i].key, day.images[j].key) for i, j in solved}


@pytest.mark.parametrize("seed", range(20))
def test_the_best_alignment_costs_what_the_general_solver_finds(seed: int) -> None:
    # Squared residuals on sorted times never gain by crossing, so both least costs are equal.
    rng = np.random.default_rng(seed)
    first = np.sort(rng.uniform(0.0, 60.0, 7))
    second = np.sort(rng.uniform(0.0, 60.0, 6))
    match = {(i, j): -float((first[i] - second[j]) ** 2) for i in range(7) for j in range(6)}
    alone = 15.0
    found = align(match, [-alone] * 7, [-alone] * 6)
    cost = np.full((13, 13), alone)
    cost[7:, 6:] = 0.0
    cost[:7, :6] = np.subtract.outer(first, second) ** 2
    rows, columns = linear_sum_assignment(cost)
    assert -found.log_best == pytest.approx(float(cost[rows, columns].sum()))
