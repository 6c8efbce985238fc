"""What surrounds a dose report's content: patient, study, series, equipment, document.

IOD of DICOM PS3.3 A.35.8 (from memory; ``tests/outside`` has it checked by another program).
"""

from datetime import datetime

from pydicom.dataset import Dataset
from pydicom.uid import XRayRadiationDoseSRStorage

from schemas.conclusions import StudyAssessed
from schemas.group import Site
from schemas.own_objects import DOSE_REPORT_MODEL
from services.notes.report_modules import (
    Instance,
    Maker,
    add_equipment,
    add_instance,
    add_patient,
    add_study,
    named_uid,
)

FORM = "1"
"""Raise it whenever what is written of one revision changes: its UID must change too."""


def report_uid(*names: object) -> str:
    """Make the UID of something in a dose report, by its names."""
    return named_uid("gomphosis dose report", *names)


def maker_at(site: Site) -> Maker:
    return Maker(DOSE_REPORT_MODEL, FORM, report_uid("observer", site.name))


def surround(report: Dataset, assessed: StudyAssessed, site: Site, made_at: datetime) -> None:
    """Add every module but the content. ``made_at`` carries the zone that times are told in."""
    study = assessed.study_instance_uid
    instance = Instance(
        sop_class_uid=XRayRadiationDoseSRStorage,
        sop_instance_uid=report_uid("instance", FORM, site.name, study, assessed.revision),
        series_instance_uid=report_uid("series", site.name, study),
        series_number=1,
        series_description="Dose report, drawn up from what is known of the exposures",
        number=assessed.revision,
    )
    add_instance(report, instance, made_at)
    add_patient(report, assessed.patient_id, assessed.patient)
    add_study(report, study, assessed.day, assessed.accession_number)
    add_equipment(report, site, maker_at(site))
    report.CompletionFlag = "COMPLETE" if assessed.closed else "PARTIAL"
    report.VerificationFlag = "UNVERIFIED"
    report.PerformedProcedureCodeSequence = []
