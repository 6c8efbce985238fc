"""Write a grey picture as PNG (ISO/IEC 15948), with the standard library alone."""

import struct
import zlib
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

_SIGNATURE = b"\x89PNG\r\n\x1a\n"


def _chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


def encode(pixels: NDArray[np.uint8]) -> bytes:
    """Encode rows of 8-bit grey; raises ``ValueError`` where the array is not two-dimensional."""
    if pixels.ndim != 2 or pixels.dtype != np.uint8:
        msg = f"pixels: expected rows of uint8, got {pixels.ndim} dimensions of {pixels.dtype}"
        raise ValueError(msg)
    rows, columns = pixels.shape
    header = struct.pack(">IIBBBBB", columns, rows, 8, 0, 0, 0, 0)
    # Each row starts with its filter type; 0 is none.
    scanlines = np.zeros((rows, columns + 1), dtype=np.uint8)
    scanlines[:, 1:] = pixels
    data = zlib.compress(scanlines.tobytes(), 6)
    return _SIGNATURE + _chunk(b"IHDR", header) + _chunk(b"IDAT", data) + _chunk(b"IEND", b"")


def write(path: Path, pixels: NDArray[np.uint8]) -> None:
    """Write rows of 8-bit grey to ``path``."""
    path.write_bytes(encode(pixels))
