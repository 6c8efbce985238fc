"""What an acknowledgement of HL7 v2.5.1 says, and what that means for a posting. Pure.

Codes of MSA-1: table 0008; conditions of ERR-3: table 0357 (both held against hl7apy's by the
tests). AE and CE find fault with the content: for a person. AR and CR do so only where ERR-3
says it; else they are for the type, processing id or version, or the record cannot work now and
the same message may be sent again later (section 2.9.2.2; from memory).
"""

from dataclasses import dataclass
from typing import Final

import hl7

from services.records.adapters.hl7_text import CODECS, unescaped
from services.records.port import RecordRefused, RecordUnavailable, Rejected

CODES: Final = frozenset({"AA", "AE", "AR", "CA", "CE", "CR"})
_OF_CONTENT: Final = frozenset({"100", "101", "102", "103", "204", "205"})
_OF_SET_UP: Final = frozenset({"200", "201", "202", "203"})
_LOCKED: Final = "206"
_DUPLICATE_KEY: Final = "205"
_MOST_SEPARATORS: Final = 2_000
"""Each costs the parser an object; an acknowledgement has some dozens."""


@dataclass(frozen=True, slots=True)
class Acknowledgement:
    """MSA and ERR of an answer; ``wants_answer`` where it asks for a commit answer itself."""

    code: str
    control_id: str
    own_control_id: str
    wants_answer: bool
    conditions: tuple[str, ...]
    words: str

    def refusal(self) -> Rejected | None:
        """Read it as the record's last word: None where the record has taken the message.

        Raises RecordUnavailable where it may be sent again later, and RecordRefused where a
        person must see to how the record is set up.
        """
        if self.code[1] == "A":
            return None
        words = f"{self.code}: {self.words or '(the record gave no reason)'}"
        if _LOCKED in self.conditions:
            raise RecordUnavailable(words)
        if self.code[1] == "E" or _OF_CONTENT.intersection(self.conditions):
            if _DUPLICATE_KEY in self.conditions:
                words += " (the record may hold it already: look before it is charged by hand)"
            return Rejected(words)
        if _OF_SET_UP.intersection(self.conditions):
            raise RecordRefused(f"the record does not take our messages: {words}")
        raise RecordUnavailable(words)


def read_answer(body: bytes) -> Acknowledgement | None:
    """Read an answer; None for what is no acknowledgement."""
    head = body[:4_000].split(b"\r", 1)[0].split(body[3:4] or b"|")
    told = head[17].decode("ascii", "replace") if len(head) > 17 else ""
    text = body.decode(CODECS.get(told, "utf-8"), "replace").replace("\r\n", "\r")
    text = text.replace("\n", "\r").strip("\r ")
    if not text.startswith("MSH|^~\\&|") or sum(map(text.count, "|^~&\r")) > _MOST_SEPARATORS:
        return None
    try:
        message = hl7.parse(text)
        code, control_id = _field(message, "MSA", 1).upper(), _field(message, "MSA", 2)
    except (hl7.HL7Exception, ValueError, IndexError, KeyError, AssertionError):
        return None
    if code not in CODES or not control_id:
        return None
    errors = [line for line in message if _component(line, 0) == "ERR"]
    words = [_component(line, 8) or _component(line, 7) for line in errors]
    words = [*filter(None, words)] or [_component(line, 3, 2) for line in errors]
    words.insert(0, _field(message, "MSA", 3))
    return Acknowledgement(
        code=code,
        control_id=control_id,
        own_control_id=_field(message, "MSH", 10),
        wants_answer=code[0] == "A" and _field(message, "MSH", 15) in {"AL", "SU"},
        conditions=tuple(filter(None, (_component(line, 3) for line in errors))),
        words="; ".join(dict.fromkeys(unescaped(word) for word in words if word)),
    )


def _field(message: hl7.Message, name: str, number: int) -> str:
    """Give the first component of a field of the first such segment (KeyError for none)."""
    return _component(message.segment(name), number)


def _component(line: hl7.Segment, number: int, component: int = 1) -> str:
    if len(line) <= number:
        return ""
    parts = str(line[number]).split("~")[0].split("^")
    return parts[component - 1] if len(parts) >= component else ""
