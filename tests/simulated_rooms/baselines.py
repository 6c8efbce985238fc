"""Two simple ways to link, to compare with.

Both get a help that a site would not have: the one shift between the clocks on which most of the
day's pairs agree. Neither can ask a person: what they link, they link.
"""

from typing import Final

import numpy as np
from scipy.optimize import linear_sum_assignment

from services.assessment.clock_offset import offset_candidates
from tests.simulated_rooms.day import SimulatedDay

WINDOW_S: Final = 30.0


def nearest_in_time(day: SimulatedDay) -> dict[str, str]:
    """Give each image the exposure nearest in time within the window, whoever else has it."""
    gap_s = _gaps_s(day)
    if gap_s.size == 0:
        return {}
    nearest = gap_s.argmin(axis=0)
    return {
        image.key: day.exposures[nearest[j]].key
        for j, image in enumerate(day.images)
        if gap_s[nearest[j], j] <= WINDOW_S
    }


def assigned(day: SimulatedDay) -> dict[str, str]:
    """Assign one to one at the least sum of gaps, a gap beyond the window being no pair."""
    gap_s = _gaps_s(day)
    if gap_s.size == 0:
        return {}
    rows, columns = linear_sum_assignment(np.minimum(gap_s, 10 * WINDOW_S))
    return {
        day.images[j].key: day.exposures[i].key
        for i, j in zip(rows, columns, strict=True)
        if gap_s[i, j] <= WINDOW_S
    }


def _gaps_s(day: SimulatedDay) -> np.ndarray:
    exposure_s = np.array([one.at_s for one in day.exposures])
    image_s = np.array([one.at_s for one in day.images])
    found = offset_candidates(exposure_s.tolist(), image_s.tolist(), hours=True)
    shift_s = found[0].offset_s if found else 0.0
    gaps: np.ndarray = np.abs(np.subtract.outer(exposure_s + shift_s, image_s))
    return gaps
