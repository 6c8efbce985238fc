"""Questions that only a person settles, with the answers that one tap gives. Pure."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from schemas.conclusions import ExposureUse, Question, StudyAssessed


@dataclass(frozen=True, slots=True)
class LinkAnswer:
    """One button: this exposure made the image; None: no exposure told here did."""

    words: str
    exposure_key: str | None


@dataclass(frozen=True, slots=True)
class QuestionCard:
    """``links``: buttons. ``image``: the one that may be assigned or rejected to settle it.
    ``next_action``: what to do where no button here settles it."""

    code: str
    words: str
    image: str | None = None
    links: tuple[LinkAnswer, ...] = ()
    next_action: str | None = None


_BY_IMAGE: Final = frozenset(
    {
        "image-without-view",
        "patient-differs",
        "species-differs",
        "tooth-not-of-species",
        "laterality-differs",
        "side-differs",
        "patients-interleaved",
    }
)
_NEXT: Final[Mapping[str, str]] = {
    "image-without-order": "Ask the desk to place the order, or tell them whose images these are.",
    "plan-unknown": "Ask the desk to correct the order's plan.",
    "plan-of-other-species": "Ask the desk to look at the order.",
    "plan-against-age": "Ask the vet which teeth are wanted; the desk corrects the order.",
    "several-orders": "Ask the desk which order holds, and let the other be cancelled.",
    "imaged-though-cancelled": "Ask the desk whether the order holds.",
}
_NONE_HERE: Final = LinkAnswer("None of those told here", None)
_ELSEWHERE: Final = "Is it of this patient? If not, reject it, and have it sent anew."
_ASK: Final = "Tell the vet in charge, or who looks after the system."


def question_cards(study: StudyAssessed) -> tuple[QuestionCard, ...]:
    """Give every question of a study with what answers it."""
    return tuple(_card(question, study) for question in study.questions)


def _card(question: Question, study: StudyAssessed) -> QuestionCard:
    images = [uid for key in question.about if (uid := _image_of(key)) is not None]
    own = {image.sop_instance_uid for image in study.images}
    image = next((uid for uid in images if uid in own), None)
    if question.code == "link-proposed" and image is not None:
        return QuestionCard(question.code, question.words, image, _links(question, study))
    if question.code == "image-from-elsewhere" and image is not None:
        return QuestionCard(
            question.code, question.words, image, (_NONE_HERE,), next_action=_ELSEWHERE
        )
    if question.code in _BY_IMAGE and image is not None:
        return QuestionCard(question.code, question.words, image)
    return QuestionCard(question.code, question.words, next_action=_NEXT.get(question.code, _ASK))


def _links(question: Question, study: StudyAssessed) -> tuple[LinkAnswer, ...]:
    """Offer the proposed exposure first, then the others without an image, then none."""
    free = {ExposureUse.NO_IMAGE, ExposureUse.PROPOSED}
    proposed = [one for one in study.exposures if one.exposure_key in question.about]
    others = [one for one in study.exposures if one.use in free and one not in proposed]
    return (
        *(LinkAnswer("Yes, this exposure", one.exposure_key) for one in proposed),
        *(
            LinkAnswer(f"No, the one of {one.occurred_at:%H:%M:%S} UTC", one.exposure_key)
            for one in others[:3]
        ),
        _NONE_HERE,
    )


def _image_of(key: str) -> str | None:
    kind, _, rest = key.partition(":")
    return rest.rpartition(":")[0] or None if kind == "image" else None
