"""What a station may say of a performed procedure step, and when.

Pure. The rules of DICOM PS3.4 table F.7.2-1 and section F.7.2.2 (both read in part: status at
creation and change, final state, patient and scheduled step; the other types of attributes from
memory). Types as there: 1 has a value, 2 is there and may be empty.
"""

from collections.abc import Iterable, Sized
from typing import Final

from pydicom.dataset import Dataset

from schemas.errors import InvalidInput
from schemas.facts import StepStatus
from services.intake.image_values import name_of

NO_SUCH_ATTRIBUTE: Final = 0x0105
INVALID_VALUE: Final = 0x0106
PROCESSING_FAILURE: Final = 0x0110
DUPLICATE: Final = 0x0111
NO_SUCH_INSTANCE: Final = 0x0112
INVALID_INSTANCE: Final = 0x0117
MISSING_ATTRIBUTE: Final = 0x0120
MISSING_VALUE: Final = 0x0121
NOT_AUTHORISED: Final = 0x0124

FINISHED_ERROR_ID: Final = 0xA710
"""'No longer in progress', with status 0110 (PS3.4 table F.7.2-2)."""

_STATUS_WORDS: Final = {
    "IN PROGRESS": StepStatus.IN_PROGRESS,
    "COMPLETED": StepStatus.COMPLETED,
    "DISCONTINUED": StepStatus.DISCONTINUED,
}
_SCHEDULED, _SERIES = "ScheduledStepAttributesSequence", "PerformedSeriesSequence"
_DISCONTINUATION = "PerformedProcedureStepDiscontinuationReasonCodeSequence"

_CREATE_WITH_VALUE = (
    _SCHEDULED,
    "PerformedProcedureStepID",
    "PerformedStationAETitle",
    "PerformedProcedureStepStartDate",
    "PerformedProcedureStepStartTime",
    "PerformedProcedureStepStatus",
    "Modality",
)
_CREATE_PRESENT = (
    "PatientName",
    "PatientID",
    "PatientBirthDate",
    "PatientSex",
    "ReferencedPatientSequence",
    "PerformedStationName",
    "PerformedLocation",
    "PerformedProcedureStepDescription",
    "PerformedProcedureTypeDescription",
    "ProcedureCodeSequence",
    "PerformedProcedureStepEndDate",
    "PerformedProcedureStepEndTime",
    "StudyID",
    "PerformedProtocolCodeSequence",
    _SERIES,
)
_SCHEDULED_WITH_VALUE = ("StudyInstanceUID",)
_SCHEDULED_PRESENT = (
    "ReferencedStudySequence",
    "AccessionNumber",
    "RequestedProcedureID",
    "RequestedProcedureDescription",
    "ScheduledProcedureStepID",
    "ScheduledProcedureStepDescription",
    "ScheduledProtocolCodeSequence",
)
_SERIES_WITH_VALUE = ("ProtocolName", "SeriesInstanceUID")
_SERIES_PRESENT = (
    "PerformingPhysicianName",
    "OperatorsName",
    "SeriesDescription",
    "RetrieveAETitle",
    "ReferencedImageSequence",
    "ReferencedNonImageCompositeSOPInstanceSequence",
)
_FINAL_WITH_VALUE = ("PerformedProcedureStepEndDate", "PerformedProcedureStepEndTime", _SERIES)

NOT_IN_CHANGES: Final = frozenset(
    {
        _SCHEDULED,
        "PatientName",
        "PatientID",
        "IssuerOfPatientID",
        "IssuerOfPatientIDQualifiersSequence",
        "OtherPatientIDsSequence",
        "PatientBirthDate",
        "PatientSex",
        "ReferencedPatientSequence",
        "AdmissionID",
        "PerformedProcedureStepID",
        "PerformedStationAETitle",
        "PerformedStationName",
        "PerformedLocation",
        "PerformedProcedureStepStartDate",
        "PerformedProcedureStepStartTime",
        "Modality",
        "StudyID",
    }
)
"""What only the creation may tell: an N-SET that names one of these is refused."""


class StepRefused(InvalidInput):
    """A station's message about a step is not taken; carries the status that it gets.

    ``keyword`` names the attribute where there is one, ``error_id`` is the standard's own number
    beside the status 0110.
    """

    def __init__(
        self,
        status: int,
        keyword: str,
        value: object,
        expected: str,
        error_id: int | None = None,
    ) -> None:
        self.status = status
        self.keyword = keyword
        self.error_id = error_id
        super().__init__(name_of(keyword), value, expected)


def check_creation(step: Dataset) -> None:
    """Check what an N-CREATE tells. Raises StepRefused (0106, 0120, 0121)."""
    _require(step, with_value=_CREATE_WITH_VALUE, present=_CREATE_PRESENT)
    for item in step[_SCHEDULED].value:
        _require(item, with_value=_SCHEDULED_WITH_VALUE, present=_SCHEDULED_PRESENT)
    _check_series(step)
    if status_of(step) is not StepStatus.IN_PROGRESS:
        raise StepRefused(
            INVALID_VALUE,
            "PerformedProcedureStepStatus",
            step.PerformedProcedureStepStatus,
            "IN PROGRESS at the creation",
        )
    studies = {str(item.StudyInstanceUID) for item in step[_SCHEDULED].value}
    if len(studies) > 1:
        raise StepRefused(INVALID_VALUE, "StudyInstanceUID", sorted(studies), "one study in a step")


def changed(kept: Dataset, change: Dataset) -> Dataset:
    """Give the step as it is after an N-SET; neither argument is touched.

    A sequence replaces the one before as a whole.

    Raises
    ------
    StepRefused
        The step is in its final state (0110 with error id A710); the change names what only the
        creation may tell, or has a status that there is not (0106); it gives a reason for
        discontinuing that the creation left no place for (0105, table F.7.2-1 note 5); or the
        final state lacks what it needs (0120, 0121).
    """
    check_in_progress(status_of(kept))
    for element in change:
        if element.keyword in NOT_IN_CHANGES:
            raise StepRefused(INVALID_VALUE, element.keyword, "a value", "only in the creation")
    if _DISCONTINUATION in change and _DISCONTINUATION not in kept:
        raise StepRefused(
            NO_SUCH_ATTRIBUTE, _DISCONTINUATION, "a value", "to be created empty at first"
        )
    result = Dataset()
    for source in (kept, change):
        for element in source:
            if source is kept or element.keyword != "SpecificCharacterSet":
                result.add(element)
    _require(result, with_value=_CREATE_WITH_VALUE, present=())
    _check_series(result)
    if status_of(result) is not StepStatus.IN_PROGRESS:
        _require(result, with_value=_FINAL_WITH_VALUE, present=())
    return result


def check_in_progress(status: StepStatus) -> None:
    """Refuse any change of a step that is completed or discontinued (0110, error id A710)."""
    if status is not StepStatus.IN_PROGRESS:
        raise StepRefused(
            PROCESSING_FAILURE,
            "PerformedProcedureStepStatus",
            status.value,
            "a step in progress; this one may no longer be updated",
            FINISHED_ERROR_ID,
        )


def status_of(step: Dataset) -> StepStatus:
    """Read the status. Raises StepRefused (0106) for a word that is none."""
    told = str(step.get("PerformedProcedureStepStatus") or "").strip()
    if told not in _STATUS_WORDS:
        raise StepRefused(
            INVALID_VALUE,
            "PerformedProcedureStepStatus",
            told,
            f"one of {', '.join(_STATUS_WORDS)}",
        )
    return _STATUS_WORDS[told]


def _check_series(step: Dataset) -> None:
    if _SERIES not in step:
        return
    element = step[_SERIES]
    if element.VR != "SQ":
        raise StepRefused(INVALID_VALUE, _SERIES, element.VR, "a sequence of items")
    for item in element.value or ():
        _require(item, with_value=_SERIES_WITH_VALUE, present=_SERIES_PRESENT)


def _require(item: Dataset, *, with_value: Iterable[str], present: Iterable[str]) -> None:
    for keyword in (*with_value, *present):
        if keyword not in item:
            raise StepRefused(MISSING_ATTRIBUTE, keyword, None, "the attribute")
    for keyword in with_value:
        if _is_empty(item[keyword].value):
            raise StepRefused(MISSING_VALUE, keyword, "", "a value")
    for keyword in (*with_value, *present):
        element = item[keyword]
        if keyword.endswith("Sequence") != (element.VR == "SQ"):
            raise StepRefused(INVALID_VALUE, keyword, element.VR, "a value of its own VR")


def _is_empty(value: object) -> bool:
    if value is None:
        return True
    if isinstance(value, str):
        return not value.strip()
    return isinstance(value, Sized) and not len(value)
