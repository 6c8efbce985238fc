"""Which exposure made which image: a room's exposures and images, aligned.

For each two clocks all offsets that the times support are weighed (``clock_tracks``); under them
the two sequences are aligned exactly. A link's confidence is its probability over all alignments
and offsets, mapped to how often such a pair is right. What falls below the threshold, or could as
well belong to another study, is proposed to a person and is no link: a false link across two
patients is the worst error there is.
"""

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from services.assessment.alignment import align
from services.assessment.batch_scans import Batch, BatchLinks, find_batches, link_batches
from services.assessment.clock_offset import ClockReading, Clocks, Floats
from services.assessment.clock_stands import ClockStand
from services.assessment.day_signs import exposed_here, imaged_around, rates_of
from services.assessment.event_links import links_by_event
from services.assessment.link_confidence import confidence_map
from services.assessment.link_judgement import (
    ACCEPTED_OF_A_BATCH_FROM,
    PROPOSED_FROM,
    Candidate,
    Link,
    content_reasons,
    judge,
)
from services.assessment.pairing_scores import (
    MAKES_IMAGE,
    Agreement,
    Exposure,
    Image,
)
from services.assessment.room_clocks import RoomClocks, nearest_places
from services.assessment.room_pairs import gather

_SURE_FROM: Final = 0.9
_LOG_ODDS_LEAST: Final = -8.0
_ANOTHER_STUDY: Final = -12.0


@dataclass(frozen=True, slots=True)
class Decision:
    """A person's word on an image: the exposure that made it, or None of those here."""

    image: str
    exposure: str | None
    decided_at_s: float
    fact_key: str


@dataclass(frozen=True, slots=True)
class RoomLinks:
    """The links of a room, and every member's time on one common clock (seconds).

    ``image_times_s`` leaves out images of plates scanned in a batch: their time says nothing of
    their exposures. ``scanned_study`` tells whose plates exposures are, where that is plain.
    """

    links: tuple[Link, ...]
    exposure_times_s: Mapping[str, float]
    image_times_s: Mapping[str, float]
    scanned_study: Mapping[str, str]
    clocks: tuple[ClockStand, ...]


def link(
    exposures: Sequence[Exposure],
    images: Sequence[Image],
    readings: Sequence[ClockReading] = (),
    decisions: Sequence[Decision] = (),
) -> RoomLinks:
    """Link a room's images to its exposures. The order of the arguments' members is no matter."""
    room = _Room(
        sorted(exposures, key=lambda e: (e.at_s, e.key)),
        sorted(images, key=lambda i: (i.at_s, i.key)),
        Clocks.of(readings),
    )
    decided, settled = _decided(decisions, {image.key for image in images})
    return room.link(decided, settled)


def _decided(
    decisions: Sequence[Decision], known_images: Collection[str]
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


class _Room:
    """One room's members in time order, by place, with all that is weighed of them."""

    def __init__(
        self, exposures: Sequence[Exposure], images: Sequence[Image], clocks: Clocks
    ) -> None:
        self.exposures, self.images = exposures, images
        self.agreement = Agreement(exposures, images)
        self._weigh(RoomClocks(exposures, images, clocks, self.agreement))
        if self.in_batch:
            # Once more without them: among many images close together any clock finds some.
            again = RoomClocks(exposures, images, clocks, self.agreement, self.in_batch)
            self._weigh(again, self.batches)
        self.rates = rates_of(exposures, self.image_s, self.explained, self.in_batch, self.clocks)

    def _weigh(self, clocks: RoomClocks, batches: list[Batch] | None = None) -> None:
        self.clocks = clocks
        self.exposure_s, self.image_s = clocks.common_times_s()
        self.line_s = clocks.line_s(self.exposure_s)
        self.explained = clocks.explained()
        if batches is None:
            batches = find_batches(self.images, self.image_s, self.explained)
        self.batches = [replace(one, began_s=float(self.image_s[one.images[0]])) for one in batches]
        self.in_batch = {place for batch in batches for place in batch.images}

    def link(self, decided: Sequence[Link], settled_images: Collection[str]) -> RoomLinks:
        settled_exposures = {one.exposure for one in decided}
        by_event = links_by_event(
            self.exposures,
            self.images,
            self.exposure_s,
            self.image_s,
            self.in_batch,
            {*settled_images, *settled_exposures},
        )
        taken_e = settled_exposures | {one.exposure for one in by_event}
        taken_i = set(settled_images) | {one.image for one in by_event}
        open_e = [n for n in _in_time(self.exposure_s) if self.exposures[n].key not in taken_e]
        open_i = [
            n
            for n in _in_time(self.image_s)
            if self.images[n].key not in taken_i and n not in self.in_batch
        ]
        aligned = self._align(open_e, open_i, [*decided, *by_event])
        has_image = {one.exposure for one in aligned if one.accepted}
        scans = link_batches(
            self.batches,
            self.exposures,
            self.exposure_s,
            [n for n in open_e if self.exposures[n].key not in has_image],
            self.agreement,
            {n for n, i in enumerate(self.images) if i.key in taken_i},
        )
        scanned = [one for scan in scans for one in self._scanned(scan)]
        spoken_for = {one.exposure for one in scanned}
        aligned = [one for one in aligned if one.accepted or one.exposure not in spoken_for]
        links = [*decided, *by_event, *aligned, *scanned]
        exposure_times_s = {
            e.key: float(at_s) for e, at_s in zip(self.exposures, self.line_s, strict=True)
        }
        return RoomLinks(
            tuple(sorted(links, key=lambda one: (one.image, one.exposure))),
            exposure_times_s,
            self._image_times_s(links, exposure_times_s),
            _scanned_study(scans, self.exposures),
            self.clocks.stands(),
        )

    def _image_times_s(
        self, links: Sequence[Link], exposure_times_s: Mapping[str, float]
    ) -> dict[str, float]:
        """Give an image its exposure's time, else that of the exposure nearest by the clocks."""
        exposure_of = {one.image: one.exposure for one in links if one.accepted}
        order = np.argsort(self.exposure_s, kind="stable")
        times_s: dict[str, float] = {}
        for place, image in enumerate(self.images):
            if place in self.in_batch:
                continue
            known = exposure_times_s.get(exposure_of.get(image.key, ""))
            at_s = float(self.image_s[place])
            if known is None and len(order):
                nearest = order[nearest_places(self.exposure_s[order], self.image_s[[place]])][0]
                at_s += float(self.line_s[nearest] - self.exposure_s[nearest])
            times_s[image.key] = at_s if known is None else known
        return times_s

    def _align(
        self, open_e: Sequence[int], open_i: Sequence[int], known: Sequence[Link]
    ) -> list[Link]:
        """Align what is open; give the links of the best alignment. ``known`` stand beside it."""
        gathered = gather(self.clocks, open_e, open_i)
        first, second = gathered.first, gathered.second
        if not len(first):
            return []
        e_of = np.array(open_e)[first]
        i_of = np.array(open_i)[second]
        agreement = self.agreement.scores(e_of, i_of)
        makes = np.array([self._makes_image(n) for n in open_e])
        against = np.array(
            [
                _ANOTHER_STUDY
                if (study := self.exposures[i].study) and study != self.images[j].study
                else 0.0
                for i, j in zip(e_of.tolist(), i_of.tolist(), strict=True)
            ]
        )
        score = np.log(makes[first]) + np.log(gathered.density) + agreement + against
        odds = score - math.log(self.rates.foreign_per_s) - np.log(1.0 - makes[first])
        kept = np.flatnonzero(odds > _LOG_ODDS_LEAST).tolist()
        pairs = {(int(first[n]), int(second[n])): float(score[n]) for n in kept}
        place_of = {(int(first[n]), int(second[n])): n for n in kept}
        found = align(
            pairs,
            np.log(1.0 - makes).tolist(),
            [math.log(self.rates.foreign_per_s)] * len(open_i),
        )
        partner = dict(found.pairs)
        other_study: dict[int, float] = {}
        for (a, b), share in sorted(found.probability.items()):
            if a in partner and self._study(open_i, b) != self._study(open_i, partner[a]):
                other_study[a] = other_study.get(a, 0.0) + share
        beside = self._places(known)
        image_of = beside | {
            open_e[a]: open_i[b] for a, b in found.pairs if found.probability[a, b] >= _SURE_FROM
        }
        around = imaged_around(self.exposures, self.clocks, self.line_s, image_of)
        here = exposed_here(self.images, {*open_i, *beside.values()}, set(image_of.values()))
        candidates: list[Candidate] = []
        paired = {open_e[a]: (a, b) for a, b in found.pairs}
        for place in self.clocks.chain.tolist():
            at_s = float(self.line_s[place])
            if place in beside:
                image = self.images[beside[place]]
                candidates.append(Candidate(self.exposures[place], image, at_s, settled=True))
            elif place in paired:
                a, b = paired[place]
                image = self.images[open_i[b]]
                candidates.append(
                    Candidate(
                        self.exposures[place],
                        image,
                        at_s,
                        float(gathered.residual_s[place_of[a, b]]),
                        found.probability[a, b],
                        other_study.get(a, 0.0),
                        float(agreement[place_of[a, b]]),
                        around.get(place, 1.0),
                        here[image.study],
                        bool(gathered.guessed[place_of[a, b]]),
                    )
                )
        return judge(candidates, self.rates)

    def _places(self, known: Sequence[Link]) -> dict[int, int]:
        """Give accepted links as places of exposure and image."""
        place_of_e = {e.key: n for n, e in enumerate(self.exposures)}
        place_of_i = {i.key: n for n, i in enumerate(self.images)}
        return {
            place_of_e[one.exposure]: place_of_i[one.image]
            for one in known
            if one.accepted and one.exposure in place_of_e
        }

    def _study(self, open_i: Sequence[int], place: int) -> str:
        return self.images[open_i[place]].study

    def _makes_image(self, place: int) -> float:
        usual = self.exposures[place].makes_image
        return min(usual, 1.0 - self.rates.lost) if usual >= MAKES_IMAGE else usual

    def _scanned(self, scan: BatchLinks) -> list[Link]:
        links: list[Link] = []
        for (i, j), probability in scan.pairs:
            exposure, image = self.exposures[i], self.images[j]
            confidence = confidence_map().of(probability)
            reasons = [
                f"one of {len(scan.batch.images)} images scanned together, after the exposure",
                *content_reasons(exposure, image),
            ]
            beside = i in scan.doubtful
            accepted = scan.plain and not beside and confidence >= ACCEPTED_OF_A_BATCH_FROM
            if beside:
                reasons.append("nearer to plates of another study than to the rest of these")
            elif confidence < ACCEPTED_OF_A_BATCH_FROM:
                reasons.append("the order of the plates is not plain")
            elif not scan.plain:
                reasons.append("other exposures may have been on these plates")
            if accepted or confidence >= PROPOSED_FROM:
                links.append(Link(exposure.key, image.key, confidence, accepted, tuple(reasons)))
        return links


def _in_time(at_s: Floats) -> list[int]:
    places: list[int] = np.argsort(at_s, kind="stable").tolist()
    return places


def _scanned_study(scans: Sequence[BatchLinks], exposures: Sequence[Exposure]) -> dict[str, str]:
    """Tell whose the plates are: those before a batch, where no other batch could have them."""
    studies: dict[str, set[str]] = {}
    for scan in scans:
        for place in scan.spanned if scan.plain else ():
            studies.setdefault(exposures[place].key, set()).add(scan.batch.study)
    return {key: next(iter(told)) for key, told in studies.items() if len(told) == 1}
