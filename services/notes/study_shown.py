"""What a note shows of its study beside its words: the teeth, the images, whose they are.

The drawings and the DICOM object of a note are made from it. A signed note keeps the one that its
signature saw, in types of its own, so that what was signed stays readable whatever else changes.
"""

from datetime import UTC, date, datetime, time
from hashlib import sha256
from typing import Annotated, Any, ClassVar

from pydantic import Field

from schemas.base import Contract, Name, Text, Tooth, Uid, UtcTime
from schemas.conclusions import (
    ImageResult,
    ImageUse,
    NoteImage,
    NoteShows,
    StudyAssessed,
    ViewStatus,
)
from schemas.facts import Patient


class ShownView(Contract):
    """A planned view; ``excused`` is one that nobody need take."""

    view: Name
    title: Text
    teeth: tuple[Tooth, ...]
    excused: bool = False

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {"view": "mand-molars-l", "title": "left mandibular molars", "teeth": [309, 310, 311]},
    )


class ShownImage(Contract):
    """An image of the study; ``view`` is the planned view that it counts for, if any.

    ``series_instance_uid`` and ``sop_class_uid`` are not known of what was assessed before they
    were told.
    """

    sop_instance_uid: Uid
    series_instance_uid: Uid | None = None
    sop_class_uid: Uid | None = None
    acquired_at: UtcTime
    view: Name | None = None
    teeth: tuple[Tooth, ...] = ()

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "sop_instance_uid": "2.25.1003",
            "series_instance_uid": "2.25.1002",
            "sop_class_uid": "1.2.840.10008.5.1.4.1.1.1.3",
            "acquired_at": "2026-03-02T09:20:03Z",
            "view": "mand-molars-l",
            "teeth": [309, 310, 311],
        },
    )


class StudyShown(Contract):
    """The study as a note shows it, at an assessment's revision.

    ``last_moment`` is when its last image or exposure was made, else its day's beginning.
    ``at_signature``: what the final signature saw; else what is concluded now.
    """

    assessment_revision: Annotated[int, Field(ge=1)]
    day: date
    last_moment: UtcTime
    patient: Patient | None = None
    plan: Name | None = None
    views: tuple[ShownView, ...] = ()
    images: tuple[ShownImage, ...] = ()
    teeth_without_view: tuple[Tooth, ...] = ()
    absent_teeth: tuple[Tooth, ...] = ()
    at_signature: bool = False

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "assessment_revision": 3,
            "day": "2026-03-02",
            "last_moment": "2026-03-02T09:20:03Z",
            "patient": Patient.EXAMPLES[0],
            "plan": "dog-full-mouth",
            "views": [ShownView.EXAMPLES[0]],
            "images": [ShownImage.EXAMPLES[0]],
            "absent_teeth": [105],
        },
    )

    def images_of_views(self) -> list[ShownImage]:
        """Give the images that count for a planned view, in the order of the plan."""
        order = {view.view: place for place, view in enumerate(self.views)}
        counting = [one for one in self.images if one.view is not None]
        return sorted(
            counting,
            key=lambda one: (order.get(one.view or "", len(order)), one.sop_instance_uid),
        )

    def digest(self) -> str:
        """Hash all that is shown; when it was concluded is no part of it, nor the plan's code."""
        shown = self.model_dump_json(exclude={"assessment_revision", "at_signature", "plan"})
        return sha256(shown.encode()).hexdigest()


def study_shown(assessment: StudyAssessed, *, at_signature: bool = False) -> StudyShown:
    """Take from an assessment what its note shows."""
    moments = [one.acquired_at for one in assessment.images]
    moments += [one.occurred_at for one in assessment.exposures]
    return StudyShown(
        assessment_revision=assessment.revision,
        day=assessment.day,
        last_moment=max(moments, default=datetime.combine(assessment.day, time(), UTC)),
        patient=assessment.patient,
        plan=assessment.plan,
        views=tuple(
            ShownView(
                view=one.view,
                title=one.title,
                teeth=one.teeth,
                excused=one.status is ViewStatus.EXCUSED,
            )
            for one in assessment.views
        ),
        images=tuple(_image(one) for one in assessment.images),
        teeth_without_view=assessment.teeth_without_view,
        absent_teeth=assessment.absent_teeth,
        at_signature=at_signature,
    )


def note_shows(shown: StudyShown) -> NoteShows:
    """Give what a note tells the record that its study shows."""
    titles = {view.view: view.title for view in shown.views}
    counting = shown.images_of_views()
    in_order = sorted(shown.images, key=lambda one: (one.acquired_at, one.sop_instance_uid))
    return NoteShows(
        species=shown.patient.species if shown.patient is not None else None,
        plan=shown.plan,
        views=tuple(dict.fromkeys(one.view for one in counting if one.view is not None)),
        teeth=tuple(sorted({tooth for one in counting for tooth in one.teeth})),
        images=tuple(
            NoteImage(
                sop_instance_uid=one.sop_instance_uid,
                series_instance_uid=one.series_instance_uid,
                sop_class_uid=one.sop_class_uid,
                acquired_at=one.acquired_at,
                title=titles.get(one.view or ""),
            )
            for one in in_order
        ),
    )


def _image(one: ImageResult) -> ShownImage:
    return ShownImage(
        sop_instance_uid=one.sop_instance_uid,
        series_instance_uid=one.series_instance_uid,
        sop_class_uid=one.sop_class_uid,
        acquired_at=one.acquired_at,
        view=one.view if one.use is ImageUse.VIEW else None,
        teeth=one.teeth,
    )
