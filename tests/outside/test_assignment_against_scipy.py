"""The assignment of lines to charges against an independent solver of the same problem.

The reference is ``scipy.optimize.linear_sum_assignment`` (a modified Jonker-Volgenant algorithm:
Crouse, IEEE Trans. Aerosp. Electron. Syst. 2016;52(4):1679-1696, as scipy's manual cites it).
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linear_sum_assignment

from services.charges.assignment import best_assignment

Gains = dict[tuple[int, int], float]


def _best_by_scipy(gains: Gains, rows: int, columns: int) -> float:
    matrix = np.zeros((rows, columns + rows))
    for (row, column), gain in gains.items():
        matrix[row, column] = max(gain, 0.0)
    chosen = linear_sum_assignment(matrix, maximize=True)
    return float(matrix[chosen].sum())


@settings(max_examples=150, deadline=None)
@given(
    st.dictionaries(
        st.tuples(st.integers(0, 7), st.integers(0, 7)),
        st.floats(-3.0, 9.0, allow_nan=False).map(lambda gain: round(gain, 3)),
        max_size=40,
    )
)
def test_the_sum_of_gains_is_the_greatest_and_each_side_is_used_once(gains: Gains) -> None:
    chosen = best_assignment(gains)

    assert len(set(chosen.values())) == len(chosen)
    assert all(gains[pair] > 0.0 for pair in chosen.items())
    assert sum(gains[pair] for pair in chosen.items()) == pytest.approx(_best_by_scipy(gains, 8, 8))


def test_a_large_dense_part_is_solved_exactly() -> None:
    chance = np.random.default_rng(7)
    gains = {
        (row, column): float(chance.uniform(0.1, 5.0)) for row in range(40) for column in range(40)
    }

    chosen = best_assignment(gains)

    assert sum(gains[pair] for pair in chosen.items()) == pytest.approx(
        _best_by_scipy(gains, 40, 40)
    )


def test_the_greedy_choice_is_not_taken_where_another_gains_more() -> None:
    assert best_assignment({(0, 0): 5.0, (0, 1): 4.0, (1, 0): 4.0}) == {0: 1, 1: 0}


def test_one_pair_that_gains_more_is_taken_before_two() -> None:
    # 0.05 + 4.9 is less than 5.0, though it would pair both rows.
    assert best_assignment({(0, 0): 5.0, (0, 1): 0.05, (1, 0): 4.9}) == {0: 0}
    assert best_assignment({(0, 0): -0.1}) == {}
