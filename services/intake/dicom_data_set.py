"""The data set of a request that brings no image: whole, shallow, every value decoded.

Every DICOM request but C-STORE reads its data set here. pydicom repeats the whole trace of a bad
value for each sequence around it, so that 250 bytes, 12 levels deep, took 1 GB: the depth is
bounded before it sees any.
"""

from io import BytesIO
from typing import Any

from pydicom.dataset import Dataset
from pynetdicom.dsutils import decode

from schemas.errors import InvalidInput
from services.intake.image_structure import check_structure

DEEPEST = 6
"""Our own bound: a performed step has four levels of sequences, a worklist query three."""


def read_data_set(event: Any, attribute: str) -> Dataset:
    """Read a request's ``Identifier``, ``AttributeList`` and the like; empty where it has none.

    Raises
    ------
    InvalidInput
        A length in it is not true, it is nested too deep, or a value cannot be read.
    """
    stream = getattr(event.request, attribute)
    content = b"" if stream is None else stream.getvalue()
    syntax = event.context.transfer_syntax
    implicit, little = syntax.is_implicit_VR, syntax.is_little_endian
    check_structure(
        content, 0, implicit_vr=implicit, little_endian=little, needs_pixels=False, deepest=DEEPEST
    )
    try:
        data_set: Dataset = decode(BytesIO(content), implicit, little)
        data_set.decode()  # texts by the message's own character set
        data_set.walk(_touch)
    except Exception as error:  # the parser may fail in many ways on a hostile data set
        raise InvalidInput("data set", type(error).__name__, "one that can be read") from error
    return data_set


def _touch(data_set: Dataset, element: Any) -> None:
    del data_set, element  # walking it decodes it
