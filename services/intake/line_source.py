"""A file's bytes as whole lines, bounded in length and number. Reads, and keeps nothing."""

from collections.abc import Iterator
from dataclasses import dataclass
from hashlib import sha256
from typing import BinaryIO

from services.intake.tail_store import Place

_PIECE_BYTES = 1 << 18
_FINGERPRINT_BYTES = 1024
_SHOWN_BYTES = 300


@dataclass(frozen=True, slots=True)
class Line:
    """One line without its end. ``too_long``: ``raw`` is only its beginning."""

    number: int
    raw: bytes
    end: int
    too_long: bool = False
    within: bool = False
    """The line's end is not in sight yet: ``end`` lies inside it."""


def lines_from(file: BinaryIO, place: Place, longest_bytes: int, *, whole: bool) -> Iterator[Line]:
    """Give the complete lines from a place on, of one piece of the file.

    Parameters
    ----------
    longest_bytes
        A longer line comes as ``too_long``, cut.
    whole
        The file gets no more text, so a last line without an end counts. Else it waits.
    """
    base = place.position  # the caller moves the place as it goes
    file.seek(base)
    data = file.read(_PIECE_BYTES)
    at_end = len(data) < _PIECE_BYTES
    start, number, within = 0, place.line, place.within_line
    while start < len(data):
        end = data.find(b"\n", start)
        if within:
            # What is left of a line that was told as too long already.
            start = len(data) if end < 0 else end + 1
            within = end < 0
            yield Line(number, b"", base + start, within=within)
            continue
        if end < 0:
            rest = len(data) - start
            if rest <= longest_bytes and not (whole and at_end):
                return
            number += 1
            within = rest > longest_bytes and not (whole and at_end)
            yield _line(number, data[start:], base + len(data), longest_bytes, within)
            return
        number += 1
        yield _line(number, data[start:end], base + end + 1, longest_bytes, False)
        start = end + 1


def _line(number: int, raw: bytes, end: int, longest_bytes: int, within: bool) -> Line:
    too_long = len(raw.rstrip(b"\r")) > longest_bytes
    return Line(number, raw[:longest_bytes] if too_long else raw, end, too_long, within)


def shown(raw: bytes, encoding: str) -> str:
    """Show the beginning of a line to a person; what cannot be printed (or kept) is replaced."""
    text = raw[:_SHOWN_BYTES].decode(encoding, "replace").strip()
    return "".join(one if one.isprintable() else "\ufffd" for one in text)


def fingerprint(file: BinaryIO, position: int) -> str | None:
    """Hash the bytes just before a position, by which the same file is known again.

    None at the very beginning, which tells nothing.
    """
    if position == 0:
        return None
    start = max(0, position - _FINGERPRINT_BYTES)
    file.seek(start)
    return sha256(file.read(position - start)).hexdigest()
