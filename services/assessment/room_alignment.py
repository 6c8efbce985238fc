"""The exact alignment of what is open in a room, judged pair by pair."""

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from services.assessment.alignment import align
from services.assessment.day_signs import exposed_here, imaged_around
from services.assessment.link_judgement import Candidate, Link, judge
from services.assessment.room_pairs import gather
from services.assessment.weighed_room import WeighedRoom

_SURE_FROM: Final = 0.9
_LOG_ODDS_LEAST: Final = -8.0
_ANOTHER_STUDY: Final = -12.0


def align_open(
    room: WeighedRoom, open_e: Sequence[int], open_i: Sequence[int], known: Sequence[Link]
) -> list[Link]:
    """Align what is open; give the links of the best alignment. ``known`` stand beside it."""
    return judge(open_candidates(room, open_e, open_i, known), room.rates)


def open_candidates(
    room: WeighedRoom, open_e: Sequence[int], open_i: Sequence[int], known: Sequence[Link]
) -> list[Candidate]:
    """Give the pairs of the best alignment with what speaks for them; ``known`` ones as settled."""
    gathered = gather(room.clocks, open_e, open_i)
    first, second = gathered.first, gathered.second
    if not len(first):
        return []
    e_of = np.array(open_e)[first]
    i_of = np.array(open_i)[second]
    agreement = room.agreement.scores(e_of, i_of)
    makes = np.array([room.makes_image(n) for n in open_e])
    against = np.array(
        [
            _ANOTHER_STUDY
            if (study := room.exposures[i].study) and study != room.images[j].study
            else 0.0
            for i, j in zip(e_of.tolist(), i_of.tolist(), strict=True)
        ]
    )
    score = np.log(makes[first]) + np.log(gathered.density) + agreement + against
    odds = score - math.log(room.rates.foreign_per_s) - np.log(1.0 - makes[first])
    kept = np.flatnonzero(odds > _LOG_ODDS_LEAST).tolist()
    pairs = {(int(first[n]), int(second[n])): float(score[n]) for n in kept}
    place_of = {(int(first[n]), int(second[n])): n for n in kept}
    found = align(
        pairs,
        np.log(1.0 - makes).tolist(),
        [math.log(room.rates.foreign_per_s)] * len(open_i),
    )
    partner = dict(found.pairs)
    other_study: dict[int, float] = {}
    for (a, b), share in sorted(found.probability.items()):
        if a in partner and room.images[open_i[b]].study != room.images[open_i[partner[a]]].study:
            other_study[a] = other_study.get(a, 0.0) + share
    beside = _places(room, known)
    image_of = beside | {
        open_e[a]: open_i[b] for a, b in found.pairs if found.probability[a, b] >= _SURE_FROM
    }
    around = imaged_around(room.exposures, room.clocks, room.line_s, image_of)
    here = exposed_here(room.images, {*open_i, *beside.values()}, set(image_of.values()))
    candidates: list[Candidate] = []
    paired = {open_e[a]: (a, b) for a, b in found.pairs}
    for place in room.clocks.chain.tolist():
        at_s = float(room.line_s[place])
        if place in beside:
            image = room.images[beside[place]]
            candidates.append(Candidate(room.exposures[place], image, at_s, settled=True))
        elif place in paired:
            a, b = paired[place]
            image = room.images[open_i[b]]
            candidates.append(
                Candidate(
                    room.exposures[place],
                    image,
                    at_s,
                    float(gathered.residual_s[place_of[a, b]]),
                    found.probability[a, b],
                    other_study.get(a, 0.0),
                    float(agreement[place_of[a, b]]),
                    around[place],
                    here[image.study],
                    bool(gathered.guessed[place_of[a, b]]),
                )
            )
    return candidates


def _places(room: WeighedRoom, known: Sequence[Link]) -> dict[int, int]:
    """Give accepted links as places of exposure and image."""
    place_of_e = {e.key: n for n, e in enumerate(room.exposures)}
    place_of_i = {i.key: n for n, i in enumerate(room.images)}
    return {
        place_of_e[one.exposure]: place_of_i[one.image]
        for one in known
        if one.accepted and one.exposure in place_of_e
    }
