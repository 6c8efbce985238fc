"""What only a person can settle, beside the doubts about single images."""

from collections.abc import Iterator, Sequence

from schemas.conclusions import ExposureUse, Question
from schemas.facts import FactWithdrawn, ImageStored, LinkDecided, OrderPlaced, ToldBy
from schemas.group import Site
from schemas.plans import Plan, PlanChoice, Scope
from services.assessment.counting import DECISIONS, Fact, told
from services.assessment.handovers import NO_HANDOVERS, Handovers
from services.assessment.room_day import RoomDay, place_of
from services.assessment.study_exposures import StudyExposure


def order_questions(
    facts: Sequence[Fact],
    order: OrderPlaced | None,
    plan: Plan | None,
    *,
    cancelled: bool,
    fitting: PlanChoice | None = None,
    told_by: Sequence[str] = (),
) -> Iterator[Question]:
    """Ask about the order. ``cancelled``: it was, and there are images or exposures.

    ``fitting`` is the full-mouth plan that the animal itself would get, where that is plain;
    ``told_by`` are the facts that told its weight and birth date.
    """
    image_keys = tuple(f.natural_key for f, _ in told(facts, ImageStored))
    orders = {placed.order_id for _, placed in told(facts, OrderPlaced)}
    order_keys = tuple(f.natural_key for f, _ in told(facts, OrderPlaced))
    # What the animal itself would get rests on these.
    animal_keys = tuple(dict.fromkeys((*order_keys, *(told_by if fitting is not None else ()))))
    if order is None:
        yield Question(
            code="image-without-order",
            words="No order is known for this study. Whose images are these?",
            about=image_keys,
        )
    elif plan is None:
        yield Question(
            code="plan-unknown",
            words=f"The order names the plan '{order.plan}', which the site does not have. "
            f"Which views are wanted?{_would_be(fitting)}"[:2000],
            about=animal_keys,
        )
    elif plan.species is not order.patient.species:
        yield Question(
            code="plan-of-other-species",
            words=f"The plan is for a {plan.species.value}, the patient is a "
            f"{order.patient.species.value}. Is the order right?",
            about=order_keys,
        )
    elif _is_against_age(plan, order, fitting):
        yield Question(
            code="plan-against-age",
            words=f"The plan is for {plan.dentition} teeth.{_would_be(fitting)} "
            "Which teeth does the animal have?"[:2000],
            about=animal_keys,
        )
    if len(orders) > 1:
        yield Question(
            code="several-orders",
            words="Several orders name this study. Which one holds?",
            about=order_keys,
        )
    if cancelled:
        yield Question(
            code="imaged-though-cancelled",
            words="The order was cancelled, yet there are images or exposures. What holds?",
            about=image_keys,
        )


def _is_against_age(plan: Plan, order: OrderPlaced, fitting: PlanChoice | None) -> bool:
    """Only of a known birth date, and only where the whole mouth is planned."""
    if fitting is None or order.patient.born_on is None or plan.scope is not Scope.FULL_MOUTH:
        return False
    return fitting.plan.dentition is not plan.dentition


def _would_be(fitting: PlanChoice | None) -> str:
    if fitting is None:
        return ""
    return f" By the animal itself it would be {fitting.plan.name} ({'; '.join(fitting.reasons)})."


def place_questions(
    facts: Sequence[Fact], where: RoomDay, site: Site, handed: Handovers = NO_HANDOVERS
) -> Iterator[Question]:
    """Ask about images that stand outside the room-day: their exposures are not looked for, so
    their dose is in no sum. Answered once a person says that no exposure told here made one."""
    begin, end = where.window(site.zone)
    decided = {d.sop_instance_uid: d.exposure_key for _, d in told(facts, LinkDecided)}
    of_none_here = {image for image, exposure in decided.items() if exposure is None}
    for fact, image in told(facts, ImageStored):
        place = place_of(fact, site, handed)
        if place is None or (place.room == where.room and begin <= place.moment <= end):
            continue
        if image.sop_instance_uid in of_none_here:
            continue
        made = f"in {place.room}" if place.room else "in a room that is not known"
        yield Question(
            code="image-from-elsewhere",
            words=f"This image was made {made} on {place.moment:%Y-%m-%d} (UTC), away from the "
            "rest of its study. Which exposure made it? Its dose is in no sum.",
            about=(fact.natural_key,),
        )


def withdrawal_questions(facts: Sequence[Fact], exposures: set[str]) -> Iterator[Question]:
    """Ask about withdrawals of what is no person's decision: they have no effect."""
    standing = {f.natural_key for f in facts if not isinstance(f.payload, DECISIONS)} | exposures
    for fact, withdrawal in told(facts, FactWithdrawn):
        if withdrawal.withdrawn_key in standing:
            yield Question(
                code="withdrawal-without-effect",
                words="Only a person's decision can be withdrawn; what a device or a record told "
                f"stays. What was meant? ({withdrawal.reason})"[:2000],
                about=(fact.natural_key, withdrawal.withdrawn_key),
            )


def link_questions(exposures: Sequence[StudyExposure]) -> Iterator[Question]:
    """Ask about links that were proposed."""
    for one in exposures:
        if one.use is ExposureUse.PROPOSED and one.image is not None:
            image_key = one.image.natural_key(one.at)
            yield Question(
                code="link-proposed",
                words=f"Did {_named(one)} make this image? {'; '.join(one.reasons)}."[:2000],
                about=(one.key, image_key),
            )
        if one.perhaps is not None:
            yield Question(
                code="exposure-told-twice",
                words=f"Is the exposure told at {one.at:%H:%M:%S} UTC by "
                f"{one.told.told_by.value.replace('_', ' ')} one that was told already? Until "
                "then its dose is in no sum.",
                about=(one.key, one.perhaps),
            )


def _named(one: StudyExposure) -> str:
    if one.told.told_by is ToldBy.PERFORMED_STEP:
        return f"an exposure of the step begun at {one.at:%H:%M:%S} UTC"
    return f"the exposure of {one.at:%H:%M:%S} UTC (by the generator's clock)"
