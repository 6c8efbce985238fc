"""Whether a pair is a link, or is left to a person, and the reasons in plain words."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from services.assessment.link_confidence import confidence_map
from services.assessment.pairing_scores import Exposure, Image, technique_agrees, teeth_agree

ACCEPTED_FROM: Final = 0.95
"""Least confidence of a link that counts. A default of ours."""

ACCEPTED_OF_A_BATCH_FROM: Final = 0.995
"""The same of plates scanned together."""

ACCEPTED_AT_A_CHANGE_FROM: Final = 0.99
"""The same where patients change."""

OTHER_STUDY_UP_TO: Final = 0.002
"""Most probability that an image of another study may have on a link's exposure."""

CHANCE_AT_A_CHANGE_UP_TO: Final = 4e-5
"""Most chance that an image from elsewhere met an exposure without image where patients change."""

NEIGHBOUR_WITHIN_S: Final = 900.0
"""How near in time another pair is a neighbour, in seconds. A default of ours."""

PROPOSED_FROM: Final = 0.2

NEIGHBOUR_FROM: Final = 0.5
"""Least probability of a pair that speaks for or against the pairs beside it."""

IMAGED_AROUND_FROM: Final = 0.45
"""Least share of the exposures around a link that have an image."""

EXPOSED_HERE_FROM: Final = 0.6
"""Least share of a study's images that have an exposure in the room."""

_TIME_OFF_SPREADS: Final = 6.0


@dataclass(frozen=True, slots=True)
class Link:
    """An image and the exposure that made it. Not ``accepted``: proposed to a person."""

    exposure: str
    image: str
    confidence: float
    accepted: bool
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Candidate:
    """A pair of the best alignment, its ``probability``, how far off the usual delay it is.

    ``agreement`` is the natural log likelihood ratio of technique and teeth; ``at_s`` places it
    among the exposures of its generator. ``imaged_around`` is the share of the exposures around
    it that have an image, ``exposed_here`` that of its study's images that have an exposure here;
    ``guessed_clock``: nothing else speaks for its clocks. What is ``settled`` already is judged no
    more and stands beside others.
    """

    exposure: Exposure
    image: Image
    at_s: float
    residual_s: float = 0.0
    probability: float = 1.0
    other_study: float = 0.0
    agreement: float = 0.0
    imaged_around: float = 1.0
    exposed_here: float = 1.0
    guessed_clock: bool = False
    settled: bool = False


@dataclass(frozen=True, slots=True)
class DayRates:
    """What this day shows: images from elsewhere per second, the share of exposures without
    image, and the spread of the delay in seconds."""

    foreign_per_s: float
    lost: float
    spread_s: float


def judge(candidates: Sequence[Candidate], rates: DayRates) -> list[Link]:
    """Turn the pairs of the best alignment into links, accepted or proposed.

    ``candidates`` stand by generator, and for each in the order of its exposures.
    """
    told = confidence_map()
    sure: list[Candidate] = []
    at: dict[int, int] = {}
    for number, one in enumerate(candidates):
        if one.probability >= NEIGHBOUR_FROM:
            at[number] = len(sure)
            sure.append(one)
    links: list[Link] = []
    for number, one in enumerate(candidates):
        if one.settled:
            continue
        confidence = told.of(one.probability)
        before, after = None, None
        if number in at:
            place = at[number]
            before = _neighbour(one, sure[place - 1] if place else None)
            after = _neighbour(one, sure[place + 1] if place + 1 < len(sure) else None)
        doubts = list(_doubts(one, before, after, confidence, rates))
        accepted = confidence >= ACCEPTED_FROM and not doubts
        if confidence < ACCEPTED_FROM:
            doubts.append("other pairings, or none, are nearly as likely")
        if accepted or confidence >= PROPOSED_FROM:
            reasons = (*_reasons(one), *doubts)
            links.append(Link(one.exposure.key, one.image.key, confidence, accepted, reasons))
    return links


def _neighbour(one: Candidate, beside: Candidate | None) -> Candidate | None:
    if beside is None or beside.exposure.device != one.exposure.device:
        return None
    return beside if abs(beside.at_s - one.at_s) <= NEIGHBOUR_WITHIN_S else None


def _doubts(
    one: Candidate,
    before: Candidate | None,
    after: Candidate | None,
    confidence: float,
    rates: DayRates,
) -> Iterator[str]:
    """Give what leaves a pair to a person whatever its confidence.

    Patients follow each other in a room. Where they change, an image from elsewhere most easily
    meets an exposure of the wrong patient.
    """
    study = one.image.study
    if one.exposure.study is not None and one.exposure.study != study:
        yield "the station told this exposure for another study"
    if one.other_study > OTHER_STUDY_UP_TO:
        yield "an image of another study would fit as well"
    if abs(one.residual_s) > _TIME_OFF_SPREADS * rates.spread_s:
        yield "too far off to count"
    if one.guessed_clock:
        yield "nothing else tells that the clocks are so far apart"
    if one.exposure.study == study:
        return
    if one.exposed_here < EXPOSED_HERE_FROM:
        yield "most images of its study fit no exposure of this room"
    if one.imaged_around < IMAGED_AROUND_FROM:
        yield "most exposures around it have no image"
    strangers = [b for b in (before, after) if b is not None and b.image.study != study]
    if len(strangers) == 2:
        yield "the exposures before and after it are of another study"
    elif strangers:
        fellow = after if strangers[0] is before else before
        if confidence < ACCEPTED_AT_A_CHANGE_FROM:
            yield "not sure enough so near to another patient"
        elif _by_chance(one, strangers[0], fellow, rates) > CHANCE_AT_A_CHANGE_UP_TO:
            yield "next to another patient, and too little but the time speaks for it"


def _by_chance(
    one: Candidate, stranger: Candidate, fellow: Candidate | None, rates: DayRates
) -> float:
    """How likely an image from elsewhere met the last or first exposure of the other patient."""
    within_s = 2.0 * (abs(one.residual_s) + rates.spread_s)
    chance = rates.foreign_per_s * within_s * rates.lost / math.exp(one.agreement)
    # An exposure far from its own patient's and near to the other's is the other's more likely.
    apart_s = max(abs(stranger.at_s - one.at_s), 1.0)
    nearer = abs(fellow.at_s - one.at_s) / apart_s if fellow is not None else math.inf
    return chance * min(max(nearer, 0.3), 10.0)


def _reasons(one: Candidate) -> list[str]:
    exposure, image = one.exposure, one.image
    reasons = [f"{_seconds(one.residual_s)} off the usual delay, once the clocks are aligned"]
    reasons += content_reasons(exposure, image)
    if exposure.ended_early:
        reasons.append("the exposure ended early")
    return reasons


def _seconds(residual_s: float) -> str:
    """Say a time in whole seconds: finer words would change with each exposure of the room."""
    return "about a second or less" if abs(residual_s) < 1.5 else f"about {abs(residual_s):.0f} s"


def content_reasons(exposure: Exposure, image: Image) -> list[str]:
    """Say whether technique and teeth of the two agree, where both tell them."""
    reasons: list[str] = []
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
    return reasons
