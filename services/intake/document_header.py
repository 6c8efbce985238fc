"""From a structured report to the fact that it was stored."""

from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from pydicom.dataset import Dataset

from schemas.errors import InvalidInput
from schemas.facts import DocumentStored
from schemas.own_objects import DOSE_REPORT_MODEL, MANUFACTURER
from services.intake.image_clock import content_time
from services.intake.image_header import StoredFile
from services.intake.image_values import Values
from services.intake.report_content import ContentItem, read_content

DOCUMENT_TAGS: tuple[str, ...] = (
    "SpecificCharacterSet",
    "SOPClassUID",
    "SOPInstanceUID",
    "StudyInstanceUID",
    "SeriesInstanceUID",
    "PatientID",
    "ContentDate",
    "ContentTime",
    "TimezoneOffsetFromUTC",
    "Manufacturer",
    "ManufacturerModelName",
    "DeviceSerialNumber",
    "ValueType",
    "ConceptNameCodeSequence",
    "ContentSequence",
)
"""What is read of a report."""


@dataclass(frozen=True, slots=True)
class DocumentHeader:
    """A report in our terms.

    ``acquired_at`` is its content date and time; ``timezone_offset`` is what the report says of
    its own times (``+0100``), if anything. ``ours`` marks a dose report that this software wrote.
    """

    acquired_at: datetime
    source_clock: str | None
    sop_instance_uid: str
    sop_class_uid: str
    study_instance_uid: str
    series_instance_uid: str
    patient_id: str
    ours: bool
    device_serial: str | None
    timezone_offset: str | None
    content: ContentItem
    dropped: tuple[InvalidInput, ...]

    def stored(self, file: StoredFile) -> DocumentStored:
        """Make the fact that this report lies on our disk."""
        title = self.content.name
        return DocumentStored(
            station=file.station,
            study_instance_uid=self.study_instance_uid,
            series_instance_uid=self.series_instance_uid,
            sop_instance_uid=self.sop_instance_uid,
            sop_class_uid=self.sop_class_uid,
            transfer_syntax_uid=file.transfer_syntax_uid,
            sha256=file.sha256,
            size_bytes=file.size_bytes,
            path=file.path,
            patient_id=self.patient_id,
            title_code=None if title is None else title.value,
        )


def read_document(dataset: Dataset, zone: ZoneInfo, received_at: datetime) -> DocumentHeader:
    """Read what we use of a report.

    Raises
    ------
    InvalidInput
        Patient ID or one of the four UIDs is missing or cannot be used, or the content tree
        cannot be read (``report_content``).
    """
    values = Values(dataset)
    uid_wanted = "a UID"
    sop_class = values.required("SOPClassUID", values.uid, uid_wanted)
    sop_instance = values.required("SOPInstanceUID", values.uid, uid_wanted)
    study = values.required("StudyInstanceUID", values.uid, uid_wanted)
    series = values.required("SeriesInstanceUID", values.uid, uid_wanted)
    patient_id = values.required(
        "PatientID", values.text, "a patient identifier of 1 to 64 characters"
    )
    made_at, source_clock = content_time(values, zone, received_at)
    return DocumentHeader(
        acquired_at=made_at,
        source_clock=source_clock,
        sop_instance_uid=sop_instance,
        sop_class_uid=sop_class,
        study_instance_uid=study,
        series_instance_uid=series,
        patient_id=patient_id,
        ours=values.text("Manufacturer") == MANUFACTURER
        and values.text("ManufacturerModelName") == DOSE_REPORT_MODEL,
        device_serial=values.text("DeviceSerialNumber"),
        timezone_offset=values.text("TimezoneOffsetFromUTC"),
        content=read_content(dataset),
        dropped=tuple(values.dropped),
    )
