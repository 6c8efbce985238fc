"""The rows of one study, made from its newest assessment. Pure."""

from datetime import date, datetime
from typing import Any

from schemas.conclusions import Concern, ExposureUse, ImageUse, StudyAssessed, ViewStatus
from services.console.figures import as_text, figures_of

Row = dict[str, Any]


def study_row(site: str, study: StudyAssessed, told_at: datetime) -> Row:
    """Make the row of ``tables.STUDY``; ``told_at`` is when this revision was told."""
    statuses = [view.status for view in study.views]
    moments = [image.acquired_at for image in study.images]
    moments += [exposure.occurred_at for exposure in study.exposures]
    patient = study.patient
    return {
        "site": site,
        "study_instance_uid": study.study_instance_uid,
        "revision": study.revision,
        "room": study.room,
        "day": study.day,
        "patient_id": study.patient_id,
        "patient_name": patient.name if patient is not None else None,
        "species": patient.species.value if patient is not None else None,
        "accession_number": study.accession_number,
        "plan_title": study.plan_title,
        "state": study.state.value,
        "closed": study.closed,
        "training": study.training,
        "changed_at": told_at,
        "last_at": max(moments, default=None),
        "views": len(statuses),
        "views_done": statuses.count(ViewStatus.DONE),
        "views_missing": statuses.count(ViewStatus.MISSING),
        "views_excused": statuses.count(ViewStatus.EXCUSED),
        "views_need_person": statuses.count(ViewStatus.NEEDS_PERSON),
        "images": len(study.images),
        "rejected": sum(image.use is ImageUse.REJECTED for image in study.images),
        "exposures": len(study.exposures),
        "ended_early": sum(one.use is ExposureUse.ENDED_EARLY for one in study.exposures),
        "misfits": sum(finding.concern is Concern.CHECK for finding in study.technique),
        "questions": len(study.questions),
        "kerma_mgy": study.dose.kerma_mgy,
        "dose_verdict": study.dose.verdict.value,
        "figures": as_text(figures_of(study)),
        "held": "\n".join(sorted(held_keys(study))),
        "snapshot": study.model_dump_json(),
    }


def held_keys(study: StudyAssessed) -> set[str]:
    """Name the facts that the assessment has taken in: they are told no more as just come."""
    exposures = {exposure.exposure_key for exposure in study.exposures}
    readiness = {study.readiness_fact} if study.readiness_fact is not None else set()
    return {*study.facts, *exposures, *readiness}


def question_rows(site: str, study: StudyAssessed) -> list[Row]:
    """Make the rows of ``tables.QUESTION``: what only a person can settle."""
    return [
        {
            "site": site,
            "study_instance_uid": study.study_instance_uid,
            "position": position,
            "day": study.day,
            "room": study.room,
            "code": question.code,
            "words": question.words,
        }
        for position, question in enumerate(study.questions)
    ]


def day_of(row: Row | None) -> date | None:
    """Give the day of a study's row, where there is one."""
    found: date | None = row["day"] if row is not None else None
    return found
