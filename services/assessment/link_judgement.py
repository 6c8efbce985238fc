"""Whether a pair is a link, or is left to a person, and the reasons in plain words."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from services.assessment.alignment import Pair
from services.assessment.pairing_scores import Exposure, Image, technique_agrees, teeth_agree

ACCEPTED_FROM: Final = 0.9
"""Least confidence of a link that counts. A default of ours."""

OTHER_STUDY_UP_TO: Final = 0.005
"""Most probability that an image of another study may have on a link's exposure."""

NEIGHBOUR_WITHIN_S: Final = 900.0
"""How near in time another pair is a neighbour, in seconds. A default of ours."""

_PROPOSED_FROM: Final = 0.2
_UNSURE_TIME_S: Final = 8.0
_UNSURE_TIME_AT_A_CHANGE_S: Final = 3.5
_CONFIDENCE_WHEN_TIME_IS_OFF: Final = 0.85


@dataclass(frozen=True, slots=True)
class Link:
    """An image and the exposure that made it. Not ``accepted``: proposed to a person."""

    exposure: str
    image: str
    confidence: float
    accepted: bool
    reasons: tuple[str, ...]


def judge(
    exposures: Sequence[Exposure],
    images: Sequence[Image],
    times_e: Sequence[float],
    times_i: Sequence[float],
    pairs: Sequence[Pair],
    offset_s: float,
    probability: Mapping[Pair, float],
) -> list[Link]:
    """Turn the pairs of the best alignment into links, each accepted or proposed.

    ``times_*`` are on one clock but for ``offset_s``; ``probability`` is that of every pair.
    """
    partner = dict(pairs)
    other_study: dict[int, float] = {}
    for (i, j), share in sorted(probability.items()):
        if i in partner and images[j].study != images[partner[i]].study:
            other_study[i] = other_study.get(i, 0.0) + share
    among_others, at_a_change = _beside_another_study(pairs, images, times_e)
    links: list[Link] = []
    for i, j in pairs:
        exposure, image = exposures[i], images[j]
        confidence = probability[i, j]
        residual_s = times_i[j] - times_e[i] - offset_s
        reasons = _reasons(exposure, image, residual_s)
        changing = (i, j) in at_a_change
        if abs(residual_s) > (_UNSURE_TIME_AT_A_CHANGE_S if changing else _UNSURE_TIME_S):
            confidence = min(confidence, _CONFIDENCE_WHEN_TIME_IS_OFF)
            reasons.append(
                "too far off so near to another patient" if changing else "too far off to count"
            )
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


def _beside_another_study(
    pairs: Sequence[Pair], images: Sequence[Image], times_e: Sequence[float]
) -> tuple[set[Pair], set[Pair]]:
    """Find pairs with one other study on both sides, and pairs with another on either side.

    Patients follow each other in a room, so the first should not be; and where they change, an
    image from elsewhere most easily meets an exposure of the wrong patient.
    """
    among: set[Pair] = set()
    changing: set[Pair] = set()
    for one, other in pairwise(pairs):
        near = times_e[other[0]] - times_e[one[0]] <= NEIGHBOUR_WITHIN_S
        if near and images[one[1]].study != images[other[1]].study:
            changing |= {one, other}
    for before, pair, after in zip(pairs, pairs[1:], pairs[2:], strict=False):
        near = times_e[after[0]] - times_e[before[0]] <= NEIGHBOUR_WITHIN_S
        same_around = images[before[1]].study == images[after[1]].study
        if near and same_around and pair in changing:
            among.add(pair)
    return among, changing


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
