"""Every conclusion that our services draw from the facts, by its kind."""

from schemas.conclusions.charges import (
    ChargeLine,
    ChargesAssessed,
    EntryType,
    LedgerEntry,
    MovedPosting,
    NotCharged,
    PostingTask,
    TaxSum,
)
from schemas.conclusions.corrections import ChargesCorrected, CorrectionEntry
from schemas.conclusions.dose import (
    CalibrationUsed,
    DoseBasis,
    DoseComparison,
    DoseDoubt,
    DoseResult,
    DoseVerdict,
    PatientPeriodDose,
    PlannedDose,
)
from schemas.conclusions.findings import (
    Concern,
    QualityHint,
    RepeatFound,
    RepeatKind,
    TechniqueFinding,
)
from schemas.conclusions.note import Addendum, NoteSection, NoteState, NoteWritten
from schemas.conclusions.room_day import (
    ClockStand,
    LooseExposure,
    LooseImage,
    RoomDayAssessed,
)
from schemas.conclusions.study import (
    ExposureResult,
    ExposureUse,
    ImageResult,
    ImageUse,
    Question,
    StudyAssessed,
    StudyState,
    ViewResult,
    ViewStatus,
)
from schemas.envelope import Payload

CONCLUSIONS: tuple[type[Payload], ...] = (
    StudyAssessed,
    ChargesAssessed,
    ChargesCorrected,
    NoteWritten,
    RoomDayAssessed,
)

__all__ = [
    "CONCLUSIONS",
    "Addendum",
    "CalibrationUsed",
    "ChargeLine",
    "ChargesAssessed",
    "ChargesCorrected",
    "ClockStand",
    "Concern",
    "CorrectionEntry",
    "DoseBasis",
    "DoseComparison",
    "DoseDoubt",
    "DoseResult",
    "DoseVerdict",
    "EntryType",
    "ExposureResult",
    "ExposureUse",
    "ImageResult",
    "ImageUse",
    "LedgerEntry",
    "LooseExposure",
    "LooseImage",
    "MovedPosting",
    "NotCharged",
    "NoteSection",
    "NoteState",
    "NoteWritten",
    "PatientPeriodDose",
    "PlannedDose",
    "PostingTask",
    "QualityHint",
    "Question",
    "RepeatFound",
    "RepeatKind",
    "RoomDayAssessed",
    "StudyAssessed",
    "StudyState",
    "TaxSum",
    "TechniqueFinding",
    "ViewResult",
    "ViewStatus",
]
