"""Every fact that devices, people and records may tell, by its kind."""

from schemas.envelope import Payload
from schemas.facts.desk import (
    ChargesReleased,
    NoteAddended,
    NoteAmended,
    NoteSigned,
    PostingAnswered,
    PostingOutcome,
)
from schemas.facts.exposure import AnimalSize, ClockRead, ExposureEnded, Receptor
from schemas.facts.image import ImageStored
from schemas.facts.order import (
    KG_PER_LB,
    OrderCancelled,
    OrderPlaced,
    Patient,
    PatientMerged,
    Sex,
    Weight,
    WeightUnit,
)
from schemas.facts.person import (
    FactWithdrawn,
    ImageAssigned,
    ImageRejected,
    LinkDecided,
    ReadinessChecked,
    SensorHanded,
    ToothAbsent,
    ViewExcused,
)
from schemas.facts.step import StepPerformed, StepStatus, StudyClosed

FACTS: tuple[type[Payload], ...] = (
    ExposureEnded,
    ClockRead,
    ImageStored,
    StepPerformed,
    StudyClosed,
    OrderPlaced,
    OrderCancelled,
    PatientMerged,
    ViewExcused,
    ImageAssigned,
    ImageRejected,
    LinkDecided,
    ToothAbsent,
    ReadinessChecked,
    SensorHanded,
    FactWithdrawn,
    ChargesReleased,
    NoteAmended,
    NoteSigned,
    NoteAddended,
    PostingAnswered,
)

__all__ = [
    "FACTS",
    "KG_PER_LB",
    "AnimalSize",
    "ChargesReleased",
    "ClockRead",
    "ExposureEnded",
    "FactWithdrawn",
    "ImageAssigned",
    "ImageRejected",
    "ImageStored",
    "LinkDecided",
    "NoteAddended",
    "NoteAmended",
    "NoteSigned",
    "OrderCancelled",
    "OrderPlaced",
    "Patient",
    "PatientMerged",
    "PostingAnswered",
    "PostingOutcome",
    "ReadinessChecked",
    "Receptor",
    "SensorHanded",
    "Sex",
    "StepPerformed",
    "StepStatus",
    "StudyClosed",
    "ToothAbsent",
    "ViewExcused",
    "Weight",
    "WeightUnit",
]
