"""'May we wake the patient?': what is missing of the images, and never a yes. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from schemas.conclusions import ViewStatus
from schemas.facts import ExposureEnded, ImageStored
from services.console.views_chairside import JustTold, StudyBoard

CLOSING: Final = (
    "About images only. Whether the patient wakes is for the vet and the anaesthetist to decide."
)
_SHOWN: Final = 4
"""So many are named, the rest counted; the number is invented."""


@dataclass(frozen=True, slots=True)
class WakeCard:
    """The answer in one look: ``mark`` and ``verdict`` first, then what is missing."""

    mark: str
    verdict: str
    missing: tuple[str, ...]
    more: int
    notes: tuple[str, ...]


def wake_card(board: StudyBoard, in_room: Sequence[JustTold] = ()) -> WakeCard:
    """Answer from the newest assessment and from what just came, ``in_room`` too."""
    study, missing = board.study, board.may_wake.missing
    coming = sum(isinstance(one.fact, ImageStored) for one in board.just_told)
    exposed = len(
        {
            one.natural_key
            for one in (*board.just_told, *in_room)
            if isinstance(one.fact, ExposureEnded)
        }
    )
    notes = []
    if exposed:
        notes.append(_count(exposed, "exposure has", "exposures have") + " no image yet")
    if coming:
        notes.append(
            _count(coming, "image has just come", "images have just come") + ", not placed"
        )
    if board.may_wake.questions:
        questions = _count(board.may_wake.questions, "question waits", "questions wait")
        notes.append(f"{questions} for a person's answer")
    excused = sum(view.status is ViewStatus.EXCUSED for view in study.views)
    if excused:
        notes.append(_count(excused, "view is", "views are") + " excused")
    if not study.views:
        return WakeCard("!", "Images: no plan is known, so nothing is counted", (), 0, tuple(notes))
    if missing:
        verdict = f"Images: {len(missing)} of {len(study.views)} views open"
        shown = missing[:_SHOWN] if len(missing) > _SHOWN + 1 else missing
        return WakeCard("?", verdict, shown, len(missing) - len(shown), tuple(notes))
    if coming or exposed or board.may_wake.questions:
        return WakeCard("!", "Images: not settled yet", (), 0, tuple(notes))
    return WakeCard("●", "Images: nothing of the plan is missing", (), 0, tuple(notes))


def _count(number: int, one: str, many: str) -> str:
    return f"{number} {one if number == 1 else many}"
