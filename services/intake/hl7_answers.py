"""Acknowledgements of HL7 v2.5.1: original and enhanced mode. Pure but for the ids it draws.

Sections 2.9.2 and 2.9.3 (from memory), with tables 0008 (its codes and their modes read at
hl7.eu/refactored/tab0008.html) and 0155; tests hold both against hl7apy's. In original mode one
answer: AA, AE or AR. In enhanced mode, which the sender asks for by MSH-15 or MSH-16, a commit
answer (CA, CE, CR) if MSH-15 wants it and an application answer if MSH-16 does, in this order, on
the same connection. We answer only once all is committed, so the two always agree.
"""

import secrets
from collections.abc import Sequence
from datetime import datetime
from enum import StrEnum
from typing import Final

from services.intake.hl7_errors import REJECTING, Hl7Refused
from services.intake.hl7_escapes import CHARACTER_SETS, escaped
from services.intake.hl7_message import Segment
from services.intake.hl7_times import written

VERSION: Final = "2.5.1"
_SEPARATORS: Final = "|^~\\&"
_LONGEST_TEXT: Final = 250

_APPLICATION_ANSWER: Final = {"ORM": "ORR^O02^ORR_O02", "OMG": "ORG^O20^ORG_O20"} | {
    "OMI": "ORI^O24^ORI_O24"
}
"""Orders have answers of their own (v2.5.1 chapter 4; names run: hl7apy)."""


class Verdict(StrEnum):
    """The second letter of the acknowledgement code."""

    ACCEPT = "A"
    ERROR = "E"
    REJECT = "R"


def verdict_of(refusal: Hl7Refused | None) -> Verdict:
    """Tell how a message is answered."""
    if refusal is None:
        return Verdict.ACCEPT
    return Verdict.REJECT if refusal.code in REJECTING else Verdict.ERROR


def answers(
    header: Segment | None,
    verdict: Verdict,
    refusals: Sequence[Hl7Refused],
    now: datetime,
) -> list[bytes]:
    """Write the answers that the sender asked for: none, one or two."""
    commit = header.text(15).upper() if header is not None else ""
    application = header.text(16).upper() if header is not None else ""
    if not commit and not application:
        return [_answer(header, "A", verdict, refusals, now)]
    made = []
    if _wanted(commit, verdict):
        made.append(_answer(header, "C", verdict, refusals, now))
    if _wanted(application, verdict):
        made.append(_answer(header, "A", verdict, refusals, now, enhanced=True))
    return made


def _wanted(condition: str, verdict: Verdict) -> bool:
    """Read a condition of table 0155; what is not told beside the other is 'never'."""
    if condition == "ER":
        return verdict is not Verdict.ACCEPT
    if condition == "SU":
        return verdict is Verdict.ACCEPT
    return condition not in {"", "NE"}


def _answer(
    header: Segment | None,
    level: str,
    verdict: Verdict,
    refusals: Sequence[Hl7Refused],
    now: datetime,
    *,
    enhanced: bool = False,
) -> bytes:
    told = header.text(18) if header is not None else ""
    character_set = told if told in CHARACTER_SETS else ""
    codec = CHARACTER_SETS.get(character_set, "ascii")
    msh = _header(header, level, now, character_set, codec, enhanced=enhanced)
    control_id = header.text(10) if header is not None else ""
    msa = f"MSA|{level}{verdict}|{escaped(control_id, _SEPARATORS, codec)}"
    segments = [msh, msa, *(_error(refusal, codec) for refusal in refusals)]
    return ("\r".join(segments) + "\r").encode(codec)


def _header(
    header: Segment | None,
    level: str,
    now: datetime,
    character_set: str,
    codec: str,
    *,
    enhanced: bool,
) -> str:
    def echo(field: int) -> str:
        if header is None:
            return ""
        parts = (header.text(field, component) for component in (1, 2, 3))
        return "^".join(escaped(part, _SEPARATORS, codec) for part in parts).rstrip("^")

    fields = [
        "MSH",
        "^~\\&",
        echo(5),
        echo(6),
        echo(3),
        echo(4),
        written(now),
        "",
        _type(header, level),
        secrets.token_hex(10),
        _processing_id(header),
        VERSION,
        "",
        "",
        # An answer wants no answer: without this two sides could go on for ever.
        "NE" if enhanced else "",
        "NE" if enhanced else "",
        "",
        character_set,
    ]
    return "|".join(fields).rstrip("|")


def _processing_id(header: Segment | None) -> str:
    """Give the sender's own (table 0103; from memory), or that of production."""
    told = header.text(11) if header is not None else ""
    return told if told in {"D", "P", "T"} else "P"


def _type(header: Segment | None, level: str) -> str:
    if header is None:
        return "ACK"
    own = _APPLICATION_ANSWER.get(header.text(9))
    if level == "A" and own is not None:
        return own
    event = header.text(9, 2)
    known = len(event) == 3 and event.isascii() and event.isalnum()
    return f"ACK^{event}^ACK" if known else "ACK"


def _error(refusal: Hl7Refused, codec: str) -> str:
    place = refusal.place
    position = [place.segment, str(place.sequence)]
    if place.field is not None:
        position += [str(place.field), str(place.repetition)]
        if place.component is not None:
            position.append(str(place.component))
    number, text = refusal.code.value
    words = escaped(str(refusal)[:_LONGEST_TEXT], _SEPARATORS, codec)
    location = "^".join(escaped(part, _SEPARATORS, codec) for part in position)
    return f"ERR||{location}|{number}^{text}^HL70357|E||||{words}"
