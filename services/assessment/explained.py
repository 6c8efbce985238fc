"""Results with the rule that made them and the facts that they rest on."""

from collections.abc import Iterable, Mapping, Sequence

from schemas.conclusions import ExposureResult, ExposureUse, Question
from schemas.facts import ImageStored, LinkDecided, ToldBy
from schemas.plans import Plan
from services.assessment.counting import Fact
from services.assessment.repeats import MadeExposure, ShownImage
from services.assessment.room_view import RoomView, readings_near
from services.assessment.series import SeriesCheck
from services.assessment.study_exposures import StudyExposure

_RULE_OF_USE = {
    ExposureUse.IMAGE: "link-accepted",
    ExposureUse.PROPOSED: "link-proposed",
    ExposureUse.ENDED_EARLY: "exposure-ended-early",
    ExposureUse.NO_IMAGE: "exposure-without-image",
}


def explained_exposures(
    results: Sequence[ExposureResult],
    exposures: Sequence[StudyExposure],
    room: RoomView,
    image_keys: Mapping[str, str],
    decisions: Sequence[tuple[Fact, LinkDecided]],
) -> tuple[ExposureResult, ...]:
    """Name rule and facts of each exposure's use: the exposure, its image, the clock readings
    between their devices, and what a person decided on that image."""
    of_key = {one.key: one for one in exposures}
    return tuple(
        _explained(result, of_key[result.exposure_key], room, image_keys, decisions)
        for result in results
    )


def _explained(
    result: ExposureResult,
    one: StudyExposure,
    room: RoomView,
    image_keys: Mapping[str, str],
    decisions: Sequence[tuple[Fact, LinkDecided]],
) -> ExposureResult:
    uid = one.image.sop_instance_uid if one.image is not None else None
    by = {
        fact.natural_key
        for fact, decision in decisions
        if uid is not None and decision.sop_instance_uid == uid
    }
    rule = _RULE_OF_USE[one.use]
    if one.use is ExposureUse.IMAGE and by:
        rule = "link-decided"
    elif one.use is ExposureUse.IMAGE and one.told.told_by is ToldBy.PERFORMED_STEP:
        rule = "link-in-step-order"
    facts = {one.key, *one.others, *by, *readings_near(one, room)}
    if uid is not None and uid in image_keys:
        facts.add(image_keys[uid])
    return result.model_copy(update={"rule": rule, "facts": tuple(sorted(facts))})


def explained_questions(questions: Iterable[Question]) -> tuple[Question, ...]:
    """Put questions in one order; where a question names no rule, its code is that of the rule."""
    ruled = (q if q.rule else q.model_copy(update={"rule": q.code}) for q in questions)
    return tuple(sorted(ruled, key=lambda q: (q.code, q.about, q.words)))


def shown_images(
    images: Sequence[tuple[Fact, ImageStored]], check: SeriesCheck, plan: Plan | None
) -> list[ShownImage]:
    """The images that show a planned view, as the search for repeats sees them."""
    shown = []
    for _, image in images:
        part = check.images[image.sop_instance_uid]
        view = plan.view(part.view) if plan is not None and part.view is not None else None
        if view is not None:
            shown.append(
                ShownImage(
                    uid=image.sop_instance_uid,
                    fact_keys=part.facts,
                    acquired_at=image.acquired_at,
                    view=view.code,
                    title=view.name,
                    rejected=part.rejected,
                )
            )
    return shown


def made_exposures(exposures: Sequence[StudyExposure]) -> list[MadeExposure]:
    """The study's exposures as the search for repeats sees them."""
    return [
        MadeExposure(
            key=one.key,
            at=one.at,
            use=one.use,
            preset=one.told.preset,
            image=one.image.sop_instance_uid
            if one.use is ExposureUse.IMAGE and one.image is not None
            else None,
        )
        for one in exposures
    ]
