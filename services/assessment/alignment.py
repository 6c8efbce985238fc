"""Exact monotone alignment of two short sequences: the best one, and how sure each pair is.

Both sequences keep their order, so the alignments form a lattice. One sweep finds the alignment
of the highest score, another sums over all of them, which gives every pair its probability:
the margin to all alternatives at once. Scores are natural logarithms and add up.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

Pair = tuple[int, int]

_NEVER: Final = -math.inf
_NOTHING: Final = -745.0


@dataclass(frozen=True, slots=True)
class Alignment:
    """``pairs`` of the best alignment in order; the ``probability`` of every allowed pair;
    ``log_total`` the logarithm of the sum over all alignments, ``log_best`` the best one's."""

    pairs: tuple[Pair, ...]
    probability: dict[Pair, float]
    log_total: float
    log_best: float


def align(
    match: Mapping[Pair, float], first_alone: Sequence[float], second_alone: Sequence[float]
) -> Alignment:
    """Align two sequences of ``len(first_alone)`` and ``len(second_alone)`` members.

    ``match[i, j]`` is the score of pairing ``i`` with ``j``; a pair that is absent is not
    allowed. A member without partner scores its ``*_alone``. Time grows with the size of the
    knots of pairs that touch or cross, not with the product of the lengths.
    """
    pairs: list[Pair] = []
    probability: dict[Pair, float] = {}
    in_blocks_first: set[int] = set()
    in_blocks_second: set[int] = set()
    totals: list[float] = []
    bests: list[float] = []
    for first, second in _blocks(match):
        if len(first) == len(second) == 1:
            # By far the most: one pair that nothing else touches.
            i, j = first[0], second[0]
            apart = first_alone[i] + second_alone[j]
            total = _log_sum(match[i, j], apart)
            probability[i, j] = min(1.0, math.exp(match[i, j] - total))
            if match[i, j] >= apart:
                pairs.append((i, j))
            totals.append(total)
            bests.append(max(match[i, j], apart))
            in_blocks_first.add(i)
            in_blocks_second.add(j)
            continue
        block = _Block(
            [[match.get((i, j), _NEVER) for j in second] for i in first],
            [first_alone[i] for i in first],
            [second_alone[j] for j in second],
        )
        pairs += [(first[i], second[j]) for i, j in block.best_pairs()]
        for (i, j), share in block.probabilities().items():
            probability[first[i], second[j]] = share
        totals.append(block.log_total)
        bests.append(block.log_best)
        in_blocks_first.update(first)
        in_blocks_second.update(second)
    alone = [s for i, s in enumerate(first_alone) if i not in in_blocks_first]
    alone += [s for j, s in enumerate(second_alone) if j not in in_blocks_second]
    return Alignment(
        pairs=tuple(pairs),
        probability=probability,
        log_total=math.fsum(totals + alone),
        log_best=math.fsum(bests + alone),
    )


def _blocks(match: Mapping[Pair, float]) -> list[tuple[range, range]]:
    """Cut the pairs into knots that no alternative can cross, in order."""
    spans: list[tuple[int, int, int, int]] = []
    for i, j in sorted(match):
        low_i, high_i, low_j, high_j = i, i, j, j
        while spans and (low_i <= spans[-1][1] or low_j <= spans[-1][3]):
            top = spans.pop()
            low_i, high_i = min(low_i, top[0]), max(high_i, top[1])
            low_j, high_j = min(low_j, top[2]), max(high_j, top[3])
        spans.append((low_i, high_i, low_j, high_j))
    return [(range(a, b + 1), range(c, d + 1)) for a, b, c, d in spans]


def _log_sum(one: float, two: float, three: float = _NEVER) -> float:
    if one < two:
        one, two = two, one
    if one < three:
        one, three = three, one
    if one == _NEVER:
        return _NEVER
    # Far below the largest a term adds less than a double can hold.
    total = 1.0
    if two - one > _NOTHING:
        total += math.exp(two - one)
    if three - one > _NOTHING:
        total += math.exp(three - one)
    return one + math.log(total) if total != 1.0 else one


class _Block:
    """One knot. Members without partner are put in a fixed order between two pairs, those of the
    first sequence before those of the second, so that each alignment is counted once."""

    def __init__(
        self, match: Sequence[Sequence[float]], first: Sequence[float], second: Sequence[float]
    ) -> None:
        self._match = match
        self._first = first
        self._second = second
        self._rest = self._completions(_log_sum)
        self._best_rest = self._completions(max)
        self.log_total = self._rest[0][0][0]
        self.log_best = self._best_rest[0][0][0]

    def _completions(self, join: Callable[..., float]) -> list[list[tuple[float, float]]]:
        """Give, for each place, the joined score of what may follow: where a member of the first
        sequence may still stay alone, and where one of the second has just done so."""
        n, m = len(self._first), len(self._second)
        rest = [[(_NEVER, _NEVER)] * (m + 1) for _ in range(n + 1)]
        for i in range(n, -1, -1):
            for j in range(m, -1, -1):
                if i == n and j == m:
                    rest[i][j] = (0.0, 0.0)
                    continue
                paired = second_alone = first_alone = _NEVER
                if i < n and j < m:
                    paired = self._match[i][j] + rest[i + 1][j + 1][0]
                if j < m:
                    second_alone = self._second[j] + rest[i][j + 1][1]
                if i < n:
                    first_alone = self._first[i] + rest[i + 1][j][0]
                rest[i][j] = (
                    join(paired, first_alone, second_alone),
                    join(paired, second_alone),
                )
        return rest

    def best_pairs(self) -> list[Pair]:
        n, m = len(self._first), len(self._second)
        rest = self._best_rest
        pairs: list[Pair] = []
        i = j = state = 0
        while i < n or j < m:
            steps: list[tuple[float, int, int, int]] = []
            if i < n and j < m:
                steps.append((self._match[i][j] + rest[i + 1][j + 1][0], 1, 1, 0))
            if i < n and state == 0:
                steps.append((self._first[i] + rest[i + 1][j][0], 1, 0, 0))
            if j < m:
                steps.append((self._second[j] + rest[i][j + 1][1], 0, 1, 1))
            # At a tie the earlier step: a pair before a gap.
            _, step_i, step_j, state = max(steps, key=lambda step: step[0])
            if step_i and step_j:
                pairs.append((i, j))
            i, j = i + step_i, j + step_j
        return pairs

    def probabilities(self) -> dict[Pair, float]:
        n, m = len(self._first), len(self._second)
        reach = [[[_NEVER, _NEVER] for _ in range(m + 1)] for _ in range(n + 1)]
        reach[0][0][0] = 0.0
        shares: dict[Pair, float] = {}
        for i in range(n + 1):
            for j in range(m + 1):
                open_, shut = reach[i][j]
                either = _log_sum(open_, shut)
                if i < n and j < m and self._match[i][j] > _NEVER:
                    there = reach[i + 1][j + 1]
                    paired = either + self._match[i][j]
                    there[0] = _log_sum(there[0], paired)
                    share = math.exp(paired + self._rest[i + 1][j + 1][0] - self.log_total)
                    shares[i, j] = min(1.0, share)
                if i < n:
                    there = reach[i + 1][j]
                    there[0] = _log_sum(there[0], open_ + self._first[i])
                if j < m:
                    there = reach[i][j + 1]
                    there[1] = _log_sum(there[1], either + self._second[j])
        return shares
