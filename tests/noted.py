"""Invented notes of whole mouths, for the tests of what is made of a note."""

from typing import Any

from schemas.conclusions import (
    ImageUse,
    NoteState,
    NoteWritten,
    StudyAssessed,
    ViewResult,
    ViewStatus,
)
from schemas.group import Site
from schemas.plans import load_plans
from schemas.teeth import Species
from services.notes.content import content_sha256
from services.notes.draft import draft
from tests.assessed import GROUP, STUDY, assessed, image, patient

SITE = GROUP.site("north")


def full_mouth(code: str, species: Species, **values: Any) -> StudyAssessed:
    """Make an invented study of a packaged plan: one view is missing, one is excused."""
    plan = load_plans()[code]
    last = len(plan.views) - 1
    status = {last: ViewStatus.EXCUSED, last - 1: ViewStatus.MISSING}
    views = tuple(
        ViewResult(
            view=one.code,
            title=one.name,
            teeth=tuple(sorted(one.teeth)),
            status=status.get(number, ViewStatus.DONE),
            words="no image yet" if number in status else "done",
        )
        for number, one in enumerate(plan.views)
    )
    done = [one for one in views if one.status is ViewStatus.DONE]
    shown = {tooth for one in done for tooth in one.teeth}
    told: dict[str, Any] = {
        "patient": patient(species=species),
        "plan": plan.code,
        "plan_title": plan.name,
        "views": views,
        "teeth_without_view": tuple(sorted(set(views[-2].teeth) - shown)),
        "images": [
            image(number, ImageUse.VIEW, view=one.view, teeth=one.teeth)
            for number, one in enumerate(done)
        ],
        "indication": "Invented indication.",
    }
    return assessed(**(told | values))


def noted(study: StudyAssessed, site: Site = SITE, **values: Any) -> NoteWritten:
    """Make the draft of a study's note as it is told."""
    told: dict[str, Any] = {
        "revision": 1,
        "assessment_revision": study.revision,
        "study_instance_uid": STUDY,
        "patient_id": study.patient_id,
        "accession_number": study.accession_number,
        "state": NoteState.DRAFT,
        "due": True,
        "sections": draft(study, site),
        "text": "not read",
        "html": "not read",
    }
    told |= values
    told.setdefault("content_sha256", content_sha256(told["sections"]))
    return NoteWritten(**told)
