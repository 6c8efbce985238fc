"""What the DICOM node takes: images and reports of dental X-ray work, and how they are encoded.

UIDs are pydicom's names of PS3.6 annex A.
"""

from typing import Final

from pydicom import uid

STORAGE_CLASSES: Final[tuple[str, ...]] = (  # of images
    uid.DigitalIntraOralXRayImageStorageForPresentation,
    uid.DigitalIntraOralXRayImageStorageForProcessing,
    uid.DigitalXRayImageStorageForPresentation,
    uid.DigitalXRayImageStorageForProcessing,
    uid.ComputedRadiographyImageStorage,
    uid.SecondaryCaptureImageStorage,
)

DOSE_REPORT: Final[str] = uid.XRayRadiationDoseSRStorage

DOCUMENT_CLASSES: Final[tuple[str, ...]] = (
    DOSE_REPORT,
    uid.BasicTextSRStorage,
    uid.EnhancedSRStorage,
    uid.ComprehensiveSRStorage,
)

MODALITY_WORKLIST: Final[str] = "1.2.840.10008.5.1.4.31"
PERFORMED_STEP: Final[str] = "1.2.840.10008.3.1.2.3.3"
VERIFICATION: Final[str] = "1.2.840.10008.1.1"

PLAIN_SYNTAXES: Final[tuple[str, ...]] = (uid.ExplicitVRLittleEndian, uid.ImplicitVRLittleEndian)

# Kept as sent; no pixels are decoded here. The deflated one is unpacked to be checked.
IMAGE_SYNTAXES: Final[tuple[str, ...]] = (
    *PLAIN_SYNTAXES,
    uid.ExplicitVRBigEndian,
    uid.DeflatedExplicitVRLittleEndian,
    uid.JPEGBaseline8Bit,
    uid.JPEGExtended12Bit,
    uid.JPEGLossless,
    uid.JPEGLosslessSV1,
    uid.JPEGLSLossless,
    uid.JPEGLSNearLossless,
    uid.JPEG2000Lossless,
    uid.JPEG2000,
    uid.RLELossless,
)

DOCUMENT_SYNTAXES: Final[tuple[str, ...]] = (
    *PLAIN_SYNTAXES,
    uid.ExplicitVRBigEndian,
    uid.DeflatedExplicitVRLittleEndian,
)
