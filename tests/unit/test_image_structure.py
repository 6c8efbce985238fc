"""A data set is whole or refused: every length is checked against what the file holds."""

from contextlib import suppress
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydicom.dataset import Dataset
from pydicom.sequence import Sequence

from schemas.errors import InvalidInput
from services.intake.image_structure import PixelData, check_structure
from tests.intake_support import encoded, make_image


def image_with_nested_items() -> Dataset:
    inner = Dataset()
    inner.CodeValue, inner.CodingSchemeDesignator, inner.CodeMeaning = "108", "99GMPH", "tooth"
    item = Dataset()
    item.ScheduledProtocolCodeSequence = Sequence([inner, inner])
    return make_image(RequestAttributesSequence=Sequence([item]))


WHOLE = encoded(image_with_nested_items())


def check(data: bytes, **bounds: Any) -> PixelData | None:
    return check_structure(data, 0, implicit_vr=False, little_endian=True, **bounds).pixels


def test_a_whole_data_set_passes_and_its_pixel_data_is_measured() -> None:
    assert check(WHOLE) == PixelData(32 * 24 * 2)


@given(cut=st.integers(min_value=0, max_value=len(WHOLE) - 1))
@settings(max_examples=300, deadline=None)
def test_a_data_set_cut_anywhere_is_refused(cut: int) -> None:
    with pytest.raises(InvalidInput):
        check(WHOLE[:cut])


def test_a_claim_of_2_gb_is_refused_and_names_the_element() -> None:
    # given
    claim = (2_147_483_646).to_bytes(4, "little")
    at = WHOLE.index(b"\xe0\x7f\x10\x00OW") + 8
    data = WHOLE[:at] + claim + WHOLE[at + 4 :]

    # when
    with pytest.raises(InvalidInput) as refusal:
        check(data)

    # then
    assert refusal.value.field == "PixelData (7FE0,0010) length"
    assert "2147483646" in refusal.value.value
    assert refusal.value.expected == "at most the 1536 bytes that follow"


def test_a_claim_inside_an_item_is_refused_too() -> None:
    # given: the inner code value says that it is longer than its item
    at = WHOLE.index(b"\x08\x00\x00\x01SH") + 6
    data = WHOLE[:at] + b"\xfe\xff" + WHOLE[at + 2 :]

    with pytest.raises(InvalidInput, match=r"CodeValue \(0008,0100\) length"):
        check(data)


def test_items_of_undefined_length_that_never_end_are_refused() -> None:
    endless = b"\x40\x00\x75\x02SQ\x00\x00\xff\xff\xff\xff" + b"\xfe\xff\x00\xe0\xff\xff\xff\xff"

    with pytest.raises(InvalidInput, match="cut"):
        check(endless * 3)


def test_nesting_without_end_is_refused_before_the_stack_is() -> None:
    level = b"\x40\x00\x75\x02SQ\x00\x00\xff\xff\xff\xff" + b"\xfe\xff\x00\xe0\xff\xff\xff\xff"

    with pytest.raises(InvalidInput, match="levels"):
        check(level * 5_000)


def test_what_is_read_is_bounded_and_what_is_not_read_is_free() -> None:
    # given: a text of 2 MB before the image
    text = b"\x08\x00\x00\x10UT\x00\x00" + (2_000_000).to_bytes(4, "little") + b"x" * 2_000_000
    rows = {0x00280010}

    with pytest.raises(InvalidInput, match=r"\(0008,1000\) length: expected at most 1000000 bytes"):
        check(text + WHOLE)
    assert check(text + WHOLE, read=rows) == check(WHOLE)
    assert check(text + WHOLE, read=rows | {0x00081000}, most_read_bytes=2_000_000 + 2)


def test_very_many_values_are_refused_where_they_are_read() -> None:
    values = b"\x18\x00\x60\x00UC\x00\x00" + (30_000).to_bytes(4, "little") + b"\\" * 30_000

    with pytest.raises(InvalidInput, match=r"KVP \(0018,0060\): expected at most 20000 values"):
        check(values + WHOLE)
    assert check(values + WHOLE, read={0x00280010}) == check(WHOLE)


def test_implicit_vr_that_a_parser_would_take_for_explicit_is_refused() -> None:
    # given: one element of 0x5343 bytes, as implicit VR has it
    data = b"\x08\x00\x05\x00CS\x00\x00" + b"x" * 0x5343

    with pytest.raises(InvalidInput, match="no VR in this transfer syntax"):
        check_structure(data, 0, implicit_vr=True, little_endian=True, needs_pixels=False)


def test_a_delimiter_outside_a_sequence_is_refused() -> None:
    with pytest.raises(InvalidInput, match="in a sequence alone"):
        check(b"\xfe\xff\x0d\xe0\x00\x00\x00\x00" + WHOLE)


@given(noise=st.binary(max_size=400))
@settings(max_examples=300, deadline=None)
def test_noise_is_refused_by_name_and_never_crashes(noise: bytes) -> None:
    with pytest.raises(InvalidInput):
        check(noise)


@given(at=st.integers(min_value=0, max_value=len(WHOLE) - 1), to=st.integers(0, 255))
@settings(max_examples=500, deadline=None)
def test_a_changed_byte_passes_or_is_refused_but_never_crashes(at: int, to: int) -> None:
    changed = WHOLE[:at] + bytes([to]) + WHOLE[at + 1 :]
    # Any other error than a refusal fails the test.
    with suppress(InvalidInput):
        pixels = check(changed)
        assert pixels is None or pixels.length_bytes != 0
