"""What a station tells of the work itself: a performed procedure step, the end of a study."""

from datetime import datetime
from enum import StrEnum
from typing import Any, ClassVar

from schemas.base import Name, Text, Uid
from schemas.envelope import Payload
from schemas.facts.image import ShortText


class StepStatus(StrEnum):
    """Performed Procedure Step Status (0040,0252), PS3.3 table C.4-14 (from memory)."""

    IN_PROGRESS = "in_progress"
    COMPLETED = "completed"
    DISCONTINUED = "discontinued"


class StepPerformed(Payload):
    """A modality performed procedure step reached a state."""

    KIND: ClassVar[str] = "step_performed"

    step_instance_uid: Uid
    study_instance_uid: Uid
    station: Name
    status: StepStatus
    discontinuation_code: ShortText | None = None

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "step_instance_uid": "2.25.2001",
            "study_instance_uid": "2.25.1001",
            "station": "station-1",
            "status": "completed",
        },
    )

    def natural_key(self, occurred_at: datetime) -> str:
        del occurred_at
        return f"step:{self.step_instance_uid}:{self.status}"


class StudyClosed(Payload):
    """A person says that the imaging of this study is over; charges and note may go out.

    Images may still arrive: the assessment, the charges and the note are then revised.
    """

    KIND: ClassVar[str] = "study_closed"

    study_instance_uid: Uid
    remark: Text | None = None

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = ({"study_instance_uid": "2.25.1001"},)

    def natural_key(self, occurred_at: datetime) -> str:
        return f"closed:{self.study_instance_uid}:{occurred_at.isoformat()}"
