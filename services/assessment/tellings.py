"""One exposure may be told several times: by its generator, a dose report, a performed step.

It is one exposure all the same: one dose, one link. Tellings are brought together by their
Irradiation Event UID, else as exposures are with images: by device, aligned times and technique.
A performed step tells no time of each exposure: its tellings join by order, once the links are
known (``step_tellings``). What stays unsure is kept apart, stands in no sum, and is asked about.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Final

from schemas.facts import ExposureEnded, ToldBy
from services.assessment.counting import Fact
from services.assessment.linking import link
from services.assessment.pairing_scores import Exposure, Image, technique_agrees

_BEST_FIRST: Final = (ToldBy.GENERATOR, ToldBy.DOSE_REPORT, ToldBy.PERFORMED_STEP)
"""Whose word leads: the generator has the counter and the clock; a report has each exposure's
own time, a performed step often not."""

_KNOWN_LATER: Final = (
    "study_instance_uid",
    "irradiation_event_uid",
    "sensor",
    "receptor",
    "animal_size",
    "preset",
    "source_to_skin_mm",
    "reported_kerma_mgy",
    "reported_kap_mgycm2",
    "operator",
)


@dataclass(frozen=True, slots=True)
class ToldExposure:
    """One exposure: the telling that leads, completed by the others.

    ``others`` are the keys of further tellings, ``reasons`` why they are taken as the same.
    ``perhaps`` is the key of an exposure that this may be another telling of.
    """

    key: str
    fact: Fact
    told: ExposureEnded
    others: tuple[str, ...] = ()
    reasons: tuple[str, ...] = ()
    perhaps: str | None = None

    @property
    def untimed(self) -> bool:
        """Whether only a performed step tells it: its time is that of the step's start."""
        return self.told.told_by is ToldBy.PERFORMED_STEP


def bring_together(told: Iterable[tuple[Fact, ExposureEnded]]) -> tuple[ToldExposure, ...]:
    """Bring a room's tellings together. Their order is no matter."""
    each = sorted(told, key=lambda pair: pair[0].natural_key)
    one_by_key = {fact.natural_key: ToldExposure(fact.natural_key, fact, e) for fact, e in each}
    by_way = {
        way: [one for one in one_by_key.values() if one.told.told_by is way] for way in _BEST_FIRST
    }
    known = by_way[_BEST_FIRST[0]]
    for way in _BEST_FIRST[1:]:
        known = _join(known, by_way[way])
    return tuple(sorted(known, key=lambda one: one.key))


def _join(known: Sequence[ToldExposure], more: Sequence[ToldExposure]) -> list[ToldExposure]:
    """Join further tellings to what is known; what joins nothing is an exposure of its own."""
    joined = {one.key: one for one in known}
    left: list[ToldExposure] = []
    by_event = {
        one.told.irradiation_event_uid: one.key for one in known if one.told.irradiation_event_uid
    }
    for one in more:
        key = by_event.get(one.told.irradiation_event_uid or "")
        if key is None:
            left.append(one)
        elif technique_agrees(_exposure(joined[key]), _image(one)) is False:
            joined[one.key] = replace(one, perhaps=key)
        else:
            joined[key] = _with(joined[key], one, "both name the same irradiation event")
    joined.update({one.key: one for one in left if one.untimed})
    left = [one for one in left if not one.untimed]
    # An exposure told for another study, or under another event, cannot be the same.
    for generator in sorted({one.told.generator for one in left}):
        tellings = [one for one in left if one.told.generator == generator]
        own = [
            one
            for one in joined.values()
            if one.told.generator == generator and one.told.told_by is not tellings[0].told.told_by
        ]
        _align(own, tellings, joined)
    return list(joined.values())


def _align(
    own: Sequence[ToldExposure], tellings: Sequence[ToldExposure], joined: dict[str, ToldExposure]
) -> None:
    """Find the same exposures by their times, which clocks of two devices tell, and technique."""
    by_key = {one.key: one for one in tellings}
    exposures = [_exposure(one) for one in own]
    if any(one.told.study_instance_uid is None for one in tellings):
        # Such a telling may be of any study; those of another one are told apart below.
        exposures = [replace(one, study=None) for one in exposures]
    links = link(exposures, [_image(one) for one in tellings])
    for found in links.links:
        one = by_key.pop(found.image)
        first = joined[found.exposure]
        if found.accepted and _may_be_one(first, one):
            why = f"same generator; {'; '.join(found.reasons)}".replace("image", "telling")
            joined[first.key] = _with(first, one, f"{why} ({found.confidence:.1%})")
        else:
            joined[one.key] = replace(one, perhaps=first.key)
    joined.update(by_key)


def _may_be_one(first: ToldExposure, one: ToldExposure) -> bool:
    pairs = (
        (first.told.irradiation_event_uid, one.told.irradiation_event_uid),
        (first.told.study_instance_uid, one.told.study_instance_uid),
    )
    return all(a is None or b is None or a == b for a, b in pairs)


def _with(first: ToldExposure, one: ToldExposure, reason: str) -> ToldExposure:
    return replace(
        first,
        told=completed(first.told, one.told),
        others=(*first.others, one.key),
        reasons=(*first.reasons, told_too(one, reason)),
    )


def completed(told: ExposureEnded, more: ExposureEnded) -> ExposureEnded:
    """Add to a telling what only another one knows."""
    missing = {
        name: getattr(more, name)
        for name in _KNOWN_LATER
        if getattr(told, name) is None and getattr(more, name) is not None
    }
    return told.model_copy(update=missing)


def told_too(one: ToldExposure, reason: str) -> str:
    """Say by which further way an exposure was told, and why it is the same."""
    way = one.told.told_by.value.replace("_", " ")
    return f"told by {way} too: {reason}"[:2000]


def _exposure(one: ToldExposure) -> Exposure:
    told = one.told
    return Exposure(
        key=one.key,
        device=told.generator,
        at_s=one.fact.occurred_at.timestamp(),
        tube_kv=told.tube_kv,
        tube_current_ma=told.tube_current_ma,
        set_exposure_ms=told.set_exposure_ms,
        exposure_ms=told.exposure_ms,
        counter=told.exposure_counter,
        study=told.study_instance_uid,
    )


def _image(one: ToldExposure) -> Image:
    """A further telling, laid out as an image of the exposure."""
    told = one.told
    return Image(
        key=one.key,
        study=told.study_instance_uid or "",
        device=told.told_by.value,
        at_s=one.fact.occurred_at.timestamp(),
        tube_kv=told.tube_kv,
        tube_current_ma=told.tube_current_ma,
        exposure_ms=told.exposure_ms,
    )
