"""Where two clocks stood to each other, for people: with how sure that is, and from when on."""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from services.assessment.clock_offset import Floats
from services.assessment.clock_tracks import DRIFT_HELD_AS_IF_S2, Belief

_SPEAKS_FROM: Final = 0.5
_NEAR_SPREADS: Final = 3.0


@dataclass(frozen=True, slots=True)
class ClockStand:
    """How far a station's clock is ahead of a generator's, the usual delay included.

    ``ahead_s`` is that at ``from_s``; ``drift_ppm`` parts per million. Uncertainties are
    standard (k = 1): the spread of the images' delay over the pairs that speak for it, with the
    usual drift as what was known before. ``support`` is about how many exposures do. It held from
    ``from_s`` on, ``until_s`` where another followed (seconds by the generator's clock).
    """

    generator: str
    station: str
    ahead_s: float
    ahead_uncertainty_s: float
    drift_ppm: float
    drift_uncertainty_ppm: float
    support: float
    from_s: float
    until_s: float | None


def stands_of(generator: str, station: str, belief: Belief, exposure_s: Floats) -> list[ClockStand]:
    """Tell each track that any exposure speaks for, the best supported first.

    ``exposure_s`` in the order of the exposures.
    """
    found: list[ClockStand] = []
    likeliest = belief.held.argmax(axis=1) if belief.held.size else np.zeros(0, dtype=np.int64)
    for k, (track, support) in enumerate(zip(belief.tracks, belief.support, strict=True)):
        held = np.flatnonzero((likeliest == k) & (belief.held[:, k] > _SPEAKS_FROM))
        if support < _SPEAKS_FROM or not len(held):
            continue
        seen = belief.seen[k]
        near = np.abs(seen.residual_s) <= _NEAR_SPREADS * belief.spread_s
        weight = belief.held[seen.i[near], k]
        since_s = exposure_s[seen.i[near]] - track.middle_s
        count = max(1.0, float(weight.sum()))
        mean_s = float((weight * since_s).sum()) / count
        apart = float((weight * (since_s - mean_s) ** 2).sum()) + DRIFT_HELD_AS_IF_S2
        drift_uncertainty = belief.spread_s / math.sqrt(apart)
        ended = held[-1] + 1 < len(exposure_s) and bool(np.any(likeliest[held[-1] + 1 :] != k))
        ended = ended and bool(belief.held[held[-1] + 1 :].max(initial=0.0) > _SPEAKS_FROM)
        begun_s = float(exposure_s[held[0]])
        from_mean_s = begun_s - track.middle_s - mean_s
        found.append(
            ClockStand(
                generator,
                station,
                float(track.at(np.array([begun_s]))[0]),
                math.hypot(belief.spread_s / math.sqrt(count), drift_uncertainty * from_mean_s),
                track.drift * 1e6,
                drift_uncertainty * 1e6,
                support,
                begun_s,
                float(exposure_s[held[-1]]) if ended else None,
            )
        )
    return sorted(found, key=lambda stand: (-stand.support, stand.ahead_s))
