"""Escape sequences of HL7 v2 text, and the character sets that MSH-18 names.

v2.5.1 section 2.7 (escape sequences; from memory). The library's own unescaping is not used:
it repeats text as often as a message asks, and logs what it cannot read.
"""

import re
from typing import Final

from services.intake.hl7_errors import ErrorCode, Hl7Refused, Place

CHARACTER_SETS: Final = {
    "ASCII": "ascii",
    "8859/1": "iso-8859-1",
    "UNICODE UTF-8": "utf-8",
}
"""HL7 table 0211 as far as it is read here (names run: hl7apy's table)."""

_HEX: Final = re.compile(r"X((?:[0-9A-Fa-f]{2})+)\Z")
_LINES: Final = frozenset({".br", ".sp", ".ce"})
_SHOWN_AS_NOTHING: Final = frozenset({"H", "N", ".fi", ".nf", ".in", ".ti", ".sk"})
_FORMAT: Final = re.compile(r"(\.[a-z]{2})[+-]?[0-9]*\Z")


def codec_of(character_set: str) -> str:
    """Give Python's name of a character set of MSH-18 (Hl7Refused)."""
    codec = CHARACTER_SETS.get(character_set.strip())
    if codec is None:
        expected = f"one of {', '.join(CHARACTER_SETS)}"
        raise Hl7Refused(Place("MSH", 18), character_set, expected)
    return codec


def unescape(text: str, separators: str, codec: str, place: Place) -> str:
    """Put the characters that escape sequences stand for.

    ``separators`` are field, component, repetition, escape and subcomponent, as MSH-1 and MSH-2
    give them. Highlighting is left out, a line break stays one. A sequence that we do not know
    stays as it was told. Raises Hl7Refused where hexadecimal bytes are no text of the codec.
    """
    escape = separators[3]
    if escape not in text:
        return text
    meaning = dict(zip("FSRET", separators, strict=True))
    parts = text.split(escape)
    made = [parts[0]]
    place_in = 1
    while place_in < len(parts):
        told = parts[place_in]
        closed = place_in + 1 < len(parts)
        read = _read(told, meaning, codec, place) if closed else None
        if read is None:
            made += [escape, told]
            place_in += 1
        else:
            made += [read, parts[place_in + 1]]
            place_in += 2
    return "".join(made)


def escaped(text: str, separators: str, codec: str) -> str:
    """Write text so that it may stand in a field; what the codec lacks becomes ``?``."""
    names = dict(zip(separators, "FSRET", strict=True))
    escape = separators[3]
    made = []
    for character in text:
        if character in names:
            made.append(f"{escape}{names[character]}{escape}")
        elif character in "\r\n":
            made.append(f"{escape}.br{escape}")
        elif ord(character) < 0x20:
            made.append(" ")
        else:
            made.append(character)
    return "".join(made).encode(codec, "replace").decode(codec)


def _read(told: str, meaning: dict[str, str], codec: str, place: Place) -> str | None:
    if told in meaning:
        return meaning[told]
    hexadecimal = _HEX.match(told)
    if hexadecimal is not None:
        expected = f"bytes of the message's character set ({codec}), none of them NUL"
        try:
            text = bytes.fromhex(hexadecimal[1]).decode(codec)
        except UnicodeDecodeError as error:
            raise Hl7Refused(place, told, expected, ErrorCode.DATA_TYPE) from error
        if "\x00" in text:
            raise Hl7Refused(place, told, expected, ErrorCode.DATA_TYPE)
        return text
    formatting = _FORMAT.match(told)
    name = formatting[1] if formatting is not None else told
    if name in _LINES:
        return "\n"
    return "" if name in _SHOWN_AS_NOTHING else None
