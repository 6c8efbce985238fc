"""The decisions of people that count for a study now, read from the keys of its facts. Pure."""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from schemas.conclusions import StudyAssessed
from schemas.reject_reasons import reject_meaning

_KEY: Final = re.compile(
    r"(excused|absent|readiness|closed|assigned|rejected|linked):([0-9.]+):(?:(.+):)?"
    r"(\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?:\.\d+)?\+00:00)\Z"
)
_OF_STUDY: Final = frozenset({"excused", "absent", "readiness", "closed"})


@dataclass(frozen=True, slots=True)
class Decision:
    """One decision. ``about`` is the study's or the image's UID; ``what`` the view, tooth, reason
    or exposure that it names."""

    key: str
    kind: str
    about: str
    what: str
    at: datetime


def decision_of(key: str) -> Decision | None:
    """Read the natural key of a decision; None for any other fact."""
    found = _KEY.match(key)
    if found is None:
        return None
    kind, about, what, at = found.groups()
    return Decision(key, kind, about, what or "", datetime.fromisoformat(at))


def is_of_study(decision: Decision, study_instance_uid: str, images: Iterable[str]) -> bool:
    """Tell whether a decision is about this study or one of its images."""
    if decision.kind in _OF_STUDY:
        return decision.about == study_instance_uid
    return decision.about in set(images)


def standing(study: StudyAssessed) -> tuple[Decision, ...]:
    """Give the decisions that the newest assessment rests on, the last one last."""
    images = {image.sop_instance_uid for image in study.images}
    found = [
        decision
        for key in study.facts
        if (decision := decision_of(key)) is not None
        and is_of_study(decision, study.study_instance_uid, images)
    ]
    return tuple(sorted(found, key=lambda one: (one.at, one.key)))


def settled_keys(study: StudyAssessed) -> tuple[str, ...]:
    """Give the keys of people's facts that the assessment has taken in, those taken back too."""
    kept = {one.key for one in standing(study)}
    withdrawn = {key for key in study.facts if key.startswith("withdrawn:")}
    return tuple(sorted(kept | withdrawn | {key.removeprefix("withdrawn:") for key in withdrawn}))


def words_of(decision: Decision, study: StudyAssessed) -> str:
    """Say what was decided."""
    titles = {view.view: view.title for view in study.views}
    what = decision.what
    words = {
        "excused": f"Excused: {titles.get(what, what)}",
        "absent": f"Tooth {what} told as not there",
        "readiness": "Readiness check",
        "closed": "Study closed",
        "assigned": f"Image assigned: {titles.get(what, what)}",
        "rejected": f"Image rejected: {reject_meaning(what) or what}",
        "linked": "No exposure told for an image"
        if what == "None"
        else "Exposure and image linked",
    }
    return words[decision.kind]
