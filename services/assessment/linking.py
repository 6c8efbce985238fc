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
    WIDE_WINDOW_S,
    ClockReading,
    Clocks,
    OffsetCandidate,
    offset_candidates,
)
from services.assessment.pairing_scores import (
    FOREIGN_IMAGES_PER_S,
    TIME_REACH_S,
    Agreement,
    Exposure,
    Image,
    technique_agrees,
    teeth_agree,
    time_score,
)

ACCEPTED_FROM: Final = 0.9
"""Least confidence of a link that counts. A default of ours."""

OTHER_STUDY_UP_TO: Final = 0.005
"""Most probability that an image of another study may have on a link's exposure."""

NEIGHBOUR_WITHIN_S: Final = 900.0
"""How near in time another pair is a neighbour, in seconds. A default of ours."""

_PROPOSED_FROM: Final = 0.2
_UNSURE_TIME_S: Final = 8.0
_CONFIDENCE_WHEN_TIME_IS_OFF: Final = 0.85

# What is thought of the clocks before anything is seen: mostly right, within some seconds.
_WRONG_UNREAD, _SPREAD_UNREAD_S = 0.1, 8.0
_WRONG_READ, _SPREAD_READ_S = 0.01, 5.0
_PEAK_S: Final = 3.0


@dataclass(frozen=True, slots=True)
class Decision:
    """A person's word on an image: the exposure that made it, or None of those here."""

    image: str
    exposure: str | None
    decided_at_s: float
    fact_key: str


@dataclass(frozen=True, slots=True)
class Link:
    """An image and the exposure that made it. Not ``accepted``: proposed to a person."""

    exposure: str
    image: str
    confidence: float
    accepted: bool
    reasons: tuple[str, ...]


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
        best = offset_candidates(times_of_generator[generators[0]], told)
        shifts[station] = -best[0].offset_s if best else 0.0
        aligned += [at_s + shifts[station] for at_s in told]
    for generator in generators[1:]:
        best = offset_candidates(times_of_generator[generator], aligned)
        shifts[generator] = best[0].offset_s if best else 0.0
    return shifts


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
    return _judged(exposures, images, times_e, times_i, best, probability), best.offset_s


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


def _judged(
    exposures: Sequence[Exposure],
    images: Sequence[Image],
    times_e: Sequence[float],
    times_i: Sequence[float],
    best: _Hypothesis,
    probability: Mapping[Pair, float],
) -> list[Link]:
    partner = dict(best.alignment.pairs)
    other_study: dict[int, float] = {}
    for (i, j), share in sorted(probability.items()):
        if i in partner and images[j].study != images[partner[i]].study:
            other_study[i] = other_study.get(i, 0.0) + share
    among_others = _among_another_study(best.alignment.pairs, images, times_e)
    links: list[Link] = []
    for i, j in best.alignment.pairs:
        exposure, image = exposures[i], images[j]
        confidence = probability[i, j]
        residual_s = times_i[j] - times_e[i] - best.offset_s
        reasons = _reasons(exposure, image, residual_s)
        if abs(residual_s) > _UNSURE_TIME_S:
            confidence = min(confidence, _CONFIDENCE_WHEN_TIME_IS_OFF)
        doubtful = other_study.get(i, 0.0) > OTHER_STUDY_UP_TO
        if doubtful:
            reasons.append("an image of another study would fit as well")
        if (i, j) in among_others:
            doubtful = True
            reasons.append("the exposures before and after it are of another study")
        confidence = round(min(confidence, 1.0), 4)
        accepted = confidence >= ACCEPTED_FROM and not doubtful
        if not accepted and confidence < ACCEPTED_FROM:
            reasons.append("other pairings, or none, are nearly as likely")
        if accepted or confidence >= _PROPOSED_FROM:
            links.append(Link(exposure.key, image.key, confidence, accepted, tuple(reasons)))
    return links


def _among_another_study(
    pairs: Sequence[Pair], images: Sequence[Image], times_e: Sequence[float]
) -> set[Pair]:
    """Find pairs with one other study on both sides: patients follow each other in a room."""
    found: set[Pair] = set()
    for before, pair, after in zip(pairs, pairs[1:], pairs[2:], strict=False):
        studies = [images[j].study for _, j in (before, pair, after)]
        near = times_e[after[0]] - times_e[before[0]] <= NEIGHBOUR_WITHIN_S
        if near and studies[0] == studies[2] != studies[1]:
            found.add(pair)
    return found


def _reasons(exposure: Exposure, image: Image, residual_s: float) -> list[str]:
    reasons = [f"{abs(residual_s):.1f} s off the usual delay, once the clocks are aligned"]
    technique = technique_agrees(exposure, image)
    if technique is not None:
        reasons.append(
            "kV, mA and ms agree with the image's header"
            if technique
            else "kV, mA or ms differ from the image's header"
        )
    teeth = teeth_agree(exposure, image)
    if teeth is not None:
        reasons.append(
            "the preset's teeth are among the image's"
            if teeth
            else "the preset is for other teeth than the image's"
        )
    if exposure.ended_early:
        reasons.append("the exposure ended early")
    return reasons
