"""How a FHIR record says that its books are closed for the day of a charge. Data of the group."""

from typing import Any, ClassVar

from schemas.base import Contract
from schemas.mappings.record_code import System
from schemas.mappings.record_codes import Word


class ClosedPeriod(Contract):
    """The code in ``issue.details`` of the OperationOutcome with which it refuses the charge.

    FHIR R4 has none of its own: Account.status (account-status 4.0.1, read) is of one account, not
    of a period, and the codes of issue-type know no period either (from memory).
    ``next_day_extension`` is the URL of an extension of the issue that holds the first open day as
    ``valueDate``; without one, or where it is not told, the charge goes under today.
    """

    code: Word
    system: System | None = None
    next_day_extension: System | None = None

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "system": "https://record.invalid/refusals",
            "code": "INV-PERIOD-CLOSED",
            "next_day_extension": "https://record.invalid/first-open-day",
        },
    )
