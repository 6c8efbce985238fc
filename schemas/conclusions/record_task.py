"""What keeps every posting from the patient record: a task for a person."""

from datetime import datetime
from typing import Annotated, Any, ClassVar

from pydantic import Field

from schemas.base import Name, Text, UtcTime
from schemas.envelope import Payload


class RecordTask(Payload):
    """Nothing can be posted until a person acts: TLS or credentials, on our side or the record's.

    Told once when the fault ``fault`` is met, and once more with ``mended_at`` when the record
    answers again; ``revision`` counts both. ``record`` is the adapter's name, with ``-lines``
    where it was met while lines were read back. The envelope's site is that of the posting or of
    the lines: a record is one for the whole group. The postings wait, and go out by themselves.
    """

    KIND: ClassVar[str] = "record_task"

    revision: Annotated[int, Field(ge=1)]
    record: Name
    fault: Name
    since: UtcTime
    words: Text
    next_action: Text
    mended_at: UtcTime | None = None

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "revision": 1,
            "record": "fhir",
            "fault": "certificate-10",
            "since": "2026-03-02T09:00:00Z",
            "words": "FHIR server: the record's certificate has expired",
            "next_action": "have the record's certificate renewed",
        },
    )

    def natural_key(self, occurred_at: datetime) -> str:
        del occurred_at
        return f"record-task:{self.record}:{self.revision}"
