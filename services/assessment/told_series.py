"""A study's series as its facts tell it: images with their doubts, and what people decided."""

from collections.abc import Sequence

from schemas.conclusions import Question
from schemas.facts import (
    ImageAssigned,
    ImageRejected,
    ImageStored,
    OrderPlaced,
    ToothAbsent,
    ViewExcused,
)
from schemas.plans import Plan
from services.assessment.counting import Fact, PatientIds, told
from services.assessment.doubts import doubt_questions, image_doubts
from services.assessment.series import SeriesCheck, check_series
from services.assessment.series_views import SeriesImage, SeriesTold


def told_series(
    facts: Sequence[Fact],
    images: Sequence[tuple[Fact, ImageStored]],
    order: OrderPlaced | None,
    order_key: str | None,
    plan: Plan | None,
    ids: PatientIds,
) -> tuple[SeriesCheck, list[Question]]:
    """Check a study's images against its plan. ``facts`` are all of the study's, in time order."""
    # So of competing decisions the latest stays.
    assigned = {a.sop_instance_uid: (a.view, f) for f, a in told(facts, ImageAssigned)}
    rejected = {r.sop_instance_uid: (_rejected(r), f) for f, r in told(facts, ImageRejected)}
    questions: list[Question] = []
    members: list[SeriesImage] = []
    for fact, image in images:
        uid = image.sop_instance_uid
        doubts = image_doubts(image, order, ids, plan)
        if uid not in assigned and uid not in rejected:
            questions += doubt_questions(doubts, fact.natural_key)
        decisions = [found for found in (assigned.get(uid), rejected.get(uid)) if found]
        members.append(
            SeriesImage(
                uid=uid,
                fact_key=fact.natural_key,
                acquired_at=image.acquired_at,
                teeth=frozenset(image.teeth),
                claimed=image.view,
                assigned=assigned[uid][0] if uid in assigned else None,
                rejected=rejected[uid][0] if uid in rejected else None,
                doubts=tuple(words for _, words in doubts),
                decided_by=tuple(sorted(fact.natural_key for _, fact in decisions)),
            )
        )
    excused = {e.view: (e.reason, f.natural_key) for f, e in told(facts, ViewExcused)}
    absent = {a.tooth: f.natural_key for f, a in told(facts, ToothAbsent)}
    behind = SeriesTold(
        plan=(order_key,) if order_key is not None else (),
        excused={view: key for view, (_, key) in excused.items()},
        absent=absent,
    )
    reasons = {view: reason for view, (reason, _) in excused.items()}
    check = check_series(plan, members, excused=reasons, absent=frozenset(absent), told=behind)
    return check, [*questions, *check.questions]


def _rejected(fact: ImageRejected) -> str:
    """The reason by its code of DICOM CID 7011, and what the person added."""
    return f"reason {fact.reason_code}" + (f", {fact.remark}" if fact.remark else "")
