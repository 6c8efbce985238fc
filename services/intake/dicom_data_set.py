"""The data set of a request that brings no image: whole, shallow, every value decoded.

Every DICOM request but C-STORE reads its data set here. pydicom's own walk repeats the whole trace
of a bad value for each sequence around it, so that 250 bytes, 12 levels deep, took 1 GB: the depth
is bounded before it sees any, and again here, since it also finds sequences in values of unknown
VR and takes explicit for implicit VR.
"""

from io import BytesIO
from typing import Any

from pydicom.charset import decode_element
from pydicom.dataset import Dataset
from pynetdicom.dsutils import decode

from schemas.errors import InvalidInput
from services.intake.image_structure import check_structure, element_name

DEEPEST = 6
"""Our own bound: a performed step has four levels of sequences, a worklist query three."""

_CHARACTER_SET = 0x00080005


def read_data_set(event: Any, attribute: str) -> Dataset:
    """Read a request's ``Identifier``, ``AttributeList`` and the like; empty where it has none.

    Raises
    ------
    InvalidInput
        A length in it is not true, it is nested too deep, or a value cannot be read; the element
        is named.
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
    except Exception as error:  # the parser may fail in many ways on a hostile data set
        raise InvalidInput("data set", type(error).__name__, "one that can be read") from error
    _decode_values(data_set, None, 0)
    return data_set


def _decode_values(data_set: Dataset, texts: Any, depth: int) -> None:
    """Decode each value now; ``texts`` is the character set of the data set around it."""
    for tag in sorted(data_set.keys()):  # the character set comes before the texts
        items: list[Dataset] = []
        try:
            element = data_set[tag]
            if tag == _CHARACTER_SET:
                texts = element.value or texts
            if element.VR == "SQ":
                items = list(element.value)
            else:
                decode_element(element, texts)
        except Exception as error:  # as above
            name = type(error).__name__
            raise InvalidInput(element_name(tag), name, "a value that can be read") from error
        if items and depth > DEEPEST:
            raise InvalidInput(element_name(tag), depth, f"at most {DEEPEST} levels")
        for item in items:
            _decode_values(item, texts, depth + 1)
