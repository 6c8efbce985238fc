"""One order as a modality worklist item, for animals (DICOM PS3.4 table K.6-1; CP-643)."""

from collections.abc import Sequence
from datetime import datetime
from zoneinfo import ZoneInfo

from pydicom.dataset import Dataset

from schemas.facts import Patient, Sex
from schemas.plans import Plan
from schemas.teeth import TRIADAN_SCHEME, Code, species_code
from services.intake.worklist_store import ScheduledOrder

MODALITY = "IO"
"""Intra-oral radiography (PS3.16 CID 29)."""

_LONGEST_LO, _LONGEST_SH = 64, 16
_SEX = {Sex.MALE: "M", Sex.FEMALE: "F", Sex.OTHER: "O"}


def worklist_item(
    order: ScheduledOrder, plan: Plan | None, station_titles: Sequence[str], zone: ZoneInfo
) -> Dataset:
    """Make the whole item; what we do not know is there and empty.

    ``plan`` is None where the order names one that this site has not: the step is scheduled all
    the same, without its views.
    """
    item = Dataset()
    _describe_patient(item, order.patient)
    item.AccessionNumber = order.accession_number
    item.StudyInstanceUID = order.study_instance_uid
    item.ReferencedStudySequence = []
    item.ReferencedPatientSequence = []
    item.ReferringPhysicianName = ""
    item.RequestingPhysician = person_name(order.ordered_by or "")
    # The order's own id may be longer than an SH takes; the accession number never is.
    item.RequestedProcedureID = order.accession_number
    item.RequestedProcedureDescription = _description(order, plan)
    item.RequestedProcedureCodeSequence = []
    item.RequestedProcedurePriority = ""
    item.PatientTransportArrangements = ""
    item.ConfidentialityConstraintOnPatientDataDescription = ""
    item.AdmissionID = ""
    item.CurrentPatientLocation = ""
    item.ScheduledProcedureStepSequence = [
        _step(order, plan, station_titles, order.scheduled_at.astimezone(zone))
    ]
    return item


def person_name(text: str) -> str:
    """Write a name as one component: the delimiters of a PN are no part of it."""
    return "".join(" " if letter in "^=\\" else letter for letter in text)[:_LONGEST_LO]


def coded(code: Code) -> Dataset:
    """Write a coded item. A value of more than 16 characters goes to Long Code Value (PS3.3
    section 8.1, from memory)."""
    item = Dataset()
    if len(code.value) > _LONGEST_SH:
        item.LongCodeValue = code.value
    else:
        item.CodeValue = code.value
    item.CodingSchemeDesignator = code.scheme
    item.CodeMeaning = code.meaning[:_LONGEST_LO]
    return item


def _step(
    order: ScheduledOrder, plan: Plan | None, station_titles: Sequence[str], start: datetime
) -> Dataset:
    step = Dataset()
    step.ScheduledStationAETitle = list(station_titles)
    step.ScheduledProcedureStepStartDate = f"{start:%Y%m%d}"
    step.ScheduledProcedureStepStartTime = f"{start:%H%M%S}"
    step.Modality = MODALITY
    step.ScheduledPerformingPhysicianName = ""
    step.ScheduledProcedureStepDescription = _description(order, plan)
    step.ScheduledStationName = ""
    step.ScheduledProcedureStepLocation = order.room[:_LONGEST_SH]
    step.ScheduledProtocolCodeSequence = [
        coded(Code(view.code, TRIADAN_SCHEME, view.name)) for view in (plan.views if plan else ())
    ]
    step.PreMedication = ""
    step.ScheduledProcedureStepID = order.accession_number
    step.RequestedContrastAgent = ""
    return step


def _description(order: ScheduledOrder, plan: Plan | None) -> str:
    return (plan.name if plan else order.plan)[:_LONGEST_LO]


def _describe_patient(item: Dataset, patient: Patient) -> None:
    species = species_code(patient.species)
    item.PatientName = person_name(patient.name)
    item.PatientID = patient.patient_id
    item.PatientBirthDate = f"{patient.born_on:%Y%m%d}" if patient.born_on else ""
    item.PatientSex = _SEX[patient.sex] if patient.sex else ""
    item.PatientSexNeutered = {True: "ALTERED", False: "UNALTERED", None: ""}[patient.neutered]
    item.PatientWeight = f"{patient.weight.kg:.4g}" if patient.weight else None
    item.PatientSpeciesDescription = species.meaning
    item.PatientSpeciesCodeSequence = [coded(species)]
    item.PatientBreedDescription = patient.breed or ""
    item.PatientBreedCodeSequence = []
    item.BreedRegistrationSequence = []
    item.ResponsiblePerson = person_name(patient.responsible_person or "")
    item.ResponsiblePersonRole = "OWNER" if patient.responsible_person else ""
    item.ResponsibleOrganization = ""
    item.PatientState = ""
    item.PregnancyStatus = None
    item.MedicalAlerts = ""
    item.Allergies = ""
    item.SpecialNeeds = ""


def requested(whole: Dataset, keys: Dataset) -> Dataset:
    """Give of an item what the keys ask for; a sequence key without keys of its own, whole."""
    answer = Dataset()
    for key in keys:
        if key.tag not in whole:
            continue
        element = whole[key.tag]
        if key.VR == "SQ" and element.VR == "SQ" and key.value and len(key.value[0]):
            inner = [requested(item, key.value[0]) for item in element.value]
            setattr(answer, element.keyword, inner)
        else:
            answer.add(element)
    return answer


def unsupported(whole: Dataset, keys: Dataset) -> list[str]:
    """Name the keys that an item never holds."""
    names = []
    for key in keys:
        if key.keyword == "SpecificCharacterSet" or key.tag.element == 0:
            continue
        if key.tag not in whole:
            names.append(key.keyword or str(key.tag))
        elif key.VR == whole[key.tag].VR == "SQ" and key.value and whole[key.tag].value:
            names += unsupported(whole[key.tag].value[0], key.value[0])
    return names


def set_character_set(item: Dataset) -> None:
    """Name the narrowest character set that holds the item's texts."""
    texts = "".join(str(element.value) for element in item.iterall() if element.VR != "SQ")
    if texts.isascii():
        return
    try:
        texts.encode("latin-1")
    except UnicodeEncodeError:
        item.SpecificCharacterSet = "ISO_IR 192"
    else:
        item.SpecificCharacterSet = "ISO_IR 100"
