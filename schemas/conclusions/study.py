"""What assessment concludes about one study: links, series, technique and dose."""

from datetime import date, datetime
from enum import StrEnum
from typing import Annotated, Any, ClassVar

from pydantic import Field

from schemas.base import Contract, Fraction, Name, NotNegative, Positive, Text, Tooth, Uid, UtcTime
from schemas.conclusions.basis import FactKey
from schemas.conclusions.dose import CalibrationUsed, DoseBasis, DoseDoubt, DoseResult
from schemas.conclusions.findings import QualityHint, RepeatFound, TechniqueFinding
from schemas.envelope import Payload
from schemas.facts import Patient
from schemas.facts.image import ShortText
from schemas.outputs import Waveform
from schemas.plans import Technique


class StudyState(StrEnum):
    """How far a study is. ``INCOMPLETE`` means closed while planned views are missing."""

    PLANNED = "planned"
    UNDER_WAY = "under_way"
    COMPLETE = "complete"
    INCOMPLETE = "incomplete"
    CANCELLED = "cancelled"


class ViewStatus(StrEnum):
    DONE = "done"
    MISSING = "missing"
    EXCUSED = "excused"
    NEEDS_PERSON = "needs_person"


class ViewResult(Contract):
    """One planned view and what became of it, with the reason in plain words."""

    view: Name
    title: Text
    teeth: tuple[Tooth, ...]
    status: ViewStatus
    images: tuple[Uid, ...] = ()
    words: Text
    rule: Name | None = None
    facts: tuple[FactKey, ...] = ()

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "view": "mand-molars-l",
            "title": "left mandibular molars",
            "teeth": [309, 310, 311],
            "status": "missing",
            "words": "no image yet",
            "rule": "view-has-no-image",
            "facts": ["order:1001:1"],
        },
    )


class ImageUse(StrEnum):
    """What an image does for its study."""

    VIEW = "view"
    REPEAT = "repeat"
    EXTRA = "extra"
    REJECTED = "rejected"
    UNASSIGNED = "unassigned"


class ImageResult(Contract):
    """One image of the study. ``view`` is the planned view that it counts for, if any.

    ``technique`` is the plan's, of the view that the image shows, which may be a substitute.
    ``rule`` and ``facts`` say, here and in the other results, what the conclusion rests on.
    Series and SOP class were not told in older revisions.
    """

    sop_instance_uid: Uid
    series_instance_uid: Uid | None = None
    sop_class_uid: Uid | None = None
    acquired_at: UtcTime
    use: ImageUse
    view: Name | None = None
    technique: Technique | None = None
    teeth: tuple[Tooth, ...] = ()
    exposure_key: FactKey | None = None
    link_confidence: Fraction | None = None
    station: Name | None = None
    sensor: Name | None = None
    words: Text
    rule: Name | None = None
    facts: tuple[FactKey, ...] = ()

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "sop_instance_uid": "2.25.1003",
            "series_instance_uid": "2.25.1002",
            "sop_class_uid": "1.2.840.10008.5.1.4.1.1.1.3",
            "acquired_at": "2026-03-02T09:20:03Z",
            "use": "view",
            "view": "mand-molars-l",
            "technique": "parallel",
            "teeth": [309, 310, 311],
            "exposure_key": "exposure:INVENTED-0001:4711:2026-03-02T09:20:00+00:00",
            "link_confidence": 0.99,
            "station": "station-1",
            "words": "shows the left mandibular molars",
            "rule": "view-as-image-claims",
            "facts": ["image:2.25.1003:0000000000000000", "order:1001:1"],
        },
    )


class ExposureUse(StrEnum):
    """What an exposure led to. ``PROPOSED`` waits for a person to confirm its image."""

    IMAGE = "image"
    PROPOSED = "proposed"
    ENDED_EARLY = "ended_early"
    NO_IMAGE = "no_image"


class ExposureResult(Contract):
    """One exposure that belongs to the study, its link and its dose.

    ``kerma_mgy`` is incident air kerma at the skin, without backscatter, ``kerma_at_reference_mgy``
    the same at ``reference_distance_mm`` from focus (most often the cone's end), ``kap_mgycm2`` the
    kerma-area product. ``relative_uncertainty`` is standard (k = 1). No value means unknown.
    ``waveform`` is that of the model used. A doubtful figure is as told, and in no sum.
    """

    exposure_key: FactKey
    occurred_at: UtcTime
    use: ExposureUse
    sop_instance_uid: Uid | None = None
    link_confidence: Fraction | None = None
    link_reasons: tuple[Text, ...] = ()
    tube_kv: Positive
    tube_current_ma: Positive
    set_exposure_ms: Positive
    exposure_ms: NotNegative
    preset: Name | None = None
    manual_setting: bool = False
    operator: Name | None = None
    generator: Name | None = None
    repeat: bool = False
    kerma_mgy: NotNegative | None = None
    kap_mgycm2: NotNegative | None = None
    dose_basis: DoseBasis = DoseBasis.UNKNOWN
    relative_uncertainty: NotNegative | None = None
    kerma_at_reference_mgy: NotNegative | None = None
    reference_distance_mm: Positive | None = None
    calibration: CalibrationUsed | None = None
    waveform: Waveform | None = None
    kerma_doubtful: bool = False
    kap_doubtful: bool = False
    doubts: tuple[DoseDoubt, ...] = ()
    rule: Name | None = None
    facts: tuple[FactKey, ...] = ()

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "exposure_key": "exposure:INVENTED-0001:4711:2026-03-02T09:20:00+00:00",
            "occurred_at": "2026-03-02T09:20:00Z",
            "use": "image",
            "sop_instance_uid": "2.25.1003",
            "link_confidence": 0.99,
            "link_reasons": ["0.4 s after the clocks are aligned"],
            "tube_kv": 65.0,
            "tube_current_ma": 7.0,
            "set_exposure_ms": 120.0,
            "exposure_ms": 120.0,
            "kerma_mgy": 1.6,
            "kap_mgycm2": 45.0,
            "dose_basis": "model",
            "relative_uncertainty": 0.5,
            "kerma_at_reference_mgy": 1.6,
            "reference_distance_mm": 200.0,
            "waveform": "rectified",
            "rule": "link-accepted",
            "facts": [
                "exposure:INVENTED-0001:4711:2026-03-02T09:20:00+00:00",
                "image:2.25.1003:0000000000000000",
            ],
        },
    )


class Question(Contract):
    """Something that only a person can settle; ``about`` are the facts that it rests on."""

    code: Name
    words: Text
    about: tuple[FactKey, ...] = ()
    rule: Name | None = None

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "code": "image-without-view",
            "words": "Which view is this image?",
            "about": ["image:2.25.1003:0000000000000000"],
            "rule": "image-without-view",
        },
    )


class StudyAssessed(Payload):
    """The whole of what we conclude about one study, at a revision; the newest counts.

    ``facts`` lists the natural keys of all the facts that it rests on. ``changes`` tells what this
    revision took back of the one before; it depends on when facts came, all else does not.
    ``people_outside_beam`` is what the last readiness check says; None: nobody told.
    ``new_sensor_cover`` is what the readiness check ``readiness_fact`` says; None: nobody told.
    """

    KIND: ClassVar[str] = "study_assessed"

    revision: Annotated[int, Field(ge=1)]
    study_instance_uid: Uid
    room: Name | None
    day: date
    order_id: ShortText | None = None
    accession_number: ShortText | None = None
    account: ShortText | None = None
    indication: Text | None = None
    training: bool = False
    referral: bool = False
    patient_id: ShortText
    patient: Patient | None = None
    plan: Name | None = None
    plan_title: Text | None = None
    state: StudyState
    state_words: Text | None = None
    closed: bool = False
    views: tuple[ViewResult, ...] = ()
    still_missing: tuple[Text, ...] = ()
    suggested_views: tuple[Name, ...] = ()
    suggestion_words: Text | None = None
    teeth_without_view: tuple[Tooth, ...] = ()
    absent_teeth: tuple[Tooth, ...] = ()
    images: tuple[ImageResult, ...] = ()
    exposures: tuple[ExposureResult, ...] = ()
    technique: tuple[TechniqueFinding, ...] = ()
    quality: tuple[QualityHint, ...] = ()
    repeats: tuple[RepeatFound, ...] = ()
    dose: DoseResult
    anaesthesia_confirmed_by: Name | None = None
    people_outside_beam: bool | None = None
    new_sensor_cover: bool | None = None
    readiness_fact: FactKey | None = None
    questions: tuple[Question, ...] = ()
    facts: tuple[FactKey, ...] = ()
    changes: tuple[Text, ...] = ()

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "revision": 3,
            "study_instance_uid": "2.25.1001",
            "room": "dental-1",
            "day": "2026-03-02",
            "order_id": "1001",
            "accession_number": "A1001",
            "patient_id": "P-1001",
            "patient": Patient.EXAMPLES[0],
            "plan": "dog-full-mouth",
            "plan_title": "Dog, full mouth",
            "state": "under_way",
            "state_words": "Under way: 13 of 14 views settled; 1 to go.",
            "views": [ViewResult.EXAMPLES[0]],
            "still_missing": ["left mandibular molars"],
            "suggested_views": ["mand-molars-l"],
            "suggestion_words": "1 view shows all that is left.",
            "images": [ImageResult.EXAMPLES[0]],
            "exposures": [ExposureResult.EXAMPLES[0]],
            "technique": [TechniqueFinding.EXAMPLES[0]],
            "quality": [QualityHint.EXAMPLES[0]],
            "repeats": [RepeatFound.EXAMPLES[0]],
            "dose": DoseResult.EXAMPLES[0],
            "questions": [Question.EXAMPLES[0]],
            "facts": ["order:1001:1"],
        },
    )

    def natural_key(self, occurred_at: datetime) -> str:
        del occurred_at
        return f"assessed:{self.study_instance_uid}:{self.revision}"
