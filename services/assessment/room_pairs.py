"""All pairs of exposure and image that some track of the room's clocks allows."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from services.assessment.clock_offset import Flags, Floats, Places
from services.assessment.pairing_scores import time_density
from services.assessment.room_clocks import RoomClocks

_CLOCKS_RIGHT_WITHIN_S: Final = 20.0
_BACKING_FROM: Final = 0.8
"""So much must other exposures speak for clocks that are further apart. Defaults of ours."""

_LEAST_SHARE: Final = 1e-7
_LEAST_DENSITY: Final = 1e-12


@dataclass(frozen=True, slots=True)
class RoomPairs:
    """Pairs in order of their members. ``first`` and ``second`` are places among the open ones.

    ``density`` is that of the pair's time under all tracks, per second. Of the best one are
    ``residual_s`` and ``guessed``: it is far from right clocks, and nothing but the pair speaks
    for it.
    """

    first: Places
    second: Places
    density: Floats
    residual_s: Floats
    guessed: Flags


def gather(clocks: RoomClocks, open_e: Sequence[int], open_i: Sequence[int]) -> RoomPairs:
    """Give all pairs of open exposures and images, both in the order of the common clock."""
    rank_e = _ranks(open_e, len(clocks.exposure_s))
    rank_i = _ranks(open_i, len(clocks.image_s))
    codes: list[Places] = [np.zeros(0, dtype=np.int64)]
    densities: list[Floats] = [np.zeros(0)]
    residuals: list[Floats] = [np.zeros(0)]
    guesses: list[Flags] = [np.zeros(0, dtype=np.bool_)]
    for pair in clocks.pairs:
        exposure_s = clocks.exposure_s[pair.exposures]
        belief = pair.belief
        for k, track in enumerate(belief.tracks):
            share = belief.others[:, k]
            if share.max() < _LEAST_SHARE:
                continue
            seen = belief.seen[k]
            first, second = rank_e[pair.exposures[seen.i]], rank_i[pair.images[seen.j]]
            density = time_density(seen.residual_s, belief.spread_s) * share[seen.i]
            far = np.abs(track.at(exposure_s[seen.i])) > _CLOCKS_RIGHT_WITHIN_S
            alone = belief.support[k] - belief.held[seen.i, k] < _BACKING_FROM
            kept = (first >= 0) & (second >= 0) & (density > _LEAST_DENSITY)
            codes.append(first[kept] * len(open_i) + second[kept])
            densities.append(density[kept])
            residuals.append(seen.residual_s[kept])
            guesses.append((far & alone)[kept])
    return _joined(
        np.concatenate(codes),
        np.concatenate(densities),
        np.concatenate(residuals),
        np.concatenate(guesses),
        len(open_i),
    )


def _joined(code: Places, density: Floats, residual_s: Floats, guessed: Flags, m: int) -> RoomPairs:
    """Add up what several tracks say of one pair."""
    every, inverse = np.unique(code, return_inverse=True)
    total: Floats = np.bincount(inverse, weights=density, minlength=len(every)).astype(np.float64)
    order = np.lexsort((density, inverse))
    ends = np.flatnonzero(np.diff(inverse[order], append=-1))
    best = order[ends]
    return RoomPairs(every // m, every % m, total, residual_s[best], guessed[best])


def _ranks(places: Sequence[int], count: int) -> Places:
    ranks = np.full(count, -1, dtype=np.int64)
    ranks[np.asarray(places, dtype=np.int64)] = np.arange(len(places))
    return ranks
