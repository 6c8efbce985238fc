"""The image that raw peers send a fragment at a time, and whether it was kept."""

from __future__ import annotations

from typing import Any

from tests.intake_support import Intake, encoded, make_image
from tests.raw_dicom import COMMAND, LAST, fragment, store_command

IMAGE = encoded(make_image())
UID_OF_IMAGE = "2.25.70001"


def whole_command(instance: str = UID_OF_IMAGE, **changes: Any) -> bytes:
    return fragment(COMMAND | LAST, store_command(instance, **changes))


def assert_the_image_is_kept_once(intake: Intake) -> None:
    (fact,) = intake.facts("image_stored")
    path = fact.payload.path  # type: ignore[attr-defined]
    assert intake.kept_files() == [path]
    assert (intake.images / path).read_bytes().endswith(IMAGE)
