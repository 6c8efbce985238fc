"""What a new revision changed in what was said before: links that are no longer the same."""

from collections.abc import Iterator
from typing import Final

from schemas.conclusions import StudyAssessed

FIRST_REVISION: Final = 1
_MOST: Final = 50
"""Links that a revision names; the number is invented."""


def link_changes(before: StudyAssessed, now: StudyAssessed) -> tuple[str, ...]:
    """Tell which images were linked to another exposure before, in plain words.

    A link that is new, where there was none, is no change of what was said.
    """
    return tuple(_changes(before, now))[:_MOST]


def _changes(before: StudyAssessed, now: StudyAssessed) -> Iterator[str]:
    linked = {image.sop_instance_uid: image.exposure_key for image in now.images}
    for image in before.images:
        uid, was = image.sop_instance_uid, image.exposure_key
        if was is not None and linked.get(uid) != was:
            to = linked.get(uid)
            stands = f"now to {to}" if to is not None else "now to none"
            yield (f"Image {uid} was linked to {was} at revision {before.revision}, {stands}.")
    kept = {exposure.exposure_key for exposure in now.exposures}
    for exposure in before.exposures:
        if exposure.exposure_key not in kept:
            yield (
                f"Exposure {exposure.exposure_key} was of this study at revision "
                f"{before.revision}, and is no longer."
            )
