"""How DICOM objects that we write say that they are ours.

Whoever reads one back must not take its figures for what a device told.
"""

from typing import Final

MANUFACTURER: Final = "gomphosis"
DOSE_REPORT_MODEL: Final = "dose report"
NOTE_MODEL: Final = "imaging note"

NOTE_SCHEME: Final = "99GMPHNOTE"
"""Our private coding scheme designator of the parts of a note (PS3.16 section 8.2, from memory)."""
