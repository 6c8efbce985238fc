"""How DICOM objects that we write say that they are ours.

Whoever reads one back must not take its figures for what a device told.
"""

from typing import Final

MANUFACTURER: Final = "gomphosis"
DOSE_REPORT_MODEL: Final = "dose report"
