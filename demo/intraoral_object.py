"""Builds the DICOM object of one invented intraoral image (PS3.3 A.18 and C.8.11.9)."""

from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.uid import DigitalIntraOralXRayImageStorageForPresentation, ExplicitVRLittleEndian

from demo.synthetic_image import STORED_BITS
from schemas.plans import View
from schemas.teeth import (
    TRIADAN_SCHEME,
    Arch,
    Code,
    Side,
    arch,
    jaw_code,
    region_modifier_code,
    side,
    triadan_code,
)


@dataclass(frozen=True, slots=True)
class Acquisition:
    """What the station knows of one image beside its pixels."""

    scheduled: Dataset
    view: View
    labelled: bool
    sop_instance_uid: str
    series_instance_uid: str
    number: int
    acquired_at: datetime
    tube_kv: float
    tube_current_ma: float
    exposure_ms: float
    pixel_pitch_mm: float


def intraoral_object(shot: Acquisition, pixels: NDArray[np.uint16]) -> Dataset:
    """Build the object, ready to send. An unlabelled one names neither its view nor its teeth."""
    image = Dataset()
    image.file_meta = FileMetaDataset()
    image.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    _patient_and_study(image, shot.scheduled)
    image.SOPClassUID = DigitalIntraOralXRayImageStorageForPresentation
    image.SOPInstanceUID = shot.sop_instance_uid
    image.SeriesInstanceUID = shot.series_instance_uid
    image.Modality = "IO"
    image.PresentationIntentType = "FOR PRESENTATION"
    image.SeriesNumber = 1
    image.InstanceNumber = shot.number
    image.Manufacturer = "INVENTED"
    image.ImageType = ["ORIGINAL", "PRIMARY", ""]
    image.AcquisitionContextSequence = []
    image.AcquisitionDate = image.ContentDate = shot.acquired_at.strftime("%Y%m%d")
    image.AcquisitionTime = image.ContentTime = shot.acquired_at.strftime("%H%M%S.%f")
    image.TimezoneOffsetFromUTC = "+0000"
    _anatomy(image, shot)
    _technique(image, shot)
    _pixels(image, pixels)
    return image


def _patient_and_study(image: Dataset, scheduled: Dataset) -> None:
    """Copy what the worklist answered; nobody types a name at the station."""
    if "SpecificCharacterSet" in scheduled:
        image.SpecificCharacterSet = scheduled.SpecificCharacterSet
    for keyword in (
        "PatientName",
        "PatientID",
        "PatientBirthDate",
        "PatientSex",
        "PatientSexNeutered",
        "PatientSpeciesDescription",
        "PatientSpeciesCodeSequence",
        "PatientBreedDescription",
        "PatientBreedCodeSequence",
        "BreedRegistrationSequence",
        "ResponsiblePerson",
        "ResponsibleOrganization",
        "StudyInstanceUID",
        "AccessionNumber",
        "ReferringPhysicianName",
    ):
        setattr(image, keyword, scheduled.get(keyword, ""))
    if image.ResponsiblePerson:
        image.ResponsiblePersonRole = scheduled.get("ResponsiblePersonRole") or "OWNER"
    image.StudyID = scheduled.AccessionNumber
    step = scheduled.ScheduledProcedureStepSequence[0]
    image.StudyDate = step.ScheduledProcedureStepStartDate
    image.StudyTime = step.ScheduledProcedureStepStartTime
    request = Dataset()
    request.ScheduledProcedureStepID = step.ScheduledProcedureStepID
    request.RequestedProcedureID = scheduled.get("RequestedProcedureID", "")
    image.RequestAttributesSequence = [request]


def _anatomy(image: Dataset, shot: Acquisition) -> None:
    sides = {side(tooth) for tooth in shot.view.teeth}
    image.ImageLaterality = "B" if len(sides) > 1 else ("R" if Side.RIGHT in sides else "L")
    region = code_item(jaw_code(shot.view.teeth[0]))
    image.AnatomicRegionSequence = [region]
    _orientation(image, shot.view)
    if not shot.labelled:
        modifier = region_modifier_code(shot.view.teeth[0]) or _REGION_NOT_TOLD
        region.AnatomicRegionModifierSequence = [code_item(modifier)]
        return
    image.PrimaryAnatomicStructureSequence = [
        code_item(triadan_code(tooth)) for tooth in shot.view.teeth
    ]
    image.ViewCodeSequence = [code_item(Code(shot.view.code, TRIADAN_SCHEME, shot.view.name))]


_REGION_NOT_TOLD = Code("region-not-told", TRIADAN_SCHEME, "Region not told by the station")
"""A modifier is needed where no tooth is named (PS3.3 C.8.11.9), and many teeth have no code."""


def _orientation(image: Dataset, view: View) -> None:
    """Tell where rows and columns lead in a quadruped's head (PS3.3 C.7.6.1.1.1; from memory).

    As ``synthetic_image.layout`` lays views out: over both sides the right is at the picture's
    left; one side is seen from outside the cheek. Upper crowns point down, lower ones up.
    """
    sides = {side(tooth) for tooth in view.teeth}
    upper = arch(view.teeth[0]) is Arch.MAXILLA
    image.AnatomicalOrientationType = "QUADRUPED"
    if len(sides) > 1:
        image.PatientOrientation = ["LE", "R" if upper else "CD"]
    else:
        image.PatientOrientation = ["R" if Side.RIGHT in sides else "CD", "V"]


def _technique(image: Dataset, shot: Acquisition) -> None:
    image.PositionerType = "NONE"
    image.KVP = f"{shot.tube_kv:g}"
    image.XRayTubeCurrent = round(shot.tube_current_ma)
    image.ExposureTime = round(shot.exposure_ms)
    image.ExposureInuAs = round(shot.tube_current_ma * shot.exposure_ms)
    image.DetectorType = "DIRECT"
    image.ImagerPixelSpacing = [f"{shot.pixel_pitch_mm:g}"] * 2
    image.BurnedInAnnotation = "NO"
    image.LossyImageCompression = "00"


def _pixels(image: Dataset, pixels: NDArray[np.uint16]) -> None:
    image.SamplesPerPixel = 1
    image.PhotometricInterpretation = "MONOCHROME2"
    image.Rows, image.Columns = pixels.shape
    image.BitsAllocated = 16
    image.BitsStored = STORED_BITS
    image.HighBit = STORED_BITS - 1
    image.PixelRepresentation = 0
    image.PixelIntensityRelationship = "LOG"
    image.PixelIntensityRelationshipSign = -1
    image.RescaleIntercept = "0"
    image.RescaleSlope = "1"
    image.RescaleType = "US"
    image.PresentationLUTShape = "IDENTITY"
    # The whole stored range: what is shown is chosen by whoever looks.
    image.WindowCenter = str(1 << (STORED_BITS - 1))
    image.WindowWidth = str(1 << STORED_BITS)
    image.PixelData = pixels.astype("<u2").tobytes()


_SHORT_CODE_CHARACTERS = 16
"""A longer code value has an attribute of its own (PS3.3 table 8.8-1; from memory)."""


def code_item(code: Code) -> Dataset:
    """Make the item of a code sequence."""
    item = Dataset()
    if len(code.value) > _SHORT_CODE_CHARACTERS:
        item.LongCodeValue = code.value
    else:
        item.CodeValue = code.value
    item.CodingSchemeDesignator = code.scheme
    item.CodeMeaning = code.meaning
    return item


def code_value(item: Dataset) -> str:
    """Read the value of an item of a code sequence, short or long."""
    return str(item.get("CodeValue") or item.get("LongCodeValue") or "")
