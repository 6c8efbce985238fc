"""Whether an object can be kept as an image, before anything is promised to its sender."""

import mmap
from datetime import datetime
from io import BufferedReader
from zoneinfo import ZoneInfo

import pydicom.config
from pydicom import dcmread
from pydicom.dataset import Dataset
from pydicom.uid import UID

from schemas.errors import InvalidInput
from services.intake.image_files import IncomingFile
from services.intake.image_header import HEADER_TAGS, ImageHeader, read_header
from services.intake.image_structure import (
    PIXEL_DATA,
    PixelData,
    check_structure,
    element_name,
)
from services.intake.sop_classes import IMAGE_SYNTAXES, STORAGE_CLASSES

# A maker's odd value is dropped by us with its reason; pydicom would print it, and a header
# carries owners' names.
pydicom.config.settings.reading_validation_mode = pydicom.config.IGNORE


class WrongSopClass(InvalidInput):
    """The data set is of another SOP class than the one it was announced as."""


def check_image(file: IncomingFile, zone: ZoneInfo, received_at: datetime) -> ImageHeader:
    """Check a written file as a whole and read its header.

    Raises
    ------
    WrongSopClass
        The SOP class is none that we keep, or not the one that was announced.
    InvalidInput
        The file is cut off, claims more than it holds, or lacks what an image needs; the
        attribute is named.
    """
    if file.sop_class_uid not in STORAGE_CLASSES:
        raise WrongSopClass("SOPClassUID (0008,0016)", file.sop_class_uid, "a dental X-ray image")
    if file.transfer_syntax_uid not in IMAGE_SYNTAXES:
        raise InvalidInput(
            "TransferSyntaxUID (0002,0010)", file.transfer_syntax_uid, "one that the node accepts"
        )
    syntax = UID(file.transfer_syntax_uid)
    with open(file.fileno(), "rb", closefd=False) as stream:
        if file.size_bytes <= file.data_set_at:
            raise InvalidInput("data set", "0 bytes", "a data set")
        with mmap.mmap(stream.fileno(), 0, access=mmap.ACCESS_READ) as data:
            pixels = check_structure(
                data,
                file.data_set_at,
                implicit_vr=syntax.is_implicit_VR,
                little_endian=syntax.is_little_endian,
            )
        dataset = _read_tags(stream)
    header = read_header(dataset, zone, received_at)
    if header.sop_class_uid != file.sop_class_uid:
        raise WrongSopClass(
            "SOPClassUID (0008,0016)", header.sop_class_uid, f"{file.sop_class_uid}, as announced"
        )
    if header.sop_instance_uid != file.sop_instance_uid:
        raise InvalidInput(
            "SOPInstanceUID (0008,0018)",
            header.sop_instance_uid,
            f"{file.sop_instance_uid}, as announced",
        )
    _check_pixels(dataset, pixels, encapsulated=syntax.is_encapsulated)
    return header


def _read_tags(stream: BufferedReader) -> Dataset:
    stream.seek(0)
    try:
        return dcmread(stream, stop_before_pixels=True, specific_tags=list(HEADER_TAGS))
    except Exception as error:  # the parser may fail in many ways on a hostile file
        raise InvalidInput("data set", str(error), "a data set that can be parsed") from error


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
    except (AttributeError, TypeError, ValueError) as error:
        raise InvalidInput(
            "Rows (0028,0010)", None, "rows, columns and bits allocated that can be read"
        ) from error
    if subsampled:
        return  # two of three samples are shared between neighbours (PS3.3 C.7.6.3.1.2)
    wanted = (rows * columns * samples * frames * bits + 7) // 8
    if pixels.length_bytes not in {wanted, wanted + wanted % 2}:
        raise InvalidInput(name, f"{pixels.length_bytes} bytes", f"{wanted} bytes for its size")
