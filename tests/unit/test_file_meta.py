"""What precedes a data set in a file, against pydicom and pynetdicom."""

from __future__ import annotations

from io import BytesIO

import pytest
from pydicom.filereader import read_preamble
from pydicom.uid import JPEG2000Lossless
from pynetdicom.dsutils import create_file_meta, encode_file_meta

from schemas.errors import InvalidInput
from services.intake.file_meta import file_head
from tests.intake_support import INTRAORAL


@pytest.mark.parametrize("instance", ["2.25.70001", "2.25.700011", "1." * 31 + "22"])
def test_it_is_what_pynetdicom_encodes(instance: str) -> None:
    head = file_head(INTRAORAL, instance, JPEG2000Lossless)

    stream = BytesIO(head)
    assert read_preamble(stream, force=False) == bytes(128)
    meta = encode_file_meta(
        create_file_meta(
            sop_class_uid=INTRAORAL, sop_instance_uid=instance, transfer_syntax=JPEG2000Lossless
        )
    )
    assert head[132:] == meta


@pytest.mark.parametrize("uid", ["", "2.25.x", "2.25.1\x00", "1" * 65, "2.25.²"])
def test_what_cannot_be_a_uid_is_refused(uid: str) -> None:
    with pytest.raises(InvalidInput, match="expected a UID"):
        file_head(INTRAORAL, uid, JPEG2000Lossless)
