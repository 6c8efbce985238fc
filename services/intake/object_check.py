"""What every DICOM object must pass, image or report, before anything is promised to its sender."""

import mmap
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from io import BufferedReader

import pydicom.config
from pydicom import dcmread
from pydicom.datadict import tag_for_keyword
from pydicom.dataset import Dataset
from pydicom.uid import UID

from schemas.errors import InvalidInput
from services.intake.image_files import IncomingFile
from services.intake.image_structure import PixelData, check_structure

# A maker's odd value is dropped by us with its reason; pydicom would print it, and a header
# carries owners' names.
pydicom.config.settings.reading_validation_mode = pydicom.config.IGNORE
# Nor its warnings, of which Python would remember every different text for good.
warnings.filterwarnings("ignore", module=r"pydicom(\.|$)")


class WrongSopClass(InvalidInput):
    """The data set is of another SOP class than the one it was announced as."""


@dataclass(frozen=True, slots=True)
class Checked:
    """An object that is whole: the attributes that were asked for, and its pixel data if any."""

    dataset: Dataset
    pixels: PixelData | None


def read_checked(
    file: IncomingFile,
    *,
    classes: Sequence[str],
    syntaxes: Sequence[str],
    what: str,
    tags: Sequence[str],
    needs_pixels: bool,
    most_read_bytes: int,
) -> Checked:
    """Check a written file's structure as a whole, then read ``tags`` of it, so many bytes.

    ``what`` names the objects of ``classes`` for people.

    Raises
    ------
    WrongSopClass
        The SOP class is none of ``classes``.
    InvalidInput
        The transfer syntax is none of ``syntaxes``, or the file is cut off, claims more than it
        holds, or cannot be parsed.
    """
    if file.sop_class_uid not in classes:
        raise WrongSopClass("SOPClassUID (0008,0016)", file.sop_class_uid, what)
    if file.transfer_syntax_uid not in syntaxes:
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
                needs_pixels=needs_pixels,
                read={tag_for_keyword(keyword) or 0 for keyword in tags},
                most_read_bytes=most_read_bytes,
            )
        return Checked(_read_tags(stream, tags), pixels)


def check_announced(file: IncomingFile, sop_class_uid: str, sop_instance_uid: str) -> None:
    """Refuse a data set that is not what its sender announced (WrongSopClass, InvalidInput)."""
    if sop_class_uid != file.sop_class_uid:
        raise WrongSopClass(
            "SOPClassUID (0008,0016)", sop_class_uid, f"{file.sop_class_uid}, as announced"
        )
    if sop_instance_uid != file.sop_instance_uid:
        raise InvalidInput(
            "SOPInstanceUID (0008,0018)",
            sop_instance_uid,
            f"{file.sop_instance_uid}, as announced",
        )


def _read_tags(stream: BufferedReader, tags: Sequence[str]) -> Dataset:
    stream.seek(0)
    try:
        return dcmread(stream, stop_before_pixels=True, specific_tags=list(tags))
    except Exception as error:  # the parser may fail in many ways on a hostile file
        raise InvalidInput("data set", str(error), "a data set that can be parsed") from error
