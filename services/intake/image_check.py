"""Whether an object can be kept as an image, before anything is promised to its sender."""

from dataclasses import replace
from datetime import datetime
from zoneinfo import ZoneInfo

from pydicom.dataset import Dataset
from pydicom.uid import UID

from schemas.errors import InvalidInput
from services.intake.image_files import IncomingFile
from services.intake.image_header import HEADER_TAGS, ImageHeader, read_header
from services.intake.image_structure import PIXEL_DATA, PixelData, element_name
from services.intake.object_check import check_announced, read_checked
from services.intake.pixel_statistics import statistics_of
from services.intake.sop_classes import IMAGE_SYNTAXES, STORAGE_CLASSES

MOST_HEADER_BYTES = 1_000_000
"""Our own bound on what is read of an image beside its pixels."""


def check_image(
    file: IncomingFile, zone: ZoneInfo, received_at: datetime, *, pixel_statistics: bool = False
) -> ImageHeader:
    """Check a written file as a whole and read its header, with ``pixel_statistics`` if asked.

    Raises
    ------
    WrongSopClass
        The SOP class is none that we keep, or not the one that was announced.
    InvalidInput
        The file is cut off, claims more than it holds, or lacks what an image needs; the
        attribute is named.
    """
    checked = read_checked(
        file,
        classes=STORAGE_CLASSES,
        syntaxes=IMAGE_SYNTAXES,
        what="a dental X-ray image",
        tags=HEADER_TAGS,
        needs_pixels=True,
        most_read_bytes=MOST_HEADER_BYTES,
    )
    header = read_header(checked.dataset, zone, received_at)
    check_announced(file, header.sop_class_uid, header.sop_instance_uid)
    if checked.pixels is not None:
        encapsulated = UID(file.transfer_syntax_uid).is_encapsulated
        _check_pixels(checked.dataset, checked.pixels, encapsulated=encapsulated)
        if pixel_statistics:
            found = statistics_of(file, checked.dataset, checked.pixels)
            return replace(header, fields=header.fields | {"pixels": found})
    return header


def _check_pixels(dataset: Dataset, pixels: PixelData, *, encapsulated: bool) -> None:
    """Compare the pixel data's length with what rows, columns and depth ask for."""
    name = f"{element_name(PIXEL_DATA)} length"
    if pixels.length_bytes is None:
        if not encapsulated:
            raise InvalidInput(name, "undefined", "a number of bytes in this transfer syntax")
        return
    if encapsulated:
        raise InvalidInput(name, pixels.length_bytes, "fragments in this transfer syntax")
    try:
        rows, columns = int(dataset.Rows), int(dataset.Columns)
        bits = int(dataset.BitsAllocated)
        samples = int(dataset.get("SamplesPerPixel") or 1)
        frames = int(dataset.get("NumberOfFrames") or 1)
        subsampled = "422" in str(dataset.get("PhotometricInterpretation") or "")
    except Exception as error:  # reading a value may fail in many ways on a hostile file
        raise InvalidInput(
            "Rows (0028,0010)", None, "rows, columns and bits allocated that can be read"
        ) from error
    if subsampled:
        return  # two of three samples are shared between neighbours (PS3.3 C.7.6.3.1.2)
    wanted = (rows * columns * samples * frames * bits + 7) // 8
    if pixels.length_bytes not in {wanted, wanted + wanted % 2}:
        raise InvalidInput(name, f"{pixels.length_bytes} bytes", f"{wanted} bytes for its size")
