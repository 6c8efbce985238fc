"""A file to import whose beginning is broken is refused alone; the import goes on."""

from __future__ import annotations

from pathlib import Path

import pytest
from pydicom.uid import ExplicitVRLittleEndian

from schemas.errors import InvalidInput
from services.intake.commands import _copy_in
from services.intake.file_meta import file_head
from services.intake.image_files import ImageFolder
from tests.intake_support import INTRAORAL, encoded, make_image

HEAD = file_head(INTRAORAL, "2.25.70001", ExplicitVRLittleEndian)
GROUP_LENGTH = HEAD[132:144]
SYNTAX = ExplicitVRLittleEndian.encode() + b"\x00"


@pytest.mark.parametrize(
    "head",
    [
        pytest.param(HEAD.replace(GROUP_LENGTH, GROUP_LENGTH[:6] + b"\x03\x00abcd"), id="length"),
        pytest.param(HEAD.replace(b"\x02\x00\x10\x00UI", b"\x02\x00\x10\x00ZZ"), id="no such VR"),
        pytest.param(HEAD.replace(SYNTAX, b"\\" * len(SYNTAX)), id="many empty values"),
        pytest.param(HEAD.replace(b"2.25.70001", b"2.25 70001"), id="no UID"),
    ],
)
def test_a_file_whose_meta_information_is_broken_is_refused(head: bytes, tmp_path: Path) -> None:
    assert head != HEAD
    path = tmp_path / "one.dcm"
    path.write_bytes(head + encoded(make_image()))
    file = ImageFolder(tmp_path / "images", 0, 1_000_000).new_file()

    try:
        with pytest.raises(InvalidInput):
            _copy_in(path, file)
    finally:
        file.discard()
