"""The assessment of one study, put together from what each rule says of it."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from schemas.conclusions import (
    ExposureUse,
    ImageResult,
    PlannedDose,
    StudyAssessed,
)
from schemas.facts import (
    ImageStored,
    LinkDecided,
    OrderCancelled,
    OrderPlaced,
    StudyClosed,
    ToothAbsent,
)
from schemas.group import Site
from schemas.plans import PlanChoice, PlanError, choose_plan
from services.assessment.animals import KnownAnimal, known_animal
from services.assessment.counting import Fact, PatientIds, told
from services.assessment.dose_questions import dose_questions
from services.assessment.explained import (
    explained_exposures,
    explained_questions,
    made_exposures,
    shown_images,
)
from services.assessment.foreign_devices import foreign_device_questions
from services.assessment.planned_dose import planned_dose, planned_for
from services.assessment.quality import QualityImage, quality_hints
from services.assessment.questions import (
    link_questions,
    order_questions,
    place_questions,
    withdrawal_questions,
)
from services.assessment.readiness import readiness_of
from services.assessment.repeats import find_repeats
from services.assessment.revision_changes import FIRST_REVISION
from services.assessment.room_day import NO_ROOM, RoomDay, current_order
from services.assessment.room_links import LinkedRoom
from services.assessment.room_view import RoomView, technique_cases
from services.assessment.rules import Rules
from services.assessment.series import SeriesCheck
from services.assessment.study_exposures import StudyExposure, dose_of, tubes_of
from services.assessment.study_state import state_of, state_words
from services.assessment.suspicions import interleaved_question, side_questions
from services.assessment.technique import Animal, technique_findings
from services.assessment.told_series import told_series


@dataclass(frozen=True, slots=True)
class OneStudy:
    """One study's own facts, in time order, what its room says, and the record of its animal."""

    uid: str
    facts: Sequence[Fact]
    site: Site
    where: RoomDay
    rules: Rules
    room: LinkedRoom
    view: RoomView
    ids: PatientIds
    descriptions: Sequence[Fact] = ()

    def assess(self) -> StudyAssessed:
        """Assess it, at revision 1. Raises nothing: whatever is odd becomes a question."""
        order, order_key, known = self._order()
        plan = self.rules.plans.get(order.plan) if order is not None else None
        images = sorted(
            told(self.facts, ImageStored), key=lambda p: (p[1].acquired_at, p[1].sop_instance_uid)
        )
        image_keys = {image.sop_instance_uid: fact.natural_key for fact, image in images}
        check, questions = told_series(self.facts, images, order, order_key, plan, self.ids)
        exposures = self._exposures(check)
        results, dose = dose_of(exposures, self.site, self.rules)
        closed = bool(told(self.facts, StudyClosed))
        cancelled = order is not None and any(
            cancelled.order_id == order.order_id
            for _, cancelled in told(self.facts, OrderCancelled)
        )
        begun = bool(images or exposures)
        state = state_of(check, begun=begun, closed=closed, cancelled=cancelled)
        told_id = order.patient.patient_id if order is not None else images[0][1].patient_id
        patient_id = self.ids.current(told_id)
        patient = order.patient.model_copy(update={"patient_id": patient_id}) if order else None
        views = {uid: part.view for uid, part in check.images.items()}
        cases = technique_cases(exposures, self.view, self.site, plan, views, image_keys)
        animal = Animal(known.patient, known.weight_from) if known is not None else None
        fitting = self._fitting(order)
        questions += order_questions(
            self.facts,
            order,
            plan,
            cancelled=cancelled and begun,
            fitting=fitting,
            told_by=(known.weight_from, known.born_from) if known is not None else (),
        )
        questions += place_questions(self.facts, self.where, self.site, self.room.handed)
        questions += withdrawal_questions(self.facts, {one.key for one in exposures})
        questions += link_questions(exposures)
        questions += dose_questions(exposures, results)
        questions += foreign_device_questions(self.facts, exposures, self.site)
        questions += side_questions(cases)
        questions += interleaved_question(self.uid, self.view.images)
        asked = explained_questions(questions)
        findings = technique_findings(cases, self.rules.chart, animal)
        decided = told(self.facts, LinkDecided)
        ready = readiness_of(self.facts)
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
            referral=order.referral if order else False,
            patient_id=patient_id,
            patient=patient,
            plan=plan.code if plan else None,
            plan_title=plan.name if plan else None,
            state=state,
            state_words=state_words(check, state, closed=closed),
            closed=closed,
            views=check.views,
            still_missing=check.still_missing,
            suggested_views=check.suggested_views,
            suggestion_words=check.suggestion_words,
            teeth_without_view=check.teeth_without_view,
            absent_teeth=tuple(sorted({fact.tooth for _, fact in told(self.facts, ToothAbsent)})),
            images=tuple(self._image_result(image, check) for _, image in images),
            exposures=explained_exposures(results, exposures, self.view, image_keys, decided),
            technique=findings,
            quality=quality_hints(
                [QualityImage(fact.natural_key, image) for fact, image in images], self.rules.bands
            ),
            repeats=find_repeats(shown_images(images, check, plan), made_exposures(exposures)),
            dose=dose.model_copy(update={"planned": self._planned(exposures, check, order)}),
            anaesthesia_confirmed_by=ready.anaesthesia_confirmed_by,
            people_outside_beam=ready.people_outside_beam,
            new_sensor_cover=ready.new_sensor_cover,
            readiness_fact=ready.cover_fact,
            questions=asked,
            facts=self._facts_used(
                exposures,
                {told_id, *(i.patient_id for _, i in images)},
                {key for question in asked for key in question.about}
                | {key for finding in findings for key in finding.facts}
                | set(known.facts if known is not None else ()),
            ),
        )

    def _order(self) -> tuple[OrderPlaced | None, str | None, KnownAnimal | None]:
        """The order that counts, with its patient as it is known now."""
        order = current_order(self.facts)
        pairs = told(self.facts, OrderPlaced)
        fact = next((f for f, placed in pairs if placed is order), None)
        if order is None or fact is None:
            return None, None, None
        known = known_animal(fact, order, self.descriptions, self.ids)
        known_order = order.model_copy(update={"patient": known.patient})
        return known_order, fact.natural_key, known

    def _fitting(self, order: OrderPlaced | None) -> PlanChoice | None:
        """The full-mouth plan that the animal itself would get; None where that is not plain."""
        if order is None:
            return None
        patient = order.patient
        weight_kg = patient.weight.kg if patient.weight is not None else None
        try:
            return choose_plan(
                patient.species,
                weight_kg,
                born_on=patient.born_on,
                on=self.where.day,
                plans=self.rules.plans,
            )
        except PlanError:
            return None  # nothing to propose: the question is asked without it

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
            series_instance_uid=image.series_instance_uid,
            sop_class_uid=image.sop_class_uid,
            acquired_at=image.acquired_at,
            use=part.use,
            view=part.view,
            technique=part.technique,
            teeth=image.teeth,
            exposure_key=accepted.exposure if accepted else None,
            link_confidence=accepted.confidence if accepted else None,
            station=image.station,
            sensor=image.sensor,
            words=part.words[:2000],
            rule=part.rule,
            facts=part.facts,
        )

    def _planned(
        self, exposures: Sequence[StudyExposure], check: SeriesCheck, order: OrderPlaced | None
    ) -> PlannedDose | None:
        chart = self.rules.chart
        if chart is None:
            return None
        patient = order.patient if order is not None else None
        wanted = planned_for(exposures, self.site, self.where.room, chart, patient)
        return planned_dose(check.views, wanted, chart, tubes_of(self.site), self.rules.model)

    def _facts_used(
        self, exposures: Sequence[StudyExposure], patient_ids: set[str], named: set[str]
    ) -> tuple[str, ...]:
        keys = {fact.natural_key for fact in self.facts} | {one.key for one in exposures}
        keys |= {key for one in exposures for key in one.others}
        for _, image in told(self.facts, ImageStored):
            if handover := self.room.handed.fact_behind(image):
                keys.add(handover)
        keys |= {key for one in patient_ids for key in self.ids.facts_used(one)}
        if told(self.facts, ImageStored):
            keys |= set(self.room.readings)
        return tuple(sorted(keys | named))
