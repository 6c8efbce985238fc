"""Whether a DICOM data set is whole: every length in it fits what the file holds.

The parser that reads the header later takes a short value without a word, so a truncated object
would pass. Nothing is read here but tags, VRs and lengths; values are stepped over, so that a
claim of 2 GB costs nothing. Clauses are of DICOM PS3.5 section 7 and annex A.4 (from memory).
"""

from collections.abc import Collection
from dataclasses import dataclass, field
from mmap import mmap
from struct import Struct

from pydicom.datadict import dictionary_has_tag, dictionary_VR, keyword_for_tag

from schemas.errors import InvalidInput

UNDEFINED = 0xFFFFFFFF
PIXEL_DATA = 0x7FE00010
_ITEM, _ITEM_END, _SEQUENCE_END = 0xFFFEE000, 0xFFFEE00D, 0xFFFEE0DD
_DELIMITERS = 0xFFFE
# VRs whose length takes four bytes after two reserved ones (PS3.5 table 7.1-1).
_LONG_VRS = frozenset(
    {b"OB", b"OD", b"OF", b"OL", b"OV", b"OW", b"SQ", b"SV", b"UC", b"UN", b"UR", b"UT", b"UV"}
)
_DEEPEST = 16
_MOST_ELEMENTS = 200_000
_MOST_READ_BYTES = 1_000_000
_MOST_VALUES = 20_000
"""Our own bounds: the parser takes up to 500 bytes for each of a text's values."""


@dataclass(frozen=True, slots=True)
class PixelData:
    """The Pixel Data element: its length in bytes, or None where it is encapsulated.

    ``value_at`` is where its value begins, from the start of the data that was walked.
    """

    length_bytes: int | None
    value_at: int = field(default=0, compare=False)


@dataclass(frozen=True, slots=True)
class Structure:
    """What a walk over a data set found.

    ``places`` are begin and end of each element of the top that the parser is asked for.
    """

    pixels: PixelData | None
    places: list[tuple[int, int]]


def check_structure(
    data: mmap | bytes,
    start: int,
    *,
    implicit_vr: bool,
    little_endian: bool,
    needs_pixels: bool = True,
    deepest: int = _DEEPEST,
    read: Collection[int] | None = None,
    most_read_bytes: int = _MOST_READ_BYTES,
) -> Structure:
    """Walk a data set from ``start`` to the end of ``data``; tell where its elements lie.

    A report has no pixel data, so there ``needs_pixels`` is false. ``deepest`` bounds its
    sequences; ``read`` are the tags that the parser is asked for afterwards (None: all but pixel
    data), at most so many bytes of them.

    Raises
    ------
    InvalidInput
        An element ends beyond the file, the file ends in the middle of one, what will be read is
        more than may enter memory, or there is no pixel data where it is needed; the element is
        named.
    """
    walk = _Walk(data, implicit_vr, little_endian, deepest)
    found = walk.data_set(start, read, most_read_bytes)
    if found.pixels is None and needs_pixels:
        raise InvalidInput(element_name(PIXEL_DATA), None, "pixel data; is it cut off?")
    return found


def element_name(tag: int) -> str:
    """Name an element for people: ``Rows (0028,0010)``."""
    numbers = f"({tag >> 16:04X},{tag & 0xFFFF:04X})"
    keyword = keyword_for_tag(tag) if dictionary_has_tag(tag) else ""
    return f"{keyword} {numbers}" if keyword else numbers


class _Walk:
    def __init__(
        self, data: mmap | bytes, implicit_vr: bool, little_endian: bool, deepest: int
    ) -> None:
        order = "<" if little_endian else ">"
        self._data = data
        self._end = len(data)
        self._implicit = implicit_vr
        self._tag = Struct(f"{order}HH")
        self._short = Struct(f"{order}H")
        self._long = Struct(f"{order}L")
        self._count = 0
        self._deepest = deepest
        self._read_bytes = self._values = 0

    def data_set(
        self, position: int, read: Collection[int] | None, most_read_bytes: int
    ) -> Structure:
        pixels: PixelData | None = None
        places: list[tuple[int, int]] = []
        self._refuse_explicit(position)
        while position < self._end:
            begin = position
            tag, vr, length, value = self._header(position, self._end, self._implicit)
            if tag >> 16 == _DELIMITERS:  # the parser would end here, or take the next for implicit
                raise InvalidInput("data set", element_name(tag), "it in a sequence alone")
            position = self._after(tag, vr, length, value, self._end, self._implicit, 0)
            if tag == PIXEL_DATA:
                pixels = PixelData(None if length == UNDEFINED else length, value)
            elif read is None or tag in read or length == UNDEFINED:
                self._count_read(tag, value, position, most_read_bytes)
            if read is None or tag in read:
                places.append((begin, position))
        return Structure(pixels, places)

    def _refuse_explicit(self, at: int) -> None:
        """Refuse what the parser would take for explicit VR, with other lengths than ours."""
        vr = self._data[at + 4 : at + 6]
        if self._implicit and vr.isalpha() and vr.isupper():
            raise InvalidInput("data set", vr, "no VR in this transfer syntax")

    def _count_read(self, tag: int, value: int, end: int, most_bytes: int) -> None:
        self._read_bytes += end - value
        if self._read_bytes > most_bytes:
            name, told = f"{element_name(tag)} length", f"{end - value} bytes"
            raise InvalidInput(name, told, f"at most {most_bytes} bytes that are read in all")
        self._values += self._data[value:end].count(b"\\")
        if self._values > _MOST_VALUES:
            raise InvalidInput(element_name(tag), self._values, f"at most {_MOST_VALUES} values")

    def _header(self, at: int, end: int, implicit: bool) -> tuple[int, bytes, int, int]:
        """Read one element's tag, VR (empty where implicit), length, and its value's place."""
        self._count += 1
        if self._count > _MOST_ELEMENTS:
            raise InvalidInput("data set", self._count, f"at most {_MOST_ELEMENTS} elements")
        if at + 8 > end:
            raise InvalidInput("data set", f"{end - at} bytes left", "a whole element; is it cut?")
        group, number = self._tag.unpack_from(self._data, at)
        tag = group << 16 | number
        if implicit or group == 0xFFFE:  # items carry no VR (PS3.5 7.5)
            return tag, b"", self._long.unpack_from(self._data, at + 4)[0], at + 8
        vr = self._data[at + 4 : at + 6]
        if vr not in _LONG_VRS:
            if not (vr.isalpha() and vr.isupper()):
                raise InvalidInput(f"{element_name(tag)} VR", vr, "two upper-case letters")
            return tag, vr, self._short.unpack_from(self._data, at + 6)[0], at + 8
        if at + 12 > end:
            raise InvalidInput(element_name(tag), f"{end - at} bytes left", "a whole element")
        return tag, vr, self._long.unpack_from(self._data, at + 8)[0], at + 12

    def _after(
        self, tag: int, vr: bytes, length: int, value: int, end: int, implicit: bool, depth: int
    ) -> int:
        """Give the place behind an element's value."""
        if length != UNDEFINED:
            if value + length > end:
                raise InvalidInput(
                    f"{element_name(tag)} length",
                    f"{length} bytes",
                    f"at most the {end - value} bytes that follow",
                )
            if _is_sequence(tag, vr):
                self._items(tag, value, value + length, implicit, depth, closed=False)
            return value + length
        if tag == PIXEL_DATA:
            return self._fragments(value, end)
        if vr not in {b"", b"SQ", b"UN"}:
            raise InvalidInput(f"{element_name(tag)} length", "undefined", "a number of bytes")
        # A UN of undefined length is a sequence in implicit VR (PS3.5 6.2.2, note 4).
        return self._items(tag, value, end, implicit or vr == b"UN", depth, closed=True)

    def _items(
        self, sequence: int, at: int, end: int, implicit: bool, depth: int, *, closed: bool
    ) -> int:
        """Step over a sequence's items; ``closed`` ones end with a delimiter."""
        if depth > self._deepest:
            raise InvalidInput(element_name(sequence), depth, f"at most {self._deepest} levels")
        while closed or at < end:
            tag, _, length, value = self._header(at, end, implicit)
            if closed and tag == _SEQUENCE_END:
                return value
            if tag != _ITEM:
                raise InvalidInput(element_name(sequence), element_name(tag), "an item")
            at = self._item(sequence, length, value, end, implicit, depth)
        return at

    def _item(
        self, sequence: int, length: int, at: int, end: int, implicit: bool, depth: int
    ) -> int:
        if length != UNDEFINED and at + length > end:
            raise InvalidInput(
                f"{element_name(sequence)} item length",
                f"{length} bytes",
                f"at most the {end - at} bytes that follow",
            )
        item_end = end if length == UNDEFINED else at + length
        while length == UNDEFINED or at < item_end:
            tag, vr, own, value = self._header(at, item_end, implicit)
            if length == UNDEFINED and tag == _ITEM_END:
                return value
            at = self._after(tag, vr, own, value, item_end, implicit, depth + 1)
        return at

    def _fragments(self, at: int, end: int) -> int:
        """Step over the fragments of encapsulated pixel data (PS3.5 A.4)."""
        name = element_name(PIXEL_DATA)
        while True:
            tag, _, length, value = self._header(at, end, implicit=True)
            if tag == _SEQUENCE_END:
                return value
            if tag != _ITEM or length == UNDEFINED:
                raise InvalidInput(name, element_name(tag), "fragments of a told length")
            if value + length > end:
                raise InvalidInput(
                    f"{name} length", f"{length} bytes", f"at most the {end - value} that follow"
                )
            at = value + length


def _is_sequence(tag: int, vr: bytes) -> bool:
    if vr:
        return vr == b"SQ"
    return dictionary_has_tag(tag) and dictionary_VR(tag) == "SQ"
