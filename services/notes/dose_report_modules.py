"""What surrounds a dose report's content: patient, study, series, equipment, document.

IOD of DICOM PS3.3 A.35.8 (from memory; ``tests/outside`` has it checked by another program). Animal
attributes as CP-643 has them: they are needed where the patient is not human.
"""

from datetime import datetime
from uuid import NAMESPACE_OID, uuid5

from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.uid import ExplicitVRLittleEndian, XRayRadiationDoseSRStorage

from schemas.conclusions import StudyAssessed
from schemas.facts import Patient, Sex
from schemas.group import Site
from schemas.own_objects import DOSE_REPORT_MODEL, MANUFACTURER
from schemas.teeth import species_code
from services.notes.report_items import code_item

FORM = "1"
"""Raise it whenever what is written of one revision changes: its UID must change too."""

_SEX = {Sex.MALE: "M", Sex.FEMALE: "F", Sex.OTHER: "O"}
_LONGEST_LO = 64


def report_uid(*names: object) -> str:
    """Make a UID that is the same for the same names (PS3.5 B.2; a name-based UUID, RFC 9562)."""
    name = "\0".join(["gomphosis dose report", *map(str, names)])
    return f"2.25.{uuid5(NAMESPACE_OID, name).int}"


def surround(
    report: Dataset, assessed: StudyAssessed, site: Site, made_at: datetime, observer_uid: str
) -> None:
    """Add every module but the content. ``made_at`` carries the zone that times are told in."""
    report.file_meta = FileMetaDataset()
    report.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    report.SpecificCharacterSet = "ISO_IR 192"
    report.SOPClassUID = XRayRadiationDoseSRStorage
    report.SOPInstanceUID = report_uid(
        "instance", FORM, site.name, assessed.study_instance_uid, assessed.revision
    )
    report.TimezoneOffsetFromUTC = f"{made_at:%z}"
    _patient(report, assessed.patient_id, assessed.patient)
    _study(report, assessed)
    report.Modality = "SR"
    report.SeriesInstanceUID = report_uid("series", site.name, assessed.study_instance_uid)
    report.SeriesNumber = 1
    report.SeriesDescription = "Dose report, drawn up from what is known of the exposures"
    report.ReferencedPerformedProcedureStepSequence = []
    _equipment(report, site, observer_uid)
    report.InstanceNumber = assessed.revision
    report.ContentDate = f"{made_at:%Y%m%d}"
    report.ContentTime = f"{made_at:%H%M%S.%f}"
    report.CompletionFlag = "COMPLETE" if assessed.closed else "PARTIAL"
    report.VerificationFlag = "UNVERIFIED"
    report.PerformedProcedureCodeSequence = []


def _patient(report: Dataset, patient_id: str, patient: Patient | None) -> None:
    report.PatientID = patient_id
    report.PatientName = person_name(patient.name) if patient else ""
    report.PatientBirthDate = f"{patient.born_on:%Y%m%d}" if patient and patient.born_on else ""
    report.PatientSex = _SEX[patient.sex] if patient and patient.sex else ""
    if patient is None:
        return
    species = species_code(patient.species)
    report.PatientSpeciesDescription = species.meaning[:_LONGEST_LO]
    report.PatientSpeciesCodeSequence = [code_item(species)]
    neutered = {True: "ALTERED", False: "UNALTERED", None: ""}
    report.PatientSexNeutered = neutered[patient.neutered]
    report.PatientBreedDescription = patient.breed or ""
    report.PatientBreedCodeSequence = []
    report.BreedRegistrationSequence = []
    report.ResponsiblePerson = person_name(patient.responsible_person or "")
    if patient.responsible_person:
        report.ResponsiblePersonRole = "OWNER"
    report.ResponsibleOrganization = ""
    if patient.weight is not None:
        report.PatientWeight = f"{patient.weight.kg:.4g}"


def person_name(told: str) -> str:
    """Write a name as one component: the delimiters of a PN are no part of it."""
    return "".join(" " if letter in "^=\\" else letter for letter in told)[:_LONGEST_LO]


def _study(report: Dataset, assessed: StudyAssessed) -> None:
    report.StudyInstanceUID = assessed.study_instance_uid
    report.StudyDate = f"{assessed.day:%Y%m%d}"
    report.StudyTime = ""
    report.ReferringPhysicianName = ""
    report.StudyID = ""
    report.AccessionNumber = (assessed.accession_number or "")[:16]


def _equipment(report: Dataset, site: Site, observer_uid: str) -> None:
    report.Manufacturer = MANUFACTURER
    report.ManufacturerModelName = DOSE_REPORT_MODEL
    report.DeviceSerialNumber = site.name
    report.DeviceUID = observer_uid
    report.SoftwareVersions = f"form {FORM}"
    report.InstitutionName = site.title[:_LONGEST_LO]
