"""Second exposures of one view: found, and told apart by what led to them."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from typing import Final

from schemas.conclusions import ExposureUse, RepeatFound, RepeatKind

WITHIN_S: Final = 60.0
"""A retake within this many seconds was decided at the screen at once. A default of ours."""

AFTER_EARLY_END_S: Final = 300.0
"""How long after an early end an image still counts as its repeat. A default of ours."""


@dataclass(frozen=True, slots=True)
class ShownImage:
    """One image with the planned view that it shows. ``rejected`` is the reason, if it was."""

    uid: str
    fact_keys: tuple[str, ...]
    acquired_at: datetime
    view: str
    title: str
    rejected: str | None = None


@dataclass(frozen=True, slots=True)
class MadeExposure:
    """One exposure of the study; ``image`` is that of an accepted link."""

    key: str
    at: datetime
    use: ExposureUse
    preset: str | None = None
    image: str | None = None


def find_repeats(
    images: Sequence[ShownImage], exposures: Sequence[MadeExposure]
) -> tuple[RepeatFound, ...]:
    """Give every repeat, by time of the image that repeats.

    Each image of a view repeats the one before it. Beside that, an image repeats an exposure that
    ended early if its own exposure is the next one on, with the same preset and soon enough.
    """
    ordered = sorted(images, key=lambda image: (image.acquired_at, image.uid))
    by_view: dict[str, list[ShownImage]] = {}
    for image in ordered:
        by_view.setdefault(image.view, []).append(image)
    found = [
        _of_image(first, again)
        for members in by_view.values()
        for first, again in pairwise(members)
    ]
    found += _after_early_ends({image.uid: image for image in ordered}, exposures)
    when = {image.uid: image.acquired_at for image in ordered}
    return tuple(sorted(found, key=lambda one: (when[one.again], one.again, one.kind)))


def _of_image(first: ShownImage, again: ShownImage) -> RepeatFound:
    seconds = (again.acquired_at - first.acquired_at).total_seconds()
    if first.rejected is not None:
        kind, rule = RepeatKind.REJECTED_THEN_RETAKEN, "repeat-after-reject"
        words = f"{first.title}: retaken after the image before was rejected ({first.rejected})."
    elif seconds <= WITHIN_S:
        kind, rule = RepeatKind.RETAKEN_WITHIN_SECONDS, "repeat-within-seconds"
        words = f"{first.title}: retaken {seconds:.0f} s later; nobody said why."
    else:
        kind, rule = RepeatKind.SAME_VIEW_TWICE, "repeat-of-view"
        words = f"{first.title}: taken again {_minutes(seconds)} later without a rejection."
    return RepeatFound(
        kind=kind,
        view=first.view,
        first=first.uid,
        again=again.uid,
        seconds_between=seconds,
        words=words[:2000],
        rule=rule,
        facts=tuple(sorted({*first.fact_keys, *again.fact_keys})),
    )


def _after_early_ends(
    images: Mapping[str, ShownImage], exposures: Sequence[MadeExposure]
) -> Iterator[RepeatFound]:
    in_time = sorted(exposures, key=lambda one: (one.at, one.key))
    for early, following in pairwise(in_time):
        image = images.get(following.image) if following.image is not None else None
        seconds = (following.at - early.at).total_seconds()
        if (
            early.use is not ExposureUse.ENDED_EARLY
            or image is None
            or early.preset != following.preset
            or seconds > AFTER_EARLY_END_S
        ):
            continue
        yield RepeatFound(
            kind=RepeatKind.AFTER_EARLY_END,
            view=image.view,
            first=None,
            again=image.uid,
            seconds_between=seconds,
            words=f"{image.title}: taken {_minutes(seconds)} after an exposure that ended early."[
                :2000
            ],
            rule="repeat-after-early-end",
            facts=tuple(sorted({early.key, following.key, *image.fact_keys})),
        )


def _minutes(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 120 else f"{seconds / 60:.0f} min"
