"""Why an image is rejected: DICOM PS3.16 CID 7011, 'Rejected for Quality Reasons'.

``tests/outside`` compares codes and meanings with pydicom's copy of the table. Their order is ours.
"""

from typing import Final

from schemas.teeth import Code

REJECT_REASONS: Final[tuple[Code, ...]] = tuple(
    Code(value, "DCM", meaning)
    for value, meaning in (
        ("111209", "Positioning"),
        ("111210", "Motion blur"),
        ("111211", "Under exposed"),
        ("111212", "Over exposed"),
        ("111213", "No image"),
        ("113026", "Double exposure"),
        ("111214", "Detector artifact(s)"),
        ("111207", "Image artifact(s)"),
        ("111215", "Artifact(s) other than grid or detector artifact"),
        ("111208", "Grid artifact(s)"),
        ("111219", "Inappropriate image processing"),
        ("111216", "Mechanical failure"),
        ("111217", "Electrical failure"),
        ("111218", "Software failure"),
        ("111220", "Other failure"),
        ("111221", "Unknown failure"),
    )
)
_MEANINGS: Final = {code.value: code.meaning for code in REJECT_REASONS}


def reject_meaning(value: str) -> str | None:
    """Say a reason's code in the table's words; None for a code that the table does not have."""
    return _MEANINGS.get(value)
