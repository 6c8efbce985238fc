"""Signs of a wrong side or a wrong patient that one image alone cannot show."""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from typing import Final

from schemas.conclusions import Question
from schemas.teeth import side
from services.assessment.technique import TechniqueCase, shown_teeth

ONE_SITTING: Final = timedelta(minutes=15)
"""Images further apart than this are not of one sitting. A default of ours."""

_MOST_NAMED = 20


@dataclass(frozen=True, slots=True)
class RoomImage:
    """One image of the room, of whichever study. ``patient_id`` is the current one; ``decided``:
    a person assigned or rejected it."""

    fact_key: str
    acquired_at: datetime
    station: str
    study: str
    patient_id: str
    decided: bool = False


def side_questions(cases: Sequence[TechniqueCase]) -> Iterator[Question]:
    """Ask where the generator's preset is for one side and the image shows the other alone."""
    for case in cases:
        if case.image is None or case.image_key is None:
            continue
        preset_sides = {side(tooth) for tooth in case.preset_teeth}
        image_sides = {side(tooth) for tooth in shown_teeth(case.image, case.view)}
        if len(preset_sides) == len(image_sides) == 1 and preset_sides != image_sides:
            (preset_side,), (image_side,) = preset_sides, image_sides
            yield Question(
                code="side-differs",
                words=f"Which side does this image show? The generator's preset "
                f"{case.told.exposure.preset} is for the {preset_side}, the image names teeth of "
                f"the {image_side}.",
                about=tuple(sorted((case.told.key, case.image_key))),
                rule="preset-side",
            )


def interleaved_studies(images: Sequence[RoomImage]) -> frozenset[str]:
    """Give the studies of which ``interleaved_question`` asks anything."""
    return frozenset(
        one.study
        for sitting in _sittings(images)
        for pair in _interleaved(sitting)
        for one in pair
        if not one.decided
    )


def interleaved_question(study: str, images: Sequence[RoomImage]) -> Iterator[Question]:
    """Ask where images of another patient stand between those of this study, or the other way
    round, on one station within one sitting. Answered once a person has assigned or rejected
    each of this study's images there."""
    asked: set[str] = set()
    open_ones = False
    for sitting in _sittings(images):
        for pair in _interleaved(sitting):
            ours = [one for one in pair if one.study == study]
            if ours:
                asked |= {one.fact_key for one in pair}
                open_ones |= any(not one.decided for one in ours)
    if open_ones:
        yield Question(
            code="patients-interleaved",
            words="Images of two patients alternate on one station. Was the right patient open "
            "at the station for each of them?",
            about=tuple(sorted(asked)[:_MOST_NAMED]),
            rule="patients-interleaved",
        )


def _interleaved(sitting: Sequence[RoomImage]) -> Iterator[tuple[RoomImage, RoomImage]]:
    """Give the changes of patient of a sitting where one of the two comes more than once."""
    runs = _runs(sitting)
    mixed = {one for one, count in Counter(runs).items() if count > 1}
    if not mixed:
        return
    for before, image in pairwise(sitting):
        apart = before.patient_id != image.patient_id
        if apart and {before.patient_id, image.patient_id} & mixed:
            yield before, image


def _sittings(images: Sequence[RoomImage]) -> Iterator[list[RoomImage]]:
    """Part each station's images wherever it rested longer than one sitting."""
    ordered = sorted(images, key=lambda one: (one.station, one.acquired_at, one.fact_key))
    sitting: list[RoomImage] = []
    for image in ordered:
        if sitting and (
            sitting[-1].station != image.station
            or image.acquired_at - sitting[-1].acquired_at > ONE_SITTING
        ):
            yield sitting
            sitting = []
        sitting.append(image)
    if sitting:
        yield sitting


def _runs(sitting: Sequence[RoomImage]) -> list[str]:
    """The patients in the order in which they come, one entry for each uninterrupted run."""
    runs: list[str] = []
    for image in sitting:
        if not runs or runs[-1] != image.patient_id:
            runs.append(image.patient_id)
    return runs
