"""Exact alignment, against a walk through every alignment there is."""

import math
from collections.abc import Iterator
from itertools import combinations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from services.assessment.alignment import align

SCORES = st.floats(-12.0, 5.0)


def every_alignment(
    match: dict[tuple[int, int], float], n: int, m: int
) -> Iterator[tuple[tuple[int, int], ...]]:
    for size in range(min(n, m) + 1):
        for first in combinations(range(n), size):
            for second in combinations(range(m), size):
                pairs = tuple(zip(first, second, strict=True))
                if all(pair in match for pair in pairs):
                    yield pairs


@st.composite
def problems(
    draw: st.DrawFn,
) -> tuple[dict[tuple[int, int], float], list[float], list[float]]:
    n, m = draw(st.integers(0, 4)), draw(st.integers(0, 4))
    pairs = [(i, j) for i in range(n) for j in range(m)]
    allowed = draw(st.lists(st.sampled_from(pairs), unique=True)) if pairs else []
    match = {pair: draw(SCORES) for pair in allowed}
    return match, [draw(SCORES) for _ in range(n)], [draw(SCORES) for _ in range(m)]


@given(problem=problems())
def test_best_total_and_probabilities_are_those_of_all_alignments(
    problem: tuple[dict[tuple[int, int], float], list[float], list[float]],
) -> None:
    match, first, second = problem
    scored = {
        pairs: math.fsum(
            [match[pair] for pair in pairs]
            + [s for i, s in enumerate(first) if i not in {p[0] for p in pairs}]
            + [s for j, s in enumerate(second) if j not in {p[1] for p in pairs}]
        )
        for pairs in every_alignment(match, len(first), len(second))
    }
    found = align(match, first, second)
    assert found.log_best == pytest.approx(max(scored.values()))
    assert scored[found.pairs] == pytest.approx(found.log_best)
    weights = {pairs: math.exp(score) for pairs, score in scored.items()}
    whole = math.fsum(weights.values())
    assert found.log_total == pytest.approx(math.log(whole))
    for pair in match:
        share = math.fsum(w for pairs, w in weights.items() if pair in pairs) / whole
        assert found.probability[pair] == pytest.approx(share, abs=1e-9)


def test_pairs_never_cross() -> None:
    match = {(0, 1): 9.0, (1, 0): 9.0, (0, 0): 0.0, (1, 1): 0.0}
    found = align(match, [-5.0, -5.0], [-5.0, -5.0])
    assert found.pairs in {((0, 0), (1, 1)), ((0, 1),), ((1, 0),)}


def test_nothing_to_align_is_nothing() -> None:
    found = align({}, [-1.0], [-2.0, -3.0])
    assert found.pairs == ()
    assert found.log_total == found.log_best == -6.0
