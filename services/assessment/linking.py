"""Which exposure made which image: a room's exposures and images, aligned.

For each two clocks all offsets that the times support are weighed (``clock_tracks``); under them
the two sequences are aligned exactly. A link's confidence is its probability over all alignments
and offsets, mapped to how often such a pair is right. What falls below the threshold, or could as
well belong to another study, is proposed to a person and is no link: a false link across two
patients is the worst error there is.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from services.assessment.batch_scans import link_batches
from services.assessment.clock_offset import ClockReading, Clocks, Floats
from services.assessment.clock_stands import ClockStand
from services.assessment.event_links import links_by_event
from services.assessment.link_judgement import Link
from services.assessment.pairing_scores import Exposure, Image
from services.assessment.room_alignment import align_open
from services.assessment.room_clocks import nearest_places
from services.assessment.scanned_links import scanned_links, scanned_study
from services.assessment.weighed_room import WeighedRoom


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
    room = WeighedRoom(
        sorted(exposures, key=lambda e: (e.at_s, e.key)),
        sorted(images, key=lambda i: (i.at_s, i.key)),
        Clocks.of(readings),
    )
    decided, settled = _decided(decisions, {image.key for image in images})
    return _link(room, decided, settled)


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


def _link(room: WeighedRoom, decided: Sequence[Link], settled_images: Collection[str]) -> RoomLinks:
    settled_exposures = {one.exposure for one in decided}
    by_event = links_by_event(
        room.exposures,
        room.images,
        room.exposure_s,
        room.image_s,
        room.in_batch,
        {*settled_images, *settled_exposures},
    )
    taken_e = settled_exposures | {one.exposure for one in by_event}
    taken_i = set(settled_images) | {one.image for one in by_event}
    open_e = [n for n in _in_time(room.exposure_s) if room.exposures[n].key not in taken_e]
    open_i = [
        n
        for n in _in_time(room.image_s)
        if room.images[n].key not in taken_i and n not in room.in_batch
    ]
    aligned = align_open(room, open_e, open_i, [*decided, *by_event])
    has_image = {one.exposure for one in aligned if one.accepted}
    scans = link_batches(
        room.batches,
        room.exposures,
        room.exposure_s,
        [n for n in open_e if room.exposures[n].key not in has_image],
        room.agreement,
        {n for n, i in enumerate(room.images) if i.key in taken_i},
    )
    scanned = [one for scan in scans for one in scanned_links(room, scan)]
    spoken_for = {one.exposure for one in scanned}
    aligned = [one for one in aligned if one.accepted or one.exposure not in spoken_for]
    links = [*decided, *by_event, *aligned, *scanned]
    exposure_times_s = {
        e.key: float(at_s) for e, at_s in zip(room.exposures, room.line_s, strict=True)
    }
    return RoomLinks(
        tuple(sorted(links, key=lambda one: (one.image, one.exposure))),
        exposure_times_s,
        _image_times_s(room, links, exposure_times_s),
        scanned_study(scans, room.exposures),
        room.clocks.stands(),
    )


def _image_times_s(
    room: WeighedRoom, links: Sequence[Link], exposure_times_s: Mapping[str, float]
) -> dict[str, float]:
    """Give an image its exposure's time, else that of the exposure nearest by the clocks."""
    exposure_of = {one.image: one.exposure for one in links if one.accepted}
    told_s = room.image_s
    if len(room.exposures):
        order = np.argsort(room.exposure_s, kind="stable")
        nearest = order[nearest_places(room.exposure_s[order], room.image_s)]
        told_s = room.image_s + (room.line_s - room.exposure_s)[nearest]
    times_s: dict[str, float] = {}
    for place, (image, at_s) in enumerate(zip(room.images, told_s.tolist(), strict=True)):
        if place not in room.in_batch:
            known = exposure_times_s.get(exposure_of.get(image.key, ""))
            times_s[image.key] = at_s if known is None else known
    return times_s


def _in_time(at_s: Floats) -> list[int]:
    places: list[int] = np.argsort(at_s, kind="stable").tolist()
    return places
