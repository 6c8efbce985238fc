"""What one tap at the board tells: a form's fields become a fact. Pure."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any, Final

from pydantic import ValidationError

from schemas.envelope import Payload
from schemas.errors import InvalidInput
from schemas.facts import (
    FactWithdrawn,
    ImageAssigned,
    ImageRejected,
    LinkDecided,
    ReadinessChecked,
    StudyClosed,
    ToothAbsent,
    ViewExcused,
)
from schemas.reject_reasons import reject_meaning
from services.console.chairside.decisions import decision_of, is_of_study

WHATS: Final = ("ready", "reject", "assign", "excuse", "absent", "link", "take-back", "close")

EXCUSES: Final = (
    "The anaesthesia has to end",
    "The patient is not deep enough for it",
    "The receptor cannot be placed there",
    "The vet does not want this view",
    "The equipment does not work",
)
"""Our own start, invented; a person may write another reason."""

Fields = Mapping[str, str]


def fact_of(
    what: str, fields: Fields, study: str, images: frozenset[str], views: frozenset[str]
) -> Payload:
    """Make the fact of a tap. ``images`` and ``views``: those that are the study's.

    Raises InvalidInput, naming the field and what was expected.
    """
    maker = _MAKERS.get(what)
    if maker is None:
        raise InvalidInput("what", what, f"one of {', '.join(WHATS)}")
    kind, values = maker(fields, study, images, views)
    try:
        fact: Payload = kind.model_validate({"study_instance_uid": study} | values)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        name = ".".join(str(part) for part in first["loc"])
        raise InvalidInput(name, first["input"], first["msg"]) from error
    return fact


def moment_of(told: str) -> datetime | None:
    """Read when a tap was made; None where it is not told. Raises InvalidInput."""
    if not told:
        return None
    try:
        moment = datetime.fromisoformat(told)
    except ValueError as error:
        raise InvalidInput("tapped_at", told, "a moment as ISO 8601 with its zone") from error
    if moment.tzinfo is None:
        raise InvalidInput("tapped_at", told, "a moment as ISO 8601 with its zone")
    return moment


_Made = tuple[type[Payload], dict[str, Any]]
_Names = frozenset[str]


def _one_of(fields: Fields, field: str, known: _Names, expected: str) -> str:
    value = fields.get(field, "")
    if value not in known:
        raise InvalidInput(field, value, expected)
    return value


def _image(fields: Fields, images: _Names) -> str:
    return _one_of(fields, "image", images, "an image of this study")


def _view(fields: Fields, views: _Names) -> str:
    return _one_of(fields, "view", views, "a view of this study's plan")


def _yes(fields: Fields, field: str) -> bool:
    return _one_of(fields, field, frozenset({"yes", "no"}), "yes or no") == "yes"


def _ready(fields: Fields, study: str, images: _Names, views: _Names) -> _Made:
    del study, images, views
    return ReadinessChecked, {
        "anaesthetic_plane_confirmed": _yes(fields, "plane"),
        "people_outside_beam": _yes(fields, "people"),
        "new_sensor_cover": _yes(fields, "cover"),
    }


def _reject(fields: Fields, study: str, images: _Names, views: _Names) -> _Made:
    del study, views
    code = fields.get("reason", "")
    if reject_meaning(code) is None:
        raise InvalidInput("reason", code, "a code of DICOM CID 7011")
    return ImageRejected, {"sop_instance_uid": _image(fields, images), "reason_code": code}


def _assign(fields: Fields, study: str, images: _Names, views: _Names) -> _Made:
    del study
    return ImageAssigned, {
        "sop_instance_uid": _image(fields, images),
        "view": _view(fields, views),
    }


def _excuse(fields: Fields, study: str, images: _Names, views: _Names) -> _Made:
    del study, images
    reason = fields.get("other", "").strip() or fields.get("reason", "").strip()
    return ViewExcused, {"view": _view(fields, views), "reason": reason}


def _absent(fields: Fields, study: str, images: _Names, views: _Names) -> _Made:
    del study, images, views
    told = fields.get("tooth", "")
    if not (told.isascii() and told.isdigit()):
        raise InvalidInput("tooth", told, "a tooth's number")
    return ToothAbsent, {"tooth": int(told)}


def _link(fields: Fields, study: str, images: _Names, views: _Names) -> _Made:
    del study, views
    return LinkDecided, {
        "sop_instance_uid": _image(fields, images),
        "exposure_key": fields.get("exposure") or None,
    }


def _take_back(fields: Fields, study: str, images: _Names, views: _Names) -> _Made:
    del views
    key = fields.get("key", "")
    decision = decision_of(key)
    if decision is None or not is_of_study(decision, study, images):
        raise InvalidInput("key", key, "a decision about this study")
    return FactWithdrawn, {"withdrawn_key": key, "reason": "Taken back at the chairside"}


def _close(fields: Fields, study: str, images: _Names, views: _Names) -> _Made:
    del fields, study, images, views
    return StudyClosed, {}


_MAKERS: Final = {
    "ready": _ready,
    "reject": _reject,
    "assign": _assign,
    "excuse": _excuse,
    "absent": _absent,
    "link": _link,
    "take-back": _take_back,
    "close": _close,
}
