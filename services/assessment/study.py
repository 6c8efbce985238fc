"""The assessment of a room-day: a pure function of the set of its facts."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from schemas.conclusions import (
    ExposureUse,
    ImageResult,
    Question,
    StudyAssessed,
)
from schemas.facts import (
    FactWithdrawn,
    ImageAssigned,
    ImageRejected,
    ImageStored,
    OrderCancelled,
    OrderPlaced,
    ReadinessChecked,
    StudyClosed,
    ToothAbsent,
    ViewExcused,
)
from schemas.group import Site
from schemas.plans import Plan
from services.assessment.counting import Fact, PatientIds, facts_that_count, told
from services.assessment.doubts import doubt_questions, image_doubts
from services.assessment.questions import (
    link_questions,
    order_questions,
    place_questions,
    withdrawal_questions,
)
from services.assessment.room_day import NO_ROOM, RoomDay, current_order, home_of
from services.assessment.room_links import LinkedRoom, link_room
from services.assessment.rules import Rules
from services.assessment.series import SeriesCheck, SeriesImage, check_series, state_of
from services.assessment.study_exposures import StudyExposure, dose_of

FIRST_REVISION = 1


def assess_room_day(
    facts: Iterable[Fact], site: Site, where: RoomDay, rules: Rules
) -> dict[str, StudyAssessed]:
    """Assess every study that is at home in this room-day, by study uid, all at revision 1.

    ``facts`` are those of the room within the day's window, and all facts of the studies that
    these name. Order and repetition change nothing; facts of other studies only help to link.
    """
    all_told = tuple(facts)
    counted = facts_that_count(all_told)
    ids = PatientIds(counted)
    of_study: dict[str, list[Fact]] = {}
    for fact, study in _with_study(counted, all_told):
        of_study.setdefault(study, []).append(fact)
    at_home = [uid for uid, own in sorted(of_study.items()) if home_of(own, site) == where]
    if not at_home:
        return {}
    room = link_room(counted, site, where)
    return {
        uid: _Study(uid, of_study[uid], site, where, rules, room, ids).assess() for uid in at_home
    }


def _with_study(counted: Sequence[Fact], all_told: Sequence[Fact]) -> Iterator[tuple[Fact, str]]:
    """Pair each fact that is about a study with it; a cancellation is about its order's study,
    a withdrawal about that of the fact withdrawn."""
    study_of_order = {order.order_id: order.study_instance_uid for _, order in _orders(counted)}
    study_of_key = {fact.natural_key: _named_study(fact) for fact in all_told}
    for fact in counted:
        study = _named_study(fact)
        if isinstance(fact.payload, OrderCancelled):
            study = study_of_order.get(fact.payload.order_id)
        elif isinstance(fact.payload, FactWithdrawn):
            study = study_of_key.get(fact.payload.withdrawn_key) or study
        if study is not None:
            yield fact, study


def _named_study(fact: Fact) -> str | None:
    study = getattr(fact.payload, "study_instance_uid", None)
    return study if isinstance(study, str) else None


def _orders(facts: Sequence[Fact]) -> list[tuple[Fact, OrderPlaced]]:
    return sorted(told(facts, OrderPlaced), key=lambda pair: pair[1].revision)


@dataclass(frozen=True, slots=True)
class _Study:
    """One study's own facts, in time order, and what its room says."""

    uid: str
    facts: Sequence[Fact]
    site: Site
    where: RoomDay
    rules: Rules
    room: LinkedRoom
    ids: PatientIds

    def assess(self) -> StudyAssessed:
        order = current_order(self.facts)
        plan = self.rules.plans.get(order.plan) if order is not None else None
        images = sorted(
            told(self.facts, ImageStored), key=lambda p: (p[1].acquired_at, p[1].sop_instance_uid)
        )
        absent = frozenset(fact.tooth for _, fact in told(self.facts, ToothAbsent))
        check, questions = self._series(order, plan, images, absent)
        exposures = self._exposures(check)
        results, dose = dose_of(exposures, self.site, self.rules)
        closed = bool(told(self.facts, StudyClosed))
        cancelled = order is not None and any(
            cancelled.order_id == order.order_id
            for _, cancelled in told(self.facts, OrderCancelled)
        )
        begun = bool(images or exposures)
        told_id = order.patient.patient_id if order is not None else images[0][1].patient_id
        patient_id = self.ids.current(told_id)
        patient = order.patient.model_copy(update={"patient_id": patient_id}) if order else None
        questions += order_questions(self.facts, order, plan, cancelled=cancelled and begun)
        questions += place_questions(self.facts, self.where, self.site)
        questions += withdrawal_questions(self.facts, {one.key for one in exposures})
        questions += link_questions(exposures)
        return StudyAssessed(
            revision=FIRST_REVISION,
            study_instance_uid=self.uid,
            room=self.where.room if self.where.room != NO_ROOM else None,
            day=self.where.day,
            order_id=order.order_id if order else None,
            accession_number=order.accession_number if order else images[0][1].accession_number,
            account=order.account if order else None,
            indication=order.indication if order else None,
            training=order.training if order else False,
            patient_id=patient_id,
            patient=patient,
            plan=plan.code if plan else None,
            plan_title=plan.name if plan else None,
            state=state_of(check, begun=begun, closed=closed, cancelled=cancelled),
            closed=closed,
            views=check.views,
            still_missing=check.still_missing,
            suggested_views=check.suggested_views,
            teeth_without_view=check.teeth_without_view,
            absent_teeth=tuple(sorted(absent)),
            images=tuple(self._image_result(image, check) for _, image in images),
            exposures=results,
            dose=dose,
            anaesthesia_confirmed_by=self._anaesthesia_confirmed_by(),
            questions=tuple(sorted(questions, key=lambda q: (q.code, q.about, q.words))),
            facts=self._facts_used(exposures, {told_id, *(i.patient_id for _, i in images)}),
        )

    def _series(
        self,
        order: OrderPlaced | None,
        plan: Plan | None,
        images: Sequence[tuple[Fact, ImageStored]],
        absent: frozenset[int],
    ) -> tuple[SeriesCheck, list[Question]]:
        # The facts stand in time order, so that of competing decisions the latest stays.
        assigned = {a.sop_instance_uid: a.view for _, a in told(self.facts, ImageAssigned)}
        rejected = {r.sop_instance_uid: _rejected(r) for _, r in told(self.facts, ImageRejected)}
        questions: list[Question] = []
        members: list[SeriesImage] = []
        for fact, image in images:
            uid = image.sop_instance_uid
            doubts = image_doubts(image, order, self.ids)
            if uid not in assigned and uid not in rejected:
                questions += doubt_questions(doubts, fact.natural_key)
            members.append(
                SeriesImage(
                    uid=uid,
                    fact_key=fact.natural_key,
                    acquired_at=image.acquired_at,
                    teeth=frozenset(image.teeth),
                    claimed=image.view,
                    assigned=assigned.get(uid),
                    rejected=rejected.get(uid),
                    doubts=tuple(words for _, words in doubts),
                )
            )
        excused = {e.view: e.reason for _, e in told(self.facts, ViewExcused)}
        check = check_series(plan, members, excused=excused, absent=absent)
        return check, [*questions, *check.questions]

    def _exposures(self, check: SeriesCheck) -> tuple[StudyExposure, ...]:
        """The study's exposures; a repeat is one whose image another of its view replaced."""
        given = self.room.exposures.get(self.uid, ())
        return tuple(
            replace(one, repeat=True)
            if one.use is ExposureUse.IMAGE
            and one.image is not None
            and check.images[one.image.sop_instance_uid].superseded
            else one
            for one in given
        )

    def _image_result(self, image: ImageStored, check: SeriesCheck) -> ImageResult:
        part = check.images[image.sop_instance_uid]
        one = self.room.by_image.get(image.sop_instance_uid)
        accepted = one if one is not None and one.accepted else None
        return ImageResult(
            sop_instance_uid=image.sop_instance_uid,
            acquired_at=image.acquired_at,
            use=part.use,
            view=part.view,
            teeth=image.teeth,
            exposure_key=accepted.exposure if accepted else None,
            link_confidence=accepted.confidence if accepted else None,
            words=part.words,
        )

    def _anaesthesia_confirmed_by(self) -> str | None:
        checks = told(self.facts, ReadinessChecked)
        if not checks or not checks[-1][1].anaesthetic_plane_confirmed:
            return None
        return checks[-1][0].source.name

    def _facts_used(
        self, exposures: Sequence[StudyExposure], patient_ids: set[str]
    ) -> tuple[str, ...]:
        keys = {fact.natural_key for fact in self.facts}
        keys |= {one.key for one in exposures}
        keys |= {key for one in patient_ids for key in self.ids.facts_used(one)}
        if told(self.facts, ImageStored):
            keys |= set(self.room.readings)
        return tuple(sorted(keys))


def _rejected(fact: ImageRejected) -> str:
    """The reason by its code of DICOM CID 7011, and what the person added."""
    return f"reason {fact.reason_code}" + (f", {fact.remark}" if fact.remark else "")
