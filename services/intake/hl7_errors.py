"""What may be wrong with an HL7 v2 message: where, by the standard's code, with our words."""

from dataclasses import dataclass
from enum import Enum
from typing import Any

from schemas.errors import InvalidInput


class ErrorCode(Enum):
    """HL7 table 0357, message error condition codes (v2.5.1 chapter 2; from memory)."""

    SEGMENT_SEQUENCE = ("100", "Segment sequence error")
    REQUIRED_FIELD_MISSING = ("101", "Required field missing")
    DATA_TYPE = ("102", "Data type error")
    TABLE_VALUE_NOT_FOUND = ("103", "Table value not found")
    UNSUPPORTED_MESSAGE_TYPE = ("200", "Unsupported message type")
    UNSUPPORTED_EVENT = ("201", "Unsupported event code")
    UNSUPPORTED_PROCESSING_ID = ("202", "Unsupported processing id")
    UNSUPPORTED_VERSION = ("203", "Unsupported version id")
    UNKNOWN_KEY = ("204", "Unknown key identifier")
    DUPLICATE_KEY = ("205", "Duplicate key identifier")
    INTERNAL = ("207", "Application internal error")


REJECTING = frozenset(
    {
        ErrorCode.UNSUPPORTED_MESSAGE_TYPE,
        ErrorCode.UNSUPPORTED_EVENT,
        ErrorCode.UNSUPPORTED_PROCESSING_ID,
        ErrorCode.UNSUPPORTED_VERSION,
        ErrorCode.INTERNAL,
    }
)
"""Answered by 'reject': the message is not for us, or we cannot take any now. Every other one
is an error of its content (v2.5.1 section 2.9.2; from memory)."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where in a message: ``PID-3.1``, or ``OBX(2)-5`` for the second of its kind."""

    segment: str
    field: int | None = None
    component: int | None = None
    sequence: int = 1
    repetition: int = 1

    def __str__(self) -> str:
        text = self.segment if self.sequence == 1 else f"{self.segment}({self.sequence})"
        if self.field is not None:
            text += f"-{self.field}"
            if self.repetition > 1:
                text += f"[{self.repetition}]"
            if self.component is not None:
                text += f".{self.component}"
        return text


class Hl7Refused(InvalidInput):
    """A message that cannot be taken; carries the place and the standard's code."""

    def __init__(
        self,
        place: Place,
        value: Any,
        expected: str,
        code: ErrorCode = ErrorCode.TABLE_VALUE_NOT_FOUND,
    ) -> None:
        super().__init__(str(place), value, expected)
        self.place = place
        self.code = code


def missing(place: Place, expected: str) -> Hl7Refused:
    """Make the refusal of a message that lacks something it needs."""
    return Hl7Refused(place, "", expected, ErrorCode.REQUIRED_FIELD_MISSING)
