"""What every DICOM object must pass, image or report, before anything is promised to its sender."""

import mmap
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from io import BytesIO

import pydicom.config
from pydicom.datadict import tag_for_keyword
from pydicom.dataset import Dataset
from pydicom.filereader import read_dataset
from pydicom.uid import UID

from schemas.errors import InvalidInput
from services.intake.deflated import inflated
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
    if file.size_bytes <= file.data_set_at:
        raise InvalidInput("data set", "0 bytes", "a data set")
    with _data_set(file, syntax) as (data, start):
        found = check_structure(
            data,
            start,
            implicit_vr=syntax.is_implicit_VR,
            little_endian=syntax.is_little_endian,
            needs_pixels=needs_pixels,
            read=_numbers(tuple(tags)),
            most_read_bytes=most_read_bytes,
        )
        # Nothing else is copied out of the file, and the parser needs to step over nothing.
        header = b"".join(data[begin:end] for begin, end in found.places)
    return Checked(_parse(header, syntax), found.pixels)


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


@contextmanager
def _data_set(file: IncomingFile, syntax: UID) -> Iterator[tuple[mmap.mmap, int]]:
    """Give the data set as it is to be checked, and where it begins."""
    with mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as data:
        if syntax.is_deflated:
            with inflated(data, file.data_set_at, file.path.parent) as unpacked:
                yield unpacked, 0
        else:
            yield data, file.data_set_at


@cache
def _numbers(keywords: tuple[str, ...]) -> frozenset[int]:
    """Look tags up by their keywords, once for each of our few lists."""
    return frozenset(tag for tag in map(tag_for_keyword, keywords) if tag is not None)


def _parse(header: bytes, syntax: UID) -> Dataset:
    vr = header[4:6]
    if syntax.is_implicit_VR and vr.isalpha() and vr.isupper():
        # The parser would take it for explicit VR, with other lengths than ours.
        raise InvalidInput("data set", vr, "no VR in this transfer syntax")
    try:
        return read_dataset(BytesIO(header), syntax.is_implicit_VR, syntax.is_little_endian)
    except Exception as error:  # the parser may fail in many ways on a hostile file
        raise InvalidInput("data set", str(error), "a data set that can be parsed") from error
