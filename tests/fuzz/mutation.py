"""Bytes changed at random: flips, inserts, deletes, splices, odd numbers and false lengths."""

from __future__ import annotations

import random
import re
import struct
from collections.abc import Callable, Sequence

MOST_BYTES = 65_536

MAGIC = (0, 1, 2, 0x7F, 0x80, 0xFF, 0x7FFF, 0x8000, 0xFFFF, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF)
NUMBERS = (
    b"0",
    b"-1",
    b"-0",
    b"1e309",
    b"1e-400",
    b"NaN",
    b"Infinity",
    b"9" * 20,
    b"9" * 400,
    b"0.1",
    b"00",
    b"1_000",
    b"0x10",
    "\u0661".encode(),
)
TOKENS = (
    b"\x00",
    b"\xff\xfe",
    b"\xef\xbb\xbf",
    b"\xed\xa0\x80",
    b"\xf4\x90\x80\x80",
    "\u202e".encode(),
    "\U0001f9b7".encode(),
    b"\r\n",
    b"\x1c\x0d",
    b"A" * 300,
    b"\\",
    b"'",
    b'"',
    b"%s%n",
    b"../../",
    b"-",
    b" ",
)
_DIGITS = re.compile(rb"[0-9]+(?:[.,][0-9]+)?")


class Mutator:
    """Changes one of some seeds, one to eight times; ``tokens`` are the format's own words."""

    def __init__(self, seeds: Sequence[bytes], tokens: Sequence[bytes] = ()) -> None:
        self._seeds = seeds
        self._tokens = (*TOKENS, *tokens)
        self._ways: tuple[Callable[[random.Random, bytearray], None], ...] = (
            _flip,
            _flip,
            _set,
            _insert,
            _delete,
            _repeat,
            _swap,
            _truncate,
            _odd_number,
            _odd_digits,
            _false_length,
            _false_length,
            self._token,
            self._splice,
        )

    def __call__(self, rng: random.Random) -> bytes:
        return self.changed(rng, rng.choice(self._seeds))

    def changed(self, rng: random.Random, seed: bytes) -> bytes:
        """Change given bytes."""
        data = bytearray(seed)
        for _ in range(min(1 + int(rng.expovariate(0.7)), 8)):
            rng.choice(self._ways)(rng, data)
            if not data:
                data += rng.randbytes(rng.randrange(0, 4))
        return bytes(data[:MOST_BYTES])

    def _token(self, rng: random.Random, data: bytearray) -> None:
        at = rng.randrange(len(data) + 1)
        token = rng.choice(self._tokens)
        over = len(token) if rng.random() < 0.5 else 0
        data[at : at + over] = token

    def _splice(self, rng: random.Random, data: bytearray) -> None:
        other = rng.choice(self._seeds)
        data[rng.randrange(len(data) + 1) :] = other[rng.randrange(len(other) + 1) :]


def _flip(rng: random.Random, data: bytearray) -> None:
    if data:
        data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)


def _set(rng: random.Random, data: bytearray) -> None:
    if data:
        data[rng.randrange(len(data))] = rng.choice((0, 0x20, 0x7F, 0xFF, rng.randrange(256)))


def _insert(rng: random.Random, data: bytearray) -> None:
    at = rng.randrange(len(data) + 1)
    data[at:at] = rng.randbytes(rng.randrange(1, 9))


def _part(rng: random.Random, data: bytearray) -> tuple[int, int]:
    at = rng.randrange(len(data) + 1)
    return at, at + int(rng.expovariate(0.05)) + 1


def _delete(rng: random.Random, data: bytearray) -> None:
    at, end = _part(rng, data)
    del data[at:end]


def _repeat(rng: random.Random, data: bytearray) -> None:
    at, end = _part(rng, data)
    times = rng.choice((1, 1, 2, 50))
    data[at:at] = data[at:end] * times


def _swap(rng: random.Random, data: bytearray) -> None:
    at, end = _part(rng, data)
    piece = data[at:end]
    del data[at:end]
    to = rng.randrange(len(data) + 1)
    data[to:to] = piece


def _truncate(rng: random.Random, data: bytearray) -> None:
    del data[rng.randrange(len(data) + 1) :]


def _odd_number(rng: random.Random, data: bytearray) -> None:
    form = rng.choice(("<H", ">H", "<L", ">L"))
    size = struct.calcsize(form)
    if len(data) >= size:
        at = rng.randrange(len(data) - size + 1)
        struct.pack_into(form, data, at, rng.choice(MAGIC) & (1 << 8 * size) - 1)


def _odd_digits(rng: random.Random, data: bytearray) -> None:
    found = list(_DIGITS.finditer(data))
    if found:
        start, end = rng.choice(found).span()
        data[start:end] = rng.choice(NUMBERS)


def _false_length(rng: random.Random, data: bytearray) -> None:
    """Change a number that could be the length of something that follows it."""
    form = rng.choice(("<H", ">H", "<L", ">L"))
    size = struct.calcsize(form)
    for _ in range(12):
        if len(data) < size:
            return
        at = rng.randrange(len(data) - size + 1)
        told = struct.unpack_from(form, data, at)[0]
        if 0 < told <= len(data) - at:
            false = rng.choice((told + 1, told - 1, told * 2, told // 2, 0, len(data), *MAGIC))
            struct.pack_into(form, data, at, false & (1 << 8 * size) - 1)
            return
