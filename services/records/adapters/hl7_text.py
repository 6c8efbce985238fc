"""How HL7 v2.5.1 writes text, times and segments, and short ids of ours. Pure.

Escape sequences: section 2.7; times: section 2.A.22 (both from memory; the tests hold what is
written against two libraries).
"""

import re
from base64 import b32encode
from collections.abc import Mapping
from datetime import UTC, datetime
from hashlib import sha256
from typing import Final

SEPARATORS: Final = "|^~\\&"
CODECS: Final = {"UNICODE UTF-8": "utf-8", "8859/1": "iso-8859-1", "ASCII": "ascii"}
"""Character sets of MSH-18 (table 0211) that can be chosen, by Python's names."""

_NAMES: Final = dict(zip(SEPARATORS, "FSRET", strict=True))
_MEANING: Final = {name: mark for mark, name in _NAMES.items()} | {".br": "\n"}
_SEQUENCE: Final = re.compile(r"\\(?:([FSRET]|\.br)|X((?:[0-9A-Fa-f]{2})+))\\")


def escaped(text: str) -> str:
    """Write text so that it may stand in a field. Line breaks and other controls become hex."""
    if text == '""':
        return "\\X2222\\"  # the two marks alone would mean 'delete this value'
    return "".join(_escaped(character) for character in text)


def shortened(text: str, length: int) -> str:
    """Write as much of a text as fits a length with its escapes; three dots show an end."""
    whole = escaped(text)
    kept = text[:length]
    while len(whole) > length:
        kept = kept[:-1]
        whole = escaped(kept) + "..."
    return whole


def formatted(text: str) -> str:
    """Write lines of text as formatted text (FT), with its own line break."""
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    return "\\.br\\".join("".join(map(_escaped, line)) for line in lines)


def unescaped(text: str) -> str:
    """Read a record's words; what we do not know stays as it was told."""

    def meant(found: re.Match[str]) -> str:
        if found[1]:
            return _MEANING[found[1]]
        return bytes.fromhex(found[2]).decode("utf-8", "replace")

    return _SEQUENCE.sub(meant, text)


def joined(*parts: str, by: str = "^") -> str:
    """Join components, or with ``by="&"`` subcomponents, that are escaped already."""
    return by.join(parts).rstrip(by)


def segment(name: str, fields: Mapping[int, str]) -> str:
    """Write a segment from its fields by number; they are escaped already."""
    first = 2 if name == "MSH" else 1  # MSH-1 is the separator itself
    values = [fields.get(number, "") for number in range(first, max(fields) + 1)]
    return "|".join([name, *values]).rstrip("|")


def moment(at: datetime) -> str:
    """Write a moment to the second with its offset."""
    return at.astimezone(UTC).strftime("%Y%m%d%H%M%S+0000")


def short_id(text: str, length: int) -> str:
    """Give a stable id of letters and digits, 5 bits to the character.

    With 12 characters (FT1-2), one pair among a million different texts shares an id with a
    chance of about 1 in 2 million.
    """
    return b32encode(sha256(text.encode("utf-8", "surrogatepass")).digest()).decode()[:length]


def _escaped(character: str) -> str:
    if character in _NAMES:
        return f"\\{_NAMES[character]}\\"
    if ord(character) < 0x20 or character == "\x7f":
        return f"\\X{ord(character):02X}\\"
    return character
