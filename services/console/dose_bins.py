"""A histogram of kerma that can be added up: fixed bins, eight to each factor of ten.

Bin 0 holds what lies below 0.056 mGy, the last what lies above 32 mGy. A quantile is
interpolated in its bin, so it is off by a third at most, which is less than a modelled dose
is uncertain by. The bounds are invented.
"""

from bisect import bisect_right
from collections.abc import Sequence
from itertools import pairwise
from typing import Final

BINS: Final = 24
PER_DECADE: Final = 8
EDGES_MGY: Final[tuple[float, ...]] = tuple(
    10 ** ((number - 10) / PER_DECADE) for number in range(BINS - 1)
)
"""The upper edge of each bin but the last, which has none."""

BIN_COLUMNS: Final[tuple[str, ...]] = tuple(f"kerma_bin_{number:02d}" for number in range(BINS))


def bin_of(kerma_mgy: float) -> int:
    """Give the bin of a kerma; an edge belongs to the bin above it."""
    return bisect_right(EDGES_MGY, kerma_mgy)


def bin_bounds() -> list[tuple[float, float | None]]:
    """Give the bounds of each bin in mGy; the last has no upper one."""
    inner = [(0.0, EDGES_MGY[0]), *pairwise(EDGES_MGY)]
    return [*inner, (EDGES_MGY[-1], None)]


def quantile_mgy(counts: Sequence[int], share: float) -> float | None:
    """Give the kerma below which this share of exposures lies; None of no exposure.

    In the last bin it is the bin's lower edge: at least so much.
    """
    if not 0.0 <= share <= 1.0:
        raise ValueError(f"share: expected 0 to 1, got {share}")
    total = sum(counts)
    if not total:
        return None
    wanted, below = share * total, 0
    for (low, high), count in zip(bin_bounds(), counts, strict=True):
        if count and below + count >= wanted:
            inside = (wanted - below) / count
            if high is None:
                return low
            return low + inside * (high - low) if low == 0 else low * (high / low) ** inside
        below += count
    return EDGES_MGY[-1]
