"""One HL7 v2 message as segments and fields: the library ``hl7`` behind bounds of ours."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

import hl7

from services.intake.hl7_errors import ErrorCode, Hl7Refused, Place
from services.intake.hl7_escapes import codec_of, unescape

MOST_SEGMENTS: Final = 1_000
MOST_SEPARATORS: Final = 40_000
"""Each separator costs the parser an object; this bounds a message to some 20 MB of memory."""

HEADER_SEGMENT: Final = "MSH"


@dataclass(frozen=True, slots=True)
class Segment:
    """One segment; ``sequence`` counts those of its name in the message, from 1."""

    name: str
    sequence: int
    _fields: Any
    _separators: str
    _codec: str

    def place(self, field: int, component: int | None = None, repetition: int = 1) -> Place:
        """Name a place in this segment."""
        return Place(self.name, field, component, self.sequence, repetition)

    def repetitions(self, field: int) -> int:
        """Count the repetitions of a field; 0 where it is empty."""
        told = self._field(field)
        return 0 if told is None or not str(told) else len(told)

    def text(
        self, field: int, component: int = 1, repetition: int = 1, subcomponent: int = 1
    ) -> str:
        """Give a (sub)component as text, unescaped and stripped; empty where it is not told.

        The two quotation marks that mean 'delete this value' (v2.5.1 section 2.5.3; from
        memory) read as empty.
        """
        told: Any = self._field(field)
        for index in (repetition, component, subcomponent):
            # Where the parser found no separator it gives text instead of a list of one.
            parts = [told] if isinstance(told, str) else told
            if parts is None or len(parts) < index:
                return ""
            told = parts[index - 1]
        text = unescape(str(told), self._separators, self._codec, self.place(field, component))
        text = text.strip()
        return "" if text == '""' else text

    def required(self, field: int, component: int = 1, expected: str = "a value") -> str:
        """Give a component that must be told (Hl7Refused)."""
        text = self.text(field, component)
        if not text:
            place = self.place(field, component if component > 1 else None)
            raise Hl7Refused(place, text, expected, ErrorCode.REQUIRED_FIELD_MISSING)
        return text

    def _field(self, field: int) -> Any:
        return self._fields[field] if len(self._fields) > field else None


@dataclass(frozen=True, slots=True)
class Hl7Message:
    """A message that was read; its first segment is its header."""

    segments: tuple[Segment, ...]
    separators: str
    codec: str

    @property
    def header(self) -> Segment:
        return self.segments[0]

    def first(self, name: str) -> Segment | None:
        """Give the first segment of a name."""
        return next(self.all(name), None)

    def all(self, name: str) -> Iterator[Segment]:
        return (segment for segment in self.segments if segment.name == name)

    def one(self, name: str) -> Segment:
        """Give the first segment of a name; it must be there (Hl7Refused)."""
        found = self.first(name)
        if found is None:
            raise Hl7Refused(Place(name), "", f"a segment {name}", ErrorCode.REQUIRED_FIELD_MISSING)
        return found


def read_message(body: bytes, character_set_when_none: str = "ASCII") -> Hl7Message:
    """Read one message.

    Segments end with a carriage return; a line feed with or instead of it is read too.

    Raises
    ------
    Hl7Refused
        For a message that is no HL7 v2, has too many parts, or is not in the character set that
        it names. Where its header can be read, ``header_of`` gives it for the answer.
    """
    header = header_of(body)
    codec = codec_of(header.text(18) or character_set_when_none)
    if header.repetitions(18) > 1:
        raise Hl7Refused(Place("MSH", 18), header.text(18, 1, 2), "one character set")
    try:
        text = body.decode(codec)
    except UnicodeDecodeError as error:
        told = header.text(18) or f"none, so {character_set_when_none}"
        found = body[error.start : error.start + 4]
        raise Hl7Refused(
            Place("MSH", 18), found, f"text in the character set told ({told})", ErrorCode.DATA_TYPE
        ) from error
    if "\x00" in text:
        raise Hl7Refused(
            Place(HEADER_SEGMENT), "NUL", "text without NUL characters", ErrorCode.DATA_TYPE
        )
    return _parse(text, codec)


def header_of(body: bytes) -> Segment:
    """Read the header alone, whatever the rest is (Hl7Refused)."""
    first = body.lstrip(b"\r\n ").split(b"\r", 1)[0].split(b"\n", 1)[0][:4_000]
    return _parse(first.decode("iso-8859-1"), "iso-8859-1").header


def _parse(text: str, codec: str) -> Hl7Message:
    text = text.replace("\r\n", "\r").replace("\n", "\r").strip("\r ")
    separators = _separators(text)
    if text.count("\r") >= MOST_SEGMENTS:
        raise Hl7Refused(Place(HEADER_SEGMENT), "more", f"at most {MOST_SEGMENTS} segments")
    count = sum(text.count(separator) for separator in separators)
    if count > MOST_SEPARATORS:
        expected = f"at most {MOST_SEPARATORS} separators in a message"
        raise Hl7Refused(Place(HEADER_SEGMENT), count, expected, ErrorCode.DATA_TYPE)
    lines = [line for line in text.split("\r") if line.strip()]
    names: dict[str, int] = {}
    for line in lines:
        name = line[:3]
        names[name] = names.get(name, 0) + 1
        if not (name.isascii() and name.isalnum() and name.isupper() and len(name) == 3) or (
            line[3:4] not in {"", separators[0]}
        ):
            place = Place(HEADER_SEGMENT)
            raise Hl7Refused(
                place, line[:8], "a segment name of three characters", ErrorCode.SEGMENT_SEQUENCE
            )
    if names[HEADER_SEGMENT] > 1:
        raise Hl7Refused(Place(HEADER_SEGMENT, sequence=2), "", "one message, no batch")
    try:
        # The library takes all separators from MSH-1 and MSH-2, which are checked above.
        parsed = hl7.parse("\r".join(lines))
    except (hl7.HL7Exception, ValueError, IndexError, AssertionError) as error:
        raise Hl7Refused(
            Place(HEADER_SEGMENT), text[:20], "an HL7 v2 message", ErrorCode.DATA_TYPE
        ) from error
    seen: dict[str, int] = {}
    segments = []
    for line, fields in zip(lines, parsed, strict=True):
        name = line[:3]
        seen[name] = seen.get(name, 0) + 1
        segments.append(Segment(name, seen[name], fields, separators, codec))
    return Hl7Message(tuple(segments), separators, codec)


def _separators(text: str) -> str:
    """Give field, component, repetition, escape and subcomponent separator (MSH-1, MSH-2)."""
    told = text[3:8]
    expected = r"MSH with five different separators, recommended |^~\&"
    ended = text[8:9] in {"", "\r", told[:1]} or (text[9:10] == told[:1])
    distinct = len(set(told)) == 5 and all(
        mark.isascii() and mark.isprintable() and not mark.isalnum() and mark != " "
        for mark in told
    )
    if not text.startswith(HEADER_SEGMENT) or not distinct or not ended:
        raise Hl7Refused(
            Place(HEADER_SEGMENT, 2), text[:9], expected, ErrorCode.REQUIRED_FIELD_MISSING
        )
    return told
