"""How much linking has to do: it grows with a day's length, and one more fact moves little else."""

from collections.abc import Iterable
from dataclasses import replace

import numpy as np
import pytest

from services.assessment.clock_offset import (
    HOUR_S,
    WIDE_WINDOW_S,
    Clocks,
    pairs_within,
)
from services.assessment.link_confidence import shown
from services.assessment.linking import link
from services.assessment.pairing_scores import Agreement
from services.assessment.room_clocks import RoomClocks
from services.assessment.room_pairs import gather
from tests.simulated_rooms.conditions import FIRST_HELD_OUT_SEED, Conditions
from tests.simulated_rooms.day import SimulatedDay, simulate


def pairs_per_exposure(day: SimulatedDay) -> tuple[float, float]:
    """Count the pairs that are aligned, and those that are looked at to find the clocks."""
    exposures, images = list(day.exposures), list(day.images)
    clocks = RoomClocks(exposures, images, Clocks.of(()), Agreement(exposures, images))
    aligned = len(gather(clocks, range(len(exposures)), range(len(images))).first)
    exposure_s = np.sort([one.at_s for one in exposures])
    image_s = np.sort([one.at_s for one in images])
    looked_at = sum(
        len(pairs_within(exposure_s, image_s, middle - WIDE_WINDOW_S, middle + WIDE_WINDOW_S)[0])
        for middle in (-HOUR_S, 0.0, HOUR_S)
    )
    return aligned / len(exposures), looked_at / len(exposures)


def test_a_day_four_times_as_long_weighs_no_more_pairs_of_each_exposure() -> None:
    # Evenly paced, so that the length of the day is all that differs.
    paced = Conditions(between_patients_s=(60.0, 61.0), largest_offset_s=60.0)
    short = pairs_per_exposure(simulate(5, replace(paced, patients=10)))
    long = pairs_per_exposure(simulate(5, replace(paced, patients=40)))
    assert long[0] <= 1.3 * short[0]
    # Of a short day some of the window lies outside it.
    assert long[1] <= 1.6 * short[1]


def _told(day: SimulatedDay) -> Iterable[tuple[int, int]]:
    """Give how many exposures and images are there after each fact, as work goes on."""
    made_by = {exposure: image for image, exposure in day.truth.items()}
    order = {one.key: n for n, one in enumerate(day.images)}
    images = 0
    for number, one in enumerate(day.exposures, start=1):
        yield number, images
        if one.key in made_by:
            images = max(images, order[made_by[one.key]] + 1)
            yield number, images


@pytest.mark.parametrize("seed", range(FIRST_HELD_OUT_SEED, FIRST_HELD_OUT_SEED + 3))
def test_one_more_fact_seldom_changes_what_is_told_of_earlier_links(seed: int) -> None:
    silent = Conditions(header_tells_technique=0.0, image_tells_teeth=0.0, foreign_image=0.0)
    day = simulate(seed, replace(silent, patients=3))
    before: dict[str, float] = {}
    same = changed = 0
    for exposures, images in _told(day):
        found = link(day.exposures[:exposures], day.images[:images]).links
        now = {one.image: shown(one.confidence) for one in found if one.accepted}
        for key, confidence in now.items():
            # What is some facts old has settled: the newest pairs gain as the next ones come.
            if key in before and images - int(key.rsplit("-", 1)[-1]) > 6 and exposures > 12:
                same += before[key] == confidence
                changed += before[key] != confidence
        before = now
    assert same > 300
    assert changed <= 0.02 * (same + changed)


def test_what_is_shown_of_a_confidence_never_crosses_what_is_accepted() -> None:
    for confidence in np.linspace(0.0, 0.9999, 2001).tolist():
        assert (shown(confidence) >= 0.95) == (confidence >= 0.95)
        assert abs(shown(confidence) - confidence) <= 0.051
    assert shown(1.0) == 1.0
