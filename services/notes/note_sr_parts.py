"""What the parts of a note are called in its structured report: heading, and code of the text.

Headings are of PS3.16 CID 7001, as pydicom has them. The group of the texts (CID 7002) has no word
for most parts: it is a baseline that codes of one's own may take the place of.
"""

from typing import Final

from schemas.note_layout import (
    ANAESTHESIA,
    CAUTIONS,
    DOSE,
    FINDINGS,
    INDICATION,
    INTERPRETATION,
    LIMITATIONS,
    PATIENT,
    REPEATS,
    TECHNIQUE,
    UNSURE_LINKS,
    VIEWS,
)
from schemas.own_objects import NOTE_SCHEME
from schemas.teeth import Code


def _loinc(value: str, meaning: str) -> Code:
    return Code(value, "LN", meaning)


TITLE: Final = _loinc("18748-4", "Diagnostic Imaging Report")
SUMMARY: Final = _loinc("55112-7", "Summary")
ADDENDUM: Final = _loinc("55107-7", "Addendum")
_PROCEDURE: Final = _loinc("55111-9", "Current Procedure Descriptions")
_FINDINGS: Final = _loinc("59776-5", "Findings")

_HEADINGS: Final = {
    PATIENT.name: _loinc("55752-0", "Clinical Information"),
    INDICATION.name: _loinc("18785-6", "Indications for Procedure"),
    ANAESTHESIA.name: _PROCEDURE,
    VIEWS.name: _PROCEDURE,
    TECHNIQUE.name: _PROCEDURE,
    REPEATS.name: _PROCEDURE,
    DOSE.name: _loinc("73569-6", "Radiation Exposure and Protection Information"),
    LIMITATIONS.name: _PROCEDURE,
    UNSURE_LINKS.name: _PROCEDURE,
    **{part.name: _FINDINGS for part in FINDINGS.values()},
    INTERPRETATION.name: _loinc("19005-8", "Impressions"),
    CAUTIONS.name: SUMMARY,
}
_SHORT: Final = {
    # A code value has at most 16 characters (PS3.5 6.2, SH; from memory).
    "findings-maxilla-right": "findings-max-r",
    "findings-maxilla-left": "findings-max-l",
    "findings-mandible-left": "findings-man-l",
    "findings-mandible-right": "findings-man-r",
}
_LONGEST_CODE: Final = 16
_LONGEST_MEANING: Final = 64

STANDING: Final = Code("standing", NOTE_SCHEME, "How the note stands")
ADDED: Final = Code("addendum", NOTE_SCHEME, "Addendum")
NOT_WRITTEN: Final = Code("121106", "DCM", "Comment")
"""What says that there is no text: it must not be read as a finding."""
SHOWS_VIEW: Final = Code("view-image", NOTE_SCHEME, "Image of a planned view")


def heading_of(section: str) -> Code:
    """Give the heading under which a section stands; one that we do not know is a procedure's."""
    return _HEADINGS.get(section, _PROCEDURE)


def text_code(section: str, title: str) -> Code:
    """Give the code of a section's text."""
    value = _SHORT.get(section, section[:_LONGEST_CODE])
    return Code(value, NOTE_SCHEME, title[:_LONGEST_MEANING])
