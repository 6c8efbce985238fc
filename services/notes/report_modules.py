"""Modules that every DICOM object of ours has: whose it is, of which study, and what made it.

Modules of DICOM PS3.3 C.7 and C.12 (from memory; ``tests/outside`` has them checked by another
program). Animal attributes as CP-643 has them (read): they are needed where the patient is not
human.
"""

from datetime import date, datetime
from typing import Final, NamedTuple
from uuid import NAMESPACE_OID, uuid5

from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.uid import ExplicitVRLittleEndian

from schemas.facts import Patient, Sex
from schemas.group import Site
from schemas.own_objects import MANUFACTURER
from schemas.teeth import species_code
from services.notes.report_items import code_item

LONGEST_LO: Final = 64
_SEX = {Sex.MALE: "M", Sex.FEMALE: "F", Sex.OTHER: "O"}


class Instance(NamedTuple):
    """What an object is and where it stands in its series."""

    sop_class_uid: str
    sop_instance_uid: str
    series_instance_uid: str
    series_number: int
    series_description: str
    number: int


class Maker(NamedTuple):
    """The program that makes an object: the form of it, and the UID that it observes under."""

    model: str
    form: str
    observer_uid: str


def named_uid(*names: object) -> str:
    """Make a UID that is the same for the same names (PS3.5 B.2, RFC 9562; from memory)."""
    return f"2.25.{uuid5(NAMESPACE_OID, chr(0).join(map(str, names))).int}"


def add_instance(report: Dataset, instance: Instance, made_at: datetime) -> None:
    """Add the SOP common and SR series modules. Times are told in the zone of ``made_at``."""
    report.file_meta = FileMetaDataset()
    report.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    report.SpecificCharacterSet = "ISO_IR 192"
    report.SOPClassUID = instance.sop_class_uid
    report.SOPInstanceUID = instance.sop_instance_uid
    report.TimezoneOffsetFromUTC = f"{made_at:%z}"
    report.Modality = "SR"
    report.SeriesInstanceUID = instance.series_instance_uid
    report.SeriesNumber = instance.series_number
    report.SeriesDescription = instance.series_description
    report.ReferencedPerformedProcedureStepSequence = []
    report.InstanceNumber = instance.number
    report.ContentDate = f"{made_at:%Y%m%d}"
    report.ContentTime = f"{made_at:%H%M%S.%f}"


def add_patient(report: Dataset, patient_id: str, patient: Patient | None) -> None:
    report.PatientID = patient_id
    report.PatientName = person_name(patient.name) if patient else ""
    report.PatientBirthDate = f"{patient.born_on:%Y%m%d}" if patient and patient.born_on else ""
    report.PatientSex = _SEX[patient.sex] if patient and patient.sex else ""
    if patient is None:
        return
    species = species_code(patient.species)
    report.PatientSpeciesDescription = one_line(species.meaning)
    report.PatientSpeciesCodeSequence = [code_item(species)]
    neutered = {True: "ALTERED", False: "UNALTERED", None: ""}
    report.PatientSexNeutered = neutered[patient.neutered]
    report.PatientBreedDescription = one_line(patient.breed or "")
    report.PatientBreedCodeSequence = []
    report.BreedRegistrationSequence = []
    report.ResponsiblePerson = person_name(patient.responsible_person or "")
    if patient.responsible_person:
        report.ResponsiblePersonRole = "OWNER"
    report.ResponsibleOrganization = ""
    if patient.weight is not None:
        report.PatientWeight = f"{patient.weight.kg:.4g}"


def add_study(
    report: Dataset, study_instance_uid: str, day: date, accession_number: str | None
) -> None:
    report.StudyInstanceUID = study_instance_uid
    report.StudyDate = f"{day:%Y%m%d}"
    report.StudyTime = ""
    report.ReferringPhysicianName = ""
    report.StudyID = ""
    report.AccessionNumber = (accession_number or "")[:16]


def add_equipment(report: Dataset, site: Site, maker: Maker) -> None:
    report.Manufacturer = MANUFACTURER
    report.ManufacturerModelName = maker.model
    report.DeviceSerialNumber = site.name
    report.DeviceUID = maker.observer_uid
    report.SoftwareVersions = f"form {maker.form}"
    report.InstitutionName = one_line(site.title)


def person_name(told: str) -> str:
    """Write a name as one component: the delimiters of a PN are no part of it."""
    return _without(told, "^=\\")


def one_line(told: str) -> str:
    """Write words as one LO: no backslash, which would make them several values, and no control."""
    return _without(told, "\\")


def _without(told: str, delimiters: str) -> str:
    written = "".join(one if one.isprintable() and one not in delimiters else " " for one in told)
    return written[:LONGEST_LO]
