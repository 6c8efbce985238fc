"""What is told of stored pixels, against plain counting and made images."""

from __future__ import annotations

from datetime import UTC, datetime
from io import BytesIO
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays
from pydicom.dataset import Dataset
from pydicom.filewriter import dcmwrite
from pydicom.uid import ExplicitVRBigEndian, ExplicitVRLittleEndian

from schemas.facts import PixelStatistics
from services.intake.image_check import check_image
from services.intake.image_files import ImageFolder
from services.intake.image_header import ImageHeader
from services.intake.pixel_statistics import pixel_statistics
from tests.intake_support import encoded, make_image

ZONE = ZoneInfo("Europe/Vienna")
RECEIVED = datetime(2026, 3, 2, 10, 0, tzinfo=UTC)


@settings(deadline=None, max_examples=60)
@given(
    values=arrays.arrays(
        np.uint16, arrays.array_shapes(min_dims=2, max_dims=2, min_side=2, max_side=12)
    ),
    bits=st.sampled_from([8, 12, 14, 16]),
)
def test_a_small_image_is_counted_whole(values: Any, bits: int) -> None:
    # given: what plain counting finds
    kept = (values & ((1 << bits) - 1)).astype(int)
    span = (1 << bits) - 1

    # when
    found = pixel_statistics(values, bits_stored=bits)

    # then
    assert (found.minimum, found.maximum) == (kept.min(), kept.max())
    assert found.median == np.median(kept)
    assert found.low_share == (kept <= span / 100).mean()
    assert found.high_share == (kept >= span - span / 100).mean()


def test_signed_values_are_read_in_two_s_complement() -> None:
    values = np.array([[-2048, -1], [0, 2047]], dtype=np.int16).view(np.uint16)

    found = pixel_statistics(values, bits_stored=12, signed=True)

    assert (found.minimum, found.maximum, found.median) == (-2048, 2047, -0.5)


def test_a_border_without_any_variation_is_told() -> None:
    values = np.arange(20 * 30, dtype=np.uint16).reshape(20, 30)
    assert pixel_statistics(values, bits_stored=12).border_share == 0.0

    values[:, -1] = 4095

    assert pixel_statistics(values, bits_stored=12).border_share == 1.0


def test_a_large_image_is_sampled_over_all_its_columns() -> None:
    # given: one column in a thousand is bright
    values = np.full((2000, 1000), 7, dtype=np.uint16)
    values[:, 999] = 4000

    # when
    found = pixel_statistics(values, bits_stored=12)

    # then
    assert (found.minimum, found.maximum) == (7, 4000)
    assert found.high_share == 0.0
    assert found.low_share == pytest.approx(0.999, abs=2e-4)


def checked(tmp_path: Path, image: Dataset, syntax: str, data: bytes) -> ImageHeader:
    folder = ImageFolder(tmp_path, 0, 10_000_000)
    file = folder.new_file()
    file.begin(image.SOPClassUID, image.SOPInstanceUID, syntax)
    file.write(data)
    header = check_image(file, ZONE, RECEIVED, pixel_statistics=True)
    file.discard()
    return header


def test_a_written_file_is_looked_at_where_its_pixels_lie(tmp_path: Path) -> None:
    pixels = np.arange(32 * 24, dtype="<u2").reshape(32, 24)
    image = make_image(PixelData=pixels.tobytes(), PhotometricInterpretation="MONOCHROME1")

    header = checked(tmp_path, image, ExplicitVRLittleEndian, encoded(image))

    found = header.fields["pixels"]
    assert isinstance(found, PixelStatistics)
    assert (found.minimum, found.maximum, found.median) == (0, 767, 383.5)
    assert (found.bits_stored, found.inverted) == (12, True)


@pytest.mark.parametrize(
    "changes",
    [
        {"BitsStored": None},
        {"BitsStored": 99},
        {"HighBit": 15},
        {"SamplesPerPixel": 2, "Columns": 12},
        {"PhotometricInterpretation": None},
    ],
)
def test_odd_attributes_leave_the_statistics_out_and_keep_the_image(
    tmp_path: Path, changes: dict[str, Any]
) -> None:
    image = make_image(**changes)

    header = checked(tmp_path, image, ExplicitVRLittleEndian, encoded(image))

    assert header.fields["pixels"] is None
    assert header.sop_instance_uid == image.SOPInstanceUID


def test_pixels_of_big_endian_are_not_looked_at(tmp_path: Path) -> None:
    image = make_image()
    image.file_meta.TransferSyntaxUID = ExplicitVRBigEndian
    buffer = BytesIO()
    dcmwrite(buffer, image, implicit_vr=False, little_endian=False, enforce_file_format=False)
    content = buffer.getvalue()
    data = content[content.index(b"\x00\x08\x00\x16") :]

    header = checked(tmp_path, image, ExplicitVRBigEndian, data)

    assert header.fields["pixels"] is None
