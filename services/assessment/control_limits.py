"""Control limits of a series of single values: the individuals and moving range chart.

Centre and limits: mean, and mean ± 3 · (mean moving range) / d2 with d2 = 1.128 for ranges of two
(NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2, read as quoted by others; 3/1.128 is the
2.66 of Shewhart's tables). The ranges' own limit is D4 = 3.267 times their mean (from memory).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

D2: Final = 1.128
"""Mean range of two normal values in standard deviations."""
D4: Final = 3.267
LEAST_VALUES: Final = 8
"""Fewer values give no limits: a choice of ours, no published source."""


@dataclass(frozen=True, slots=True)
class ControlLimits:
    """``beyond`` are the positions of values outside, ``range_beyond`` those whose step from the
    value before is. A value outside is a question for a person, and no proof of a fault."""

    centre: float
    lower: float
    upper: float
    mean_moving_range: float
    range_upper: float
    beyond: tuple[int, ...]
    range_beyond: tuple[int, ...]


def individuals_limits(values: Sequence[float], least: int = LEAST_VALUES) -> ControlLimits | None:
    """Give the limits of values in time order; None where there are fewer than ``least``."""
    if len(values) < max(2, least):
        return None
    steps = [abs(later - earlier) for earlier, later in pairwise(values)]
    centre = sum(values) / len(values)
    mean_range = sum(steps) / len(steps)
    half = 3.0 * mean_range / D2
    range_upper = D4 * mean_range
    return ControlLimits(
        centre=centre,
        lower=centre - half,
        upper=centre + half,
        mean_moving_range=mean_range,
        range_upper=range_upper,
        beyond=tuple(i for i, value in enumerate(values) if abs(value - centre) > half),
        range_beyond=tuple(i + 1 for i, step in enumerate(steps) if step > range_upper),
    )
