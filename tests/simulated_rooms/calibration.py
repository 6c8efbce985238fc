"""Makes the map from probability to confidence, from links whose truth is known."""

from collections.abc import Sequence
from typing import Any, Final

from services.assessment.link_confidence import log_odds

_LEAST_PER_KNOT: Final = 150
_CERTAIN: Final = 1e-4


def fit_map(told: Sequence[tuple[float, bool]]) -> dict[str, Any]:
    """Fit a rising map: neighbours are pooled until the shares right rise (isotonic regression).

    ``told`` holds the alignment's own probability and whether the pair was right. No confidence
    is below or above what the number of pairs can tell.
    """
    ordered = sorted((log_odds(p), right) for p, right in told)
    groups = [
        ordered[n : n + _LEAST_PER_KNOT]
        for n in range(0, len(ordered) - _LEAST_PER_KNOT + 1, _LEAST_PER_KNOT)
    ]
    pooled: list[tuple[float, float, int]] = []  # sum of log odds, number right, number
    for group in groups:
        pooled.append((sum(x for x, _ in group), sum(r for _, r in group), len(group)))
        while len(pooled) > 1 and _share(pooled[-2]) >= _share(pooled[-1]):
            last, before = pooled.pop(), pooled.pop()
            pooled.append((last[0] + before[0], last[1] + before[1], last[2] + before[2]))
    knots = [(x / n, min(max(_share((x, r, n)), _CERTAIN), 1.0 - _CERTAIN)) for x, r, n in pooled]
    rising = [
        k for n, k in enumerate(knots) if n == 0 or round(k[0], 3) > round(knots[n - 1][0], 3)
    ]
    return {
        "source": "Isotonic regression on simulated mixed days (tests.simulated_rooms --fit), "
        "invented conditions; no measurement of a real room.",
        "log_odds": [round(x, 3) for x, _ in rising],
        "confidence": [round(c, 5) for _, c in rising],
    }


def _share(pool: tuple[float, float, int]) -> float:
    # One of each kind is added, so that a pool without a wrong one is not told as certain.
    return (pool[1] + 0.5) / (pool[2] + 1.0)
