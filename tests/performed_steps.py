"""Invented performed procedure steps, as a station tells them."""

from __future__ import annotations

from typing import Any

from pydicom.dataset import Dataset

STEP_UID = "2.25.2001"


def _change(data: Dataset, changes: dict[str, Any]) -> Dataset:
    for keyword, value in changes.items():
        if value is None:
            delattr(data, keyword)
        else:
            setattr(data, keyword, value)
    return data


def scheduled(**changes: Any) -> Dataset:
    """One item of the scheduled step; a change of None removes an attribute."""
    item = Dataset()
    item.StudyInstanceUID = "2.25.1001"
    item.ReferencedStudySequence = []
    item.AccessionNumber = "A1001"
    item.RequestedProcedureID = "A1001"
    item.RequestedProcedureDescription = "Full mouth, dog (invented)"
    item.ScheduledProcedureStepID = "A1001"
    item.ScheduledProcedureStepDescription = ""
    item.ScheduledProtocolCodeSequence = []
    return _change(item, changes)


def creation(**changes: Any) -> Dataset:
    """The attributes of an N-CREATE; a change of None removes one."""
    step = Dataset()
    step.ScheduledStepAttributesSequence = [scheduled()]
    step.PatientName = "Invented Pepper"
    step.PatientID = "P-1001"
    step.PatientBirthDate = ""
    step.PatientSex = "F"
    step.ReferencedPatientSequence = []
    step.PerformedProcedureStepID = "PPS1"
    step.PerformedStationAETitle = "STATION1"
    step.PerformedStationName = ""
    step.PerformedLocation = ""
    step.PerformedProcedureStepStartDate = "20260302"
    step.PerformedProcedureStepStartTime = "101500"
    step.PerformedProcedureStepStatus = "IN PROGRESS"
    step.PerformedProcedureStepDescription = ""
    step.PerformedProcedureTypeDescription = ""
    step.ProcedureCodeSequence = []
    step.PerformedProcedureStepEndDate = ""
    step.PerformedProcedureStepEndTime = ""
    step.PerformedProcedureStepDiscontinuationReasonCodeSequence = []
    step.Modality = "IO"
    step.StudyID = ""
    step.PerformedProtocolCodeSequence = []
    step.PerformedSeriesSequence = []
    return _change(step, changes)


def series(**changes: Any) -> Dataset:
    """One performed series, without an image."""
    item = Dataset()
    item.PerformingPhysicianName = ""
    item.ProtocolName = "Intraoral (invented)"
    item.OperatorsName = ""
    item.SeriesInstanceUID = "2.25.1002"
    item.SeriesDescription = ""
    item.RetrieveAETitle = ""
    item.ReferencedImageSequence = []
    item.ReferencedNonImageCompositeSOPInstanceSequence = []
    return _change(item, changes)


def completion(**changes: Any) -> Dataset:
    """The attributes of an N-SET that completes a step."""
    change = Dataset()
    change.PerformedProcedureStepStatus = "COMPLETED"
    change.PerformedProcedureStepEndDate = "20260302"
    change.PerformedProcedureStepEndTime = "104500"
    change.PerformedSeriesSequence = [series()]
    return _change(change, changes)


def discontinuation(code: str = "110515", **changes: Any) -> Dataset:
    """The attributes of an N-SET that discontinues a step; PS3.16 CID 9300 (pydicom lists it)."""
    reason = Dataset()
    reason.CodeValue = code
    reason.CodingSchemeDesignator = "DCM"
    reason.CodeMeaning = "Patient condition prevented continuing"
    return completion(
        PerformedProcedureStepStatus="DISCONTINUED",
        PerformedProcedureStepDiscontinuationReasonCodeSequence=[reason],
        **changes,
    )


def exposure(**values: Any) -> Dataset:
    """One item of the exposure dose sequence: 65 kV, 7 mA, 120 ms."""
    item = Dataset()
    item.RadiationMode = "PULSED"
    item.KVP = "65"
    item.XRayTubeCurrentInuA = "7000"
    item.ExposureTime = 120
    return _change(item, values)
