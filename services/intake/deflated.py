"""A deflated data set unpacked, for checking alone: what is kept stays as it was sent.

DICOM PS3.5 section A.5 (2025b, read): Explicit VR Little Endian packed as a whole by the deflate
algorithm of RFC 1951, with one zero byte behind where its length would be odd. Deflate packs at
most about 1,032 to 1, so a few hundred kB may claim hundreds of MB: it is unpacked piece by piece
into a file without a name, and given up where it grows beyond what an image of its size can be.
"""

import mmap
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryFile
from typing import IO, Final

from schemas.errors import InvalidInput

_PIECE_BYTES: Final = 1 << 16
_MOST_OUT_BYTES: Final = 1 << 18

FREE_BYTES: Final = 64_000_000
MOST_RATIO: Final = 20
MOST_BYTES: Final = 512_000_000
"""An image may unpack to FREE_BYTES, or MOST_RATIO times what was sent, never to more than
MOST_BYTES. Chosen by us: an X-ray image seldom packs better than 4 to 1, and a blank one is
small enough to be free."""


def most_inflated_bytes(deflated_bytes: int) -> int:
    """Give how large a data set of this size as sent may be, unpacked."""
    return min(max(FREE_BYTES, MOST_RATIO * deflated_bytes), MOST_BYTES)


@contextmanager
def inflated(deflated: mmap.mmap, start: int, folder: Path) -> Iterator[mmap.mmap]:
    """Unpack what lies from ``start`` on, and give it for the length of the block.

    The file without a name lies in ``folder``; nothing of it stays.

    Raises
    ------
    InvalidInput
        It is no deflated data, is cut off, unpacks to nothing or too much, or more follows it.
    OSError
        The disk has no room.
    """
    with TemporaryFile(dir=folder) as unpacked:
        if _inflate(deflated, start, unpacked) == 0:
            raise InvalidInput("data set", "0 bytes", "a data set")
        unpacked.flush()
        with mmap.mmap(unpacked.fileno(), 0, access=mmap.ACCESS_READ) as data:
            yield data


def _inflate(deflated: mmap.mmap, start: int, unpacked: IO[bytes]) -> int:
    most = most_inflated_bytes(len(deflated) - start)
    packer = zlib.decompressobj(-zlib.MAX_WBITS)
    size, at = 0, start
    rest = b""
    while not packer.eof:
        if not rest:
            rest = deflated[at : at + _PIECE_BYTES]
            at += len(rest)
            if not rest:
                raise InvalidInput("data set", "cut off", "deflated data to its end (RFC 1951)")
        try:
            piece = packer.decompress(rest, _MOST_OUT_BYTES)
        except zlib.error as error:
            raise InvalidInput("data set", str(error), "deflated data (RFC 1951)") from error
        rest = packer.unconsumed_tail
        size += len(piece)
        if size > most:
            raise InvalidInput(
                "data set", f"more than {most} bytes", f"at most {most} bytes once inflated"
            )
        unpacked.write(piece)
    behind = len(packer.unused_data) + len(deflated) - at
    if behind > 1 or (behind == 1 and deflated[-1] != 0):
        raise InvalidInput(
            "data set", f"{behind} bytes behind its end", "at most one zero byte (PS3.5 A.5)"
        )
    return size
