"""The pictures can be looked at: PNG files, and the command that writes them."""

import struct
import subprocess
import sys
import zlib
from pathlib import Path

import numpy as np
import pytest

from demo.synthetic_image import png


def test_png_holds_the_pixels_it_was_given(tmp_path: Path) -> None:
    pixels = np.arange(35, dtype=np.uint8).reshape(5, 7)

    png.write(tmp_path / "x.png", pixels)

    # Chunk by chunk by ISO/IEC 15948: signature, then length, type, data, CRC.
    data = (tmp_path / "x.png").read_bytes()
    assert data[:8] == b"\x89PNG\r\n\x1a\n"
    chunks: dict[bytes, bytes] = {}
    at = 8
    while at < len(data):
        (length,) = struct.unpack_from(">I", data, at)
        kind, body = data[at + 4 : at + 8], data[at + 8 : at + 8 + length]
        assert struct.unpack_from(">I", data, at + 8 + length)[0] == zlib.crc32(kind + body)
        chunks[kind] = body
        at += 12 + length
    assert list(chunks) == [b"IHDR", b"IDAT", b"IEND"]
    assert struct.unpack(">IIBBBBB", chunks[b"IHDR"]) == (7, 5, 8, 0, 0, 0, 0)
    rows = np.frombuffer(zlib.decompress(chunks[b"IDAT"]), dtype=np.uint8).reshape(5, 8)
    assert not rows[:, 0].any()
    assert np.array_equal(rows[:, 1:], pixels)


def test_png_refuses_sixteen_bit_pixels() -> None:
    with pytest.raises(ValueError, match="uint8"):
        png.encode(np.zeros((2, 2), dtype=np.uint16))


@pytest.mark.parametrize(("tooth", "code"), [("108", 0), ("111", 2)])
def test_command_writes_a_picture_or_says_why_not(tmp_path: Path, tooth: str, code: int) -> None:
    out = tmp_path / "x.png"

    done = subprocess.run(
        [
            *(sys.executable, "-m", "demo.synthetic_image", "--species", "dog", "--teeth", tooth),
            *("--pixel-pitch-mm", "0.2", "--out", str(out)),
        ],
        cwd=Path(__file__).parents[2],
        capture_output=True,
        text=True,
        check=False,
    )

    assert done.returncode == code, done.stderr
    assert out.exists() == (code == 0)
    assert code == 0 or "no tooth 111" in done.stderr
