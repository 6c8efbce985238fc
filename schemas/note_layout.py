"""The sections of a note, in their order, and which of them a person may write in."""

from typing import NamedTuple


class Part(NamedTuple):
    """One section's name and title. ``for_vet`` marks a prompt that only a vet fills."""

    name: str
    title: str
    for_vet: bool = False
    amendable: bool = True


PATIENT = Part("patient", "Patient and study", amendable=False)
INDICATION = Part("indication", "Indication")
ANAESTHESIA = Part("anaesthesia", "Anaesthesia")
VIEWS = Part("views", "Views obtained and not obtained")
TECHNIQUE = Part("technique", "Technique")
REPEATS = Part("repeats", "Repeats and rejected images")
DOSE = Part("dose", "Dose to the patient")
LIMITATIONS = Part("limitations", "Limitations")
UNSURE_LINKS = Part("unsure-links", "Images whose exposure is not sure")
FINDINGS: dict[str, Part] = {
    region: Part(f"findings-{region}", f"Findings, {words} (the vet fills this)", for_vet=True)
    for region, words in (
        ("maxilla-right", "right maxilla"),
        ("maxilla-left", "left maxilla"),
        ("mandible-left", "left mandible"),
        ("mandible-right", "right mandible"),
    )
}
INTERPRETATION = Part(
    "interpretation", "Interpretation and plan (the vet fills this)", for_vet=True
)
CAUTIONS = Part("cautions", "Cautions", amendable=False)

PARTS: tuple[Part, ...] = (
    PATIENT,
    INDICATION,
    ANAESTHESIA,
    VIEWS,
    TECHNIQUE,
    REPEATS,
    DOSE,
    LIMITATIONS,
    UNSURE_LINKS,
    *FINDINGS.values(),
    INTERPRETATION,
    CAUTIONS,
)
"""Every section that a note may have. Whether a finding's region is shown depends on the study."""

PART_BY_NAME: dict[str, Part] = {part.name: part for part in PARTS}

_REGION_OF_QUADRANT = {
    1: "maxilla-right",
    2: "maxilla-left",
    3: "mandible-left",
    4: "mandible-right",
}


def region_of(tooth: int) -> str:
    """Name the jaw quadrant of a tooth.

    Modified Triadan: the hundreds are the quadrant, 1 to 4 permanent and 5 to 8 deciduous
    (Floyd, J Vet Dent 1991;8(4):18-19; from memory).
    """
    return _REGION_OF_QUADRANT[(tooth // 100 - 1) % 4 + 1]
