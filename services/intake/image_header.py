"""From a DICOM header to the fact that an image was stored: names, units and clocks made ours.

Pure. Attributes and their units are those of DICOM PS3.3 and PS3.6 (names run with pydicom;
units from memory): KVP in kV, Exposure Time in ms beside the same in µs, X-Ray Tube Current in mA
beside the same in µA, Entrance Dose in dGy beside the same in mGy, area dose product in dGy·cm².
"""

import re
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal
from zoneinfo import ZoneInfo

from pydicom.dataset import Dataset

from schemas.dose_units import kap_in_mgycm2, kerma_in_mgy
from schemas.errors import InvalidInput
from schemas.facts import ImageStored
from schemas.teeth import TRIADAN_SCHEME, ToothError, tooth_from_code
from services.intake.image_clock import acquisition_time
from services.intake.image_values import Values

HEADER_TAGS: tuple[str, ...] = (
    "SpecificCharacterSet",
    "SOPClassUID",
    "SOPInstanceUID",
    "StudyInstanceUID",
    "SeriesInstanceUID",
    "PatientID",
    "AccessionNumber",
    "RequestAttributesSequence",
    "AcquisitionDateTime",
    "AcquisitionDate",
    "AcquisitionTime",
    "ContentDate",
    "ContentTime",
    "TimezoneOffsetFromUTC",
    "PatientSpeciesCodeSequence",
    "PrimaryAnatomicStructureSequence",
    "ViewCodeSequence",
    "PerformedProtocolCodeSequence",
    "ImageLaterality",
    "Rows",
    "Columns",
    "SamplesPerPixel",
    "NumberOfFrames",
    "BitsAllocated",
    "BitsStored",
    "HighBit",
    "PixelRepresentation",
    "PhotometricInterpretation",
    "KVP",
    "XRayTubeCurrent",
    "XRayTubeCurrentInuA",
    "ExposureTime",
    "ExposureTimeInuS",
    "EntranceDose",
    "EntranceDoseInmGy",
    "ImageAndFluoroscopyAreaDoseProduct",
    "ExposureIndex",
    "TargetExposureIndex",
    "DeviationIndex",
    "IrradiationEventUID",
    "DetectorID",
    "DeviceSerialNumber",
)
"""What is read of an image; nothing else of it enters memory."""

_VIEW = re.compile(r"^[a-z0-9][a-z0-9_-]{0,63}$")


@dataclass(frozen=True, slots=True)
class StoredFile:
    """What is known of an image besides its header. ``path`` is below the image folder.

    ``sensor`` is ours, by the site's list; the header has only its ``detector_id``.
    """

    room: str | None
    station: str
    transfer_syntax_uid: str
    sha256: str
    size_bytes: int
    path: str
    sensor: str | None = None


@dataclass(frozen=True, slots=True)
class ImageHeader:
    """An image's header in our terms.

    ``source_clock`` is the acquisition time as the source told it; ``dropped`` are attributes
    that could not be used, each with its reason.
    """

    acquired_at: datetime
    source_clock: str | None
    sop_instance_uid: str
    sop_class_uid: str
    study_instance_uid: str
    fields: dict[str, Any]
    dropped: tuple[InvalidInput, ...]
    detector_id: str | None = None

    def stored(self, file: StoredFile) -> ImageStored:
        """Make the fact that this image lies on our disk."""
        return ImageStored(
            room=file.room,
            station=file.station,
            transfer_syntax_uid=file.transfer_syntax_uid,
            sha256=file.sha256,
            size_bytes=file.size_bytes,
            path=file.path,
            sensor=file.sensor,
            acquired_at=self.acquired_at,
            sop_instance_uid=self.sop_instance_uid,
            sop_class_uid=self.sop_class_uid,
            study_instance_uid=self.study_instance_uid,
            **self.fields,
        )


def read_header(dataset: Dataset, zone: ZoneInfo, received_at: datetime) -> ImageHeader:
    """Read what we use of a header.

    Parameters
    ----------
    zone
        The site's zone, for times that tell none.
    received_at
        Stands in where no acquisition time can be read.

    Raises
    ------
    InvalidInput
        Patient ID or one of the four UIDs is missing or cannot be used. Any other odd value is
        left out and told in ``dropped``.
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
    acquired_at, source_clock = acquisition_time(values, zone, received_at)
    detector_id = values.text("DetectorID")
    fields = {
        "series_instance_uid": series,
        "patient_id": patient_id,
        "accession_number": values.text("AccessionNumber"),
        "scheduled_step_id": _scheduled_step(values),
        "species_code": _species(values),
        "teeth": _teeth(values),
        "view": _view(values),
        "laterality": _laterality(values),
        "rows": values.whole("Rows"),
        "columns": values.whole("Columns"),
        "tube_kv": values.number("KVP"),
        "tube_current_ma": _finer(values, "XRayTubeCurrentInuA", "XRayTubeCurrent"),
        "exposure_ms": _finer(values, "ExposureTimeInuS", "ExposureTime"),
        "entrance_kerma_mgy": _entrance_kerma_mgy(values),
        "kap_mgycm2": _kap_mgycm2(values),
        "exposure_index": values.number("ExposureIndex", zero_is_a_value=True),
        "target_exposure_index": values.number("TargetExposureIndex"),
        "deviation_index": values.signed("DeviationIndex"),
        "irradiation_event_uid": _irradiation_event(values),
        "detector_id": detector_id,
        "device_serial": values.text("DeviceSerialNumber"),
    }
    return ImageHeader(
        acquired_at=acquired_at,
        source_clock=source_clock,
        sop_instance_uid=sop_instance,
        sop_class_uid=sop_class,
        study_instance_uid=study,
        fields=fields,
        dropped=tuple(values.dropped),
        detector_id=detector_id,
    )


def _finer(values: Values, in_millionths: str, in_thousandths: str) -> float | None:
    """Read a current (mA) or a time (ms): the µ attribute first, since its coarse neighbour is a
    whole number that dental exposures round away."""
    fine = values.number(in_millionths, factor=1e-3)
    coarse = values.number(in_thousandths)
    if fine is None:
        return coarse
    if coarse is not None and abs(fine - coarse) > 1.0:
        values.drop(in_thousandths, coarse, f"{fine:g}, as the finer attribute tells")
    return fine


def _entrance_kerma_mgy(values: Values) -> float | None:
    fine = values.number("EntranceDoseInmGy")
    # Whole dGy: a dental dose reads 0 there, which says nothing and is dropped.
    coarse = values.number("EntranceDose")
    if fine is not None:
        return kerma_in_mgy(fine, "mGy")
    return None if coarse is None else kerma_in_mgy(coarse, "dGy")


def _kap_mgycm2(values: Values) -> float | None:
    told = values.number("ImageAndFluoroscopyAreaDoseProduct")
    return None if told is None else kap_in_mgycm2(told, "dGy.cm2")


def _teeth(values: Values) -> tuple[int, ...]:
    teeth: list[int] = []
    for item in values.items("PrimaryAnatomicStructureSequence"):
        code = item.code()
        if code is None:
            continue
        try:
            tooth = tooth_from_code(*code)
        except ToothError as error:
            values.drop("PrimaryAnatomicStructureSequence", code[0], error.expected)
            continue
        if tooth is not None and tooth not in teeth:
            teeth.append(tooth)
    return tuple(teeth)


def _view(values: Values) -> str | None:
    """Read which planned view the image claims to show, under our scheme.

    The list of scheduled views counts only where it holds a single one.
    """
    for keyword in ("ViewCodeSequence", "PerformedProtocolCodeSequence"):
        for value in _ours(values, keyword):
            if _VIEW.match(value):
                return value
            values.drop(keyword, value, "the code of a view of a plan")
    scheduled = [
        view
        for request in values.items("RequestAttributesSequence")
        for view in _ours(request, "ScheduledProtocolCodeSequence")
        if _VIEW.match(view)
    ]
    return scheduled[0] if len(scheduled) == 1 else None


def _ours(values: Values, keyword: str) -> list[str]:
    codes = [item.code() for item in values.items(keyword)]
    return [code[0] for code in codes if code is not None and code[1] == TRIADAN_SCHEME]


def _scheduled_step(values: Values) -> str | None:
    for item in values.items("RequestAttributesSequence"):
        step = item.text("ScheduledProcedureStepID")
        if step is not None:
            return step
    return None


def _species(values: Values) -> str | None:
    for item in values.items("PatientSpeciesCodeSequence"):
        code = item.code()
        if code is not None:
            return code[0]
    return None


def _laterality(values: Values) -> Literal["R", "L", "B"] | None:
    told = values.text("ImageLaterality")
    if told == "R":
        return "R"
    if told == "L":
        return "L"
    if told == "B":
        return "B"
    if told is not None and told != "U":  # U says 'unpaired'
        values.drop("ImageLaterality", told, "R, L, B or U")
    return None


def _irradiation_event(values: Values) -> str | None:
    told = values.raw("IrradiationEventUID")
    if told is None or isinstance(told, str):
        return values.uid("IrradiationEventUID")
    # Several events made this image; the first alone would name the wrong dose.
    values.drop("IrradiationEventUID", "several", "one UID")
    return None
