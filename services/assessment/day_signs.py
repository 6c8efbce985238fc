"""What a whole room-day shows, beside single pairs: how much comes from elsewhere or gets lost."""

import math
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from typing import Final

import numpy as np

from services.assessment.clock_offset import Floats
from services.assessment.link_judgement import NEIGHBOUR_WITHIN_S, DayRates
from services.assessment.pairing_scores import (
    FOREIGN_IMAGES_PER_S,
    MAKES_IMAGE,
    USUAL_SPREAD_S,
    Exposure,
    Image,
)
from services.assessment.room_clocks import RoomClocks

_AROUND: Final = 4
"""How many exposures before and after are looked at."""

_RATE_KNOWN_AS_IF_S: Final = 10_000.0
_SHARE_KNOWN_AS_IF: Final = 20.0


def rates_of(
    exposures: Sequence[Exposure],
    image_s: Floats,
    explained: Collection[int],
    scanned: Collection[int],
    clocks: RoomClocks,
) -> DayRates:
    """Take from the day how many images come from elsewhere and how many exposures show none.

    Both are drawn to the usual rates, the more so the less there is to see.
    """
    elsewhere = sum(n not in explained and n not in scanned for n in range(len(image_s)))
    span_s = float(np.ptp(image_s)) if len(image_s) else 0.0
    foreign = (elsewhere + FOREIGN_IMAGES_PER_S * _RATE_KNOWN_AS_IF_S) / (
        span_s + _RATE_KNOWN_AS_IF_S
    )
    full = sum(one.makes_image >= MAKES_IMAGE for one in exposures)
    shown = min(len(explained), full)
    lost = (full - shown + (1.0 - MAKES_IMAGE) * _SHARE_KNOWN_AS_IF) / (full + _SHARE_KNOWN_AS_IF)
    spreads = [pair.belief.spread_s for pair in clocks.pairs]
    return DayRates(_stepped(foreign), _stepped(lost), max(spreads, default=USUAL_SPREAD_S))


def exposed_here(
    images: Sequence[Image], places: Collection[int], paired: Collection[int]
) -> dict[str, float]:
    """Give, for each study, the share of its images that an exposure of this room fits."""
    told = Counter(images[place].study for place in places)
    fits = Counter(images[place].study for place in places if place in paired)
    return {study: (fits[study] + 1.0) / (count + 1.0) for study, count in told.items()}


def imaged_around(
    exposures: Sequence[Exposure],
    clocks: RoomClocks,
    line_s: Floats,
    image_of: Mapping[int, int],
) -> dict[int, float]:
    """Give, for each exposure, the share of those around it, by its clock, with an image.

    ``line_s`` places the exposures in time; ``image_of`` holds those that have an image.
    """
    shares: dict[int, float] = {}
    full = [one.makes_image >= MAKES_IMAGE for one in exposures]
    for pair in clocks.pairs[: clocks.generators]:
        own = pair.exposures.tolist()
        own_s = line_s[own].tolist()
        for at, (place, at_s) in enumerate(zip(own, own_s, strict=True)):
            low, high = max(0, at - _AROUND), at + _AROUND + 1
            near = [
                n in image_of
                for n, there_s in zip(own[low:high], own_s[low:high], strict=True)
                if full[n] and n != place and abs(there_s - at_s) <= NEIGHBOUR_WITHIN_S
            ]
            shares[place] = (sum(near) + 1.0) / (len(near) + 1.0)
    return shares


def _stepped(rate: float) -> float:
    """Bring a rate to the nearest half power of two, so that one exposure seldom changes it."""
    return math.pow(2.0, round(2.0 * math.log2(rate)) / 2.0)
