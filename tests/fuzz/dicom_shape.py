"""DICOM data sets changed element by element, so that lengths stay true and values are reached.

Explicit VR little endian only; PS3.5 section 7.1.2 (from memory).
"""

from __future__ import annotations

import random
import struct
from collections.abc import Sequence
from dataclasses import dataclass

from tests.fuzz.mutation import Mutator

_LONG = frozenset({b"OB", b"OW", b"OF", b"SQ", b"UN", b"UT", b"UC", b"UR", b"OD", b"OL"})
_ITEM = b"\xfe\xff\x00\xe0"
_VRS = (b"SH", b"LO", b"UI", b"DS", b"IS", b"US", b"UL", b"DA", b"TM", b"DT", b"CS", b"AT")
_MORE_VRS = (b"PN", b"SQ", b"UN", b"UC", b"OB", b"FD", b"FL", b"SS", b"UT", b"ZZ")
_MORE_VALUES = (
    b"",
    b"\\",
    b"\\" * 50_000,
    b"65\\70",
    b"ISO_IR 100",
    b"\\ISO 2022 IR 87",
    b"ISO_IR 192",
    b"GB18030",
    b"nonsense",
    b"\x1b$B",
    b"1e999",
    b"20261399",
    b"\xff" * 8,
    b"1." * 40,
    b"COMPLETED",
    b"IN PROGRESS",
    b"DISCONTINUED",
    b"*" * 64,
    b"-" * 3,
    b"20260302-",
)


@dataclass
class Element:
    """One element; its value as bytes, or the elements of each item."""

    tag: bytes
    vr: bytes
    value: bytes
    items: list[list[Element]] | None = None


def elements(data: bytes) -> list[Element]:
    """Split a valid data set whose sequences have a length, or end with their delimiter."""
    found: list[Element] = []
    at = 0
    while at < len(data):
        element, at = _element(data, at)
        found.append(element)
    return found


def _element(data: bytes, at: int) -> tuple[Element, int]:
    tag, vr = data[at : at + 4], data[at + 4 : at + 6]
    long = vr in _LONG
    length = struct.unpack_from("<L" if long else "<H", data, at + (8 if long else 6))[0]
    start = at + (12 if long else 8)
    value = data[start : start + length]
    if vr != b"SQ":
        return Element(tag, vr, value), start + length
    items: list[list[Element]] = []
    inner = 0
    while inner < len(value):
        size = struct.unpack_from("<L", value, inner + 4)[0]
        items.append(elements(value[inner + 8 : inner + 8 + size]))
        inner += 8 + size
    return Element(tag, vr, b"", items), start + length


def encoded(data_set: Sequence[Element]) -> bytes:
    """Write elements with true lengths (a short one as far as 65,535 bytes)."""
    parts: list[bytes] = []
    for one in data_set:
        value = one.value
        if one.items is not None:
            inner = [encoded(item) for item in one.items]
            value = b"".join(_ITEM + struct.pack("<L", len(item)) + item for item in inner)
        if one.vr in _LONG:
            parts.append(one.tag + one.vr + b"\0\0" + struct.pack("<L", len(value)) + value)
        else:
            value = value[:65_534]
            parts.append(one.tag + one.vr + struct.pack("<H", len(value)) + value)
    return b"".join(parts)


class DataSetMutator:
    """Changes elements of some data sets, and in a third of all cases only the bytes."""

    def __init__(self, seeds: Sequence[bytes], others: Sequence[bytes] = ()) -> None:
        self._seeds = seeds
        self._bytes = Mutator([*seeds, *others], _MORE_VALUES)

    def __call__(self, rng: random.Random) -> bytes:
        if rng.random() < 0.35:
            return self._bytes(rng)
        data_set = elements(rng.choice(self._seeds))
        for _ in range(min(1 + int(rng.expovariate(0.7)), 6)):
            self._change(rng, data_set)
        told = encoded(data_set)
        return self._bytes.changed(rng, told) if rng.random() < 0.1 else told

    def _change(self, rng: random.Random, data_set: list[Element]) -> None:
        while data_set:
            place = rng.randrange(len(data_set))
            one = data_set[place]
            if one.items and rng.random() < 0.7:
                data_set = rng.choice(one.items)
                continue
            self._change_at(rng, data_set, place)
            return

    def _change_at(self, rng: random.Random, data_set: list[Element], place: int) -> None:
        one = data_set[place]
        way = rng.randrange(9)
        if way == 0:
            del data_set[place]
        elif way == 1:
            data_set.insert(place, Element(one.tag, one.vr, one.value, one.items))
        elif way == 2:
            data_set.append(data_set.pop(place))
        elif way == 3:
            one.vr = rng.choice((*_VRS, *_MORE_VRS))
        elif way == 4 and one.items is not None:
            self._change_items(rng, one)
        elif way == 5:
            one.tag = rng.choice(data_set).tag
        elif one.items is not None:
            one.items, one.value = None, rng.choice((b"", rng.randbytes(8)))
        elif way == 6:
            one.value = rng.choice(_MORE_VALUES)
        else:
            one.value = self._bytes.changed(rng, one.value)

    @staticmethod
    def _change_items(rng: random.Random, one: Element) -> None:
        items = one.items or []
        if not items or rng.random() < 0.2:
            one.items = [[]]
        elif rng.random() < 0.5:
            one.items = items * rng.choice((2, 30))
        else:
            deep, vr = items, rng.choice((b"SQ", b"SQ", b"UN"))  # in UN a parser may find it
            for _ in range(rng.choice((2, 7, 14, 20))):
                deep = [[Element(one.tag, vr, b"", deep)]]
            one.items = deep
