"""A posting that waits for a code of the record: a task for a person."""

from datetime import datetime
from typing import Annotated, Any, ClassVar

from pydantic import Field

from schemas.base import Contract, Name, Text, Uid
from schemas.envelope import Payload
from schemas.facts.desk import PostingKey
from schemas.facts.image import ShortText


class MissingCode(Contract):
    """A code of ours that the group's codes file lacks: ``line`` is to be added at ``place``."""

    table: Name
    code: ShortText
    place: Text
    line: Text

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "table": "charges",
            "code": "INV-DOG-FIRST",
            "place": "group/posted_codes.yaml, below line 7",
            "line": "  INV-DOG-FIRST: '<the code of the record>'",
        },
    )


class CodesMissing(Payload):
    """A posting waits, for the record's codes of it are not known; told once until that changes.

    It goes out by itself once the file has them. ``PostingAnswered`` of its key ends the task.
    """

    KIND: ClassVar[str] = "codes_missing"

    posting_key: PostingKey
    study_instance_uid: Uid
    patient_id: ShortText
    missing: Annotated[tuple[MissingCode, ...], Field(min_length=1)]
    words: Text
    next_action: Text

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "posting_key": "charge:2.25.1001:1",
            "study_instance_uid": "2.25.1001",
            "patient_id": "P-1001",
            "missing": [MissingCode.EXAMPLES[0]],
            "words": "charge:2.25.1001:1 waits: no code of the record for charges.INV-DOG-FIRST",
            "next_action": "Add the line; the posting goes out by itself within a minute.",
        },
    )

    def natural_key(self, occurred_at: datetime) -> str:
        codes = ",".join(f"{one.table}.{one.code}" for one in self.missing)
        return f"codes-missing:{self.posting_key}:{codes}:{occurred_at.isoformat()}"
