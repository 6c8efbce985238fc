"""An image whose size cannot be read is refused by name, however its values are broken."""

from __future__ import annotations

import struct
import subprocess
import sys
import tracemalloc
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from pydicom.uid import ExplicitVRLittleEndian

from schemas.errors import InvalidInput
from services.intake.image_check import check_image
from services.intake.image_files import ImageFolder, IncomingFile
from services.intake.image_header import ImageHeader
from tests.intake_support import INTRAORAL, encoded, make_image

ZONE = ZoneInfo("Europe/Vienna")
RECEIVED = datetime(2026, 3, 2, 10, 0, tzinfo=UTC)
ROOT = Path(__file__).parents[2]
COLUMNS = struct.pack("<HH2sHH", 0x0028, 0x0011, b"US", 2, 24)


@pytest.fixture
def file(tmp_path: Path) -> Iterator[IncomingFile]:
    file = ImageFolder(tmp_path, 0, 1_000_000).new_file()
    file.begin(INTRAORAL, "2.25.70001", ExplicitVRLittleEndian)
    yield file
    file.discard()


def check(file: IncomingFile, data_set: bytes) -> ImageHeader:
    file.write(data_set)
    return check_image(file, ZONE, RECEIVED, pixel_statistics=True)


@pytest.mark.parametrize(
    "broken",
    [
        pytest.param(struct.pack("<HH2sH3s", 0x28, 0x11, b"US", 3, b"abc"), id="odd length"),
        pytest.param(struct.pack("<HH2sHH", 0x28, 0x11, b"ZZ", 2, 24), id="no such VR"),
        pytest.param(struct.pack("<HH2sH4s", 0x28, 0x11, b"LO", 4, b"many"), id="a word"),
        pytest.param(struct.pack("<HH2sHHH", 0x28, 0x11, b"US", 4, 24, 24), id="two numbers"),
        pytest.param(struct.pack("<HH2sH", 0x28, 0x11, b"US", 0), id="empty"),
    ],
)
def test_columns_that_cannot_be_read_are_refused_by_name(file: IncomingFile, broken: bytes) -> None:
    data_set = encoded(make_image())
    assert COLUMNS in data_set

    with pytest.raises(InvalidInput) as refusal:
        check(file, data_set.replace(COLUMNS, broken))

    assert refusal.value.field == "Rows (0028,0010)"


@pytest.mark.parametrize("size_bytes", [900_000, 5_000_000])
def test_a_text_of_very_many_values_is_refused_in_bounded_memory(
    tmp_path: Path, size_bytes: int
) -> None:
    # given: pydicom takes 80 bytes for each value, so that an image of 10 MB took 800 MB
    file = ImageFolder(tmp_path, 0, 10_000_000).new_file()
    file.begin(INTRAORAL, "2.25.70001", ExplicitVRLittleEndian)
    text = struct.pack("<HH2sxxL", 0x18, 0x60, b"UC", size_bytes) + b"\\" * size_bytes

    # when
    tracemalloc.start()
    try:
        with pytest.raises(InvalidInput, match=r"^KVP \(0018,0060\)"):
            check(file, encoded(make_image(KVP=None)).replace(COLUMNS, text + COLUMNS))
        peak_bytes = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
        file.discard()

    # then: no more than the copies that the test itself made
    assert peak_bytes < 4 * size_bytes


def test_a_strange_character_set_is_not_printed(tmp_path: Path) -> None:
    # In a process of its own, since pytest sets its own filters for warnings.
    data_set = encoded(make_image(SpecificCharacterSet="ISO_IR 999"))
    (tmp_path / "data-set").write_bytes(data_set)
    script = f"""
from pathlib import Path
from tests.unit import test_image_check as there
file = there.ImageFolder(Path({str(tmp_path)!r}), 0, 1_000_000).new_file()
file.begin(there.INTRAORAL, "2.25.70001", there.ExplicitVRLittleEndian)
there.check(file, Path({str(tmp_path / "data-set")!r}).read_bytes())
"""

    ran = subprocess.run(
        [sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, check=True
    )

    assert "ISO_IR 999" not in ran.stderr
