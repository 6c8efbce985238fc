"""Which exposure made which image: a room's exposures and images, aligned.

For each offset between the clocks that the times support, the two sequences are aligned exactly;
a link's confidence is its probability over all alignments and all those offsets. What falls below
the threshold, or could as well belong to another study, is proposed to a person and is no link:
a false link across two patients is the worst error there is.
"""

import math
from bisect import bisect_left, bisect_right
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from services.assessment.alignment import Alignment, Pair, align
from services.assessment.clock_offset import (
    AGREEMENT_S,
    WIDE_WINDOW_S,
    ClockReading,
    Clocks,
    OffsetCandidate,
    offset_candidates,
)
from services.assessment.link_judgement import Link, judge
from services.assessment.pairing_scores import (
    FOREIGN_IMAGES_PER_S,
    TIME_REACH_S,
    Agreement,
    Exposure,
    Image,
    time_score,
)

# What is thought of the clocks before anything is seen: mostly right, within some seconds.
_WRONG_UNREAD, _SPREAD_UNREAD_S = 0.1, 8.0
_WRONG_READ, _SPREAD_READ_S = 0.01, 5.0
_PEAK_S: Final = 3.0

_PLAIN_SUPPORT: Final = 3


@dataclass(frozen=True, slots=True)
class Decision:
    """A person's word on an image: the exposure that made it, or None of those here."""

    image: str
    exposure: str | None
    decided_at_s: float
    fact_key: str


@dataclass(frozen=True, slots=True)
class RoomLinks:
    """The links of a room, and every member's time on one common clock (seconds)."""

    links: tuple[Link, ...]
    exposure_times_s: Mapping[str, float]
    image_times_s: Mapping[str, float]


def link(
    exposures: Sequence[Exposure],
    images: Sequence[Image],
    readings: Sequence[ClockReading] = (),
    decisions: Sequence[Decision] = (),
) -> RoomLinks:
    """Link a room's images to its exposures. The order of the arguments' members is no matter."""
    clocks = Clocks.of(readings)
    exposure_s = {e.key: clocks.corrected_s(e.device, e.at_s) for e in exposures}
    image_s = {i.key: clocks.corrected_s(i.device, i.at_s) for i in images}
    devices = {e.device for e in exposures} | {i.device for i in images}
    read = all(clocks.is_read(device) for device in devices)
    shifts = _shifts_to_one_clock(exposures, images, exposure_s, image_s)
    for exposure in exposures:
        exposure_s[exposure.key] += shifts.get(exposure.device, 0.0)
    for image in images:
        image_s[image.key] += shifts.get(image.device, 0.0)

    decided, settled_images = _decided(decisions, image_s)
    settled_exposures = {one.exposure for one in decided}
    open_exposures = sorted(
        (e for e in exposures if e.key not in settled_exposures),
        key=lambda e: (exposure_s[e.key], e.key),
    )
    open_images = sorted(
        (i for i in images if i.key not in settled_images), key=lambda i: (image_s[i.key], i.key)
    )
    found, usual_delay_s = _align(open_exposures, open_images, exposure_s, image_s, read)
    links = sorted([*decided, *found], key=lambda one: (one.image, one.exposure))
    return RoomLinks(
        tuple(links),
        exposure_s,
        {key: at_s - usual_delay_s for key, at_s in image_s.items()},
    )


def _decided(
    decisions: Sequence[Decision], known_images: Mapping[str, float]
) -> tuple[list[Link], set[str]]:
    """Take the latest decision on each image; of two on one exposure, the later one holds."""
    by_image: dict[str, Decision] = {}
    by_exposure: dict[str, Decision] = {}
    for decision in sorted(decisions, key=lambda d: (d.decided_at_s, d.fact_key)):
        if decision.image in known_images:
            by_image[decision.image] = decision
    for decision in sorted(by_image.values(), key=lambda d: (d.decided_at_s, d.fact_key)):
        if decision.exposure is not None:
            by_exposure[decision.exposure] = decision
    links = [
        Link(exposure, decision.image, 1.0, True, ("decided by a person",))
        for exposure, decision in by_exposure.items()
    ]
    return links, set(by_image)


def _shifts_to_one_clock(
    exposures: Sequence[Exposure],
    images: Sequence[Image],
    exposure_s: Mapping[str, float],
    image_s: Mapping[str, float],
) -> dict[str, float]:
    """Bring several generators and stations of one room onto the clock of the busiest generator.

    One generator and one station need none of it: their offset is weighed in full later.
    """
    generators = _busiest_first(exposure.device for exposure in exposures)
    stations = _busiest_first(image.device for image in images)
    if not generators or len(generators) + len(stations) <= 2:
        return {}
    times_of_generator = {
        device: [exposure_s[e.key] for e in exposures if e.device == device]
        for device in generators
    }
    shifts: dict[str, float] = {}
    aligned: list[float] = []
    for station in stations:
        told = [image_s[i.key] for i in images if i.device == station]
        shifts[station] = -_plain_offset_s(times_of_generator[generators[0]], told)
        aligned += [at_s + shifts[station] for at_s in told]
    busiest = times_of_generator[generators[0]]
    # What the busiest generator explains would only draw the others to its own exposures.
    left = [at_s for at_s in aligned if all(abs(at_s - e_s) > AGREEMENT_S / 2 for e_s in busiest)]
    for generator in generators[1:]:
        shifts[generator] = _plain_offset_s(times_of_generator[generator], left)
    return shifts


def _plain_offset_s(exposures_s: Sequence[float], images_s: Sequence[float]) -> float:
    """Give an offset that stands out; else 0, since a guess would make false pairs look exact."""
    found = offset_candidates(exposures_s, images_s)
    if not found or found[0].support < _PLAIN_SUPPORT:
        return 0.0
    rival = found[1].support if len(found) > 1 else 0
    return found[0].offset_s if found[0].support > rival else 0.0


def _busiest_first(devices: Iterable[str]) -> list[str]:
    counted = Counter(devices)
    return sorted(counted, key=lambda device: (-counted[device], device))


@dataclass(frozen=True, slots=True)
class _Hypothesis:
    """The alignment under one offset, and the logarithm of its weight."""

    offset_s: float
    alignment: Alignment
    log_weight: float


def _align(
    exposures: Sequence[Exposure],
    images: Sequence[Image],
    exposure_s: Mapping[str, float],
    image_s: Mapping[str, float],
    read: bool,
) -> tuple[list[Link], float]:
    """Align what no person has decided; give the links and the offset of the best hypothesis."""
    times_e = [exposure_s[exposure.key] for exposure in exposures]
    times_i = [image_s[image.key] for image in images]
    window_s = 6 * _SPREAD_READ_S if read else WIDE_WINDOW_S
    candidates = offset_candidates(times_e, times_i, window_s=window_s)
    if not candidates:
        return [], 0.0
    agreement = Agreement(exposures)
    alone_e = [math.log(1.0 - exposure.makes_image) for exposure in exposures]
    alone_i = [math.log(FOREIGN_IMAGES_PER_S)] * len(images)
    hypotheses: list[_Hypothesis] = []
    for candidate in candidates:
        offset_s = candidate.offset_s
        match = {
            (i, j): math.log(exposures[i].makes_image)
            + time_score(times_i[j] - times_e[i] - offset_s)
            + agreement.score(exposures[i], images[j])
            for i in range(len(exposures))
            for j in _within(times_i, times_e[i] + offset_s)
        }
        alignment = align(match, alone_e, alone_i)
        weight = _log_prior(candidate, read, window_s) + alignment.log_total
        hypotheses.append(_Hypothesis(offset_s, alignment, weight))
    best = max(hypotheses, key=lambda h: h.log_weight)
    none_at_all = math.fsum([*alone_e, *alone_i])
    top = max(best.log_weight, none_at_all)
    weights = [math.exp(h.log_weight - top) for h in hypotheses]
    whole = math.fsum([*weights, math.exp(none_at_all - top)])
    probability: dict[Pair, float] = {}
    for hypothesis, weight in zip(hypotheses, weights, strict=True):
        for pair, share in hypothesis.alignment.probability.items():
            probability[pair] = probability.get(pair, 0.0) + share * weight / whole
    links = judge(
        exposures, images, times_e, times_i, best.alignment.pairs, best.offset_s, probability
    )
    return links, best.offset_s


def _within(times_s: Sequence[float], middle_s: float) -> range:
    return range(
        bisect_left(times_s, middle_s - TIME_REACH_S),
        bisect_right(times_s, middle_s + TIME_REACH_S),
    )


def _log_prior(candidate: OffsetCandidate, read: bool, window_s: float) -> float:
    """Log probability that the clocks are this far apart, before anything is seen."""
    wrong, spread_s = (_WRONG_READ, _SPREAD_READ_S) if read else (_WRONG_UNREAD, _SPREAD_UNREAD_S)
    near = math.exp(-abs(candidate.offset_s) / spread_s) / (2.0 * spread_s)
    return math.log(_PEAK_S * ((1.0 - wrong) * near + wrong / (2.0 * window_s)))
