"""A deflated data set is unpacked within bounds, and to nothing but what was packed."""

from __future__ import annotations

import mmap
import subprocess
import sys
import zlib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from schemas.errors import InvalidInput
from services.intake.deflated import FREE_BYTES, MOST_BYTES, inflated, most_inflated_bytes

ROOT = Path(__file__).parents[2]


def deflate(data: bytes, level: int = 6) -> bytes:
    """Pack by zlib, the reference of RFC 1951, and pad as PS3.5 section A.5 says."""
    packer = zlib.compressobj(level, zlib.DEFLATED, -zlib.MAX_WBITS)
    packed = packer.compress(data) + packer.flush()
    return packed + b"\0" * (len(packed) % 2)


def unpack(packed: bytes, folder: Path) -> bytes:
    path = folder / "packed"
    path.write_bytes(b"head" + packed)
    with (
        path.open("rb") as file,
        mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as data,
        inflated(data, 4, folder) as unpacked,
    ):
        return unpacked[:]


@settings(max_examples=25, deadline=None)
@given(
    data=st.binary(min_size=1, max_size=3_000),
    times=st.integers(1, 200),
    level=st.sampled_from([0, 1, 6, 9]),
)
def test_what_was_packed_comes_out(
    tmp_path_factory: pytest.TempPathFactory, data: bytes, times: int, level: int
) -> None:
    folder = tmp_path_factory.mktemp("packed")

    assert unpack(deflate(data * times, level), folder) == data * times
    assert list(folder.iterdir()) == [folder / "packed"]


PACKED = deflate(b"an invented data set " * 50)


@pytest.mark.parametrize(
    ("packed", "expected"),
    [
        (PACKED[:-10], "to its end"),
        (PACKED[:1], "to its end"),
        (b"\xff" * 40, "deflated data"),
        (zlib.compress(b"with the wrapper of zlib"), "deflated data"),
        (PACKED + b"\0\0", "at most one zero byte"),
        (PACKED + b"\1" * (2 - len(PACKED) % 2), "at most one zero byte"),
        (PACKED + bytes(200_000), "at most one zero byte"),
        (deflate(b""), "a data set"),
        (deflate(bytes(FREE_BYTES + 1)), "once inflated"),
    ],
)
def test_whatever_else_is_refused_and_nothing_of_it_stays(
    packed: bytes, expected: str, tmp_path: Path
) -> None:
    with pytest.raises(InvalidInput) as refusal:
        unpack(packed, tmp_path)

    assert expected in refusal.value.expected
    assert list(tmp_path.iterdir()) == [tmp_path / "packed"]


def test_the_bound_grows_with_what_was_sent_and_ends() -> None:
    assert most_inflated_bytes(1) == FREE_BYTES
    assert most_inflated_bytes(10_000_000) == 200_000_000
    assert most_inflated_bytes(10**9) == MOST_BYTES


IN_A_CHILD = """
import mmap, resource, sys
from pathlib import Path
from schemas.errors import InvalidInput
from services.intake.deflated import inflated

path = Path(sys.argv[1])
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
with path.open("rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as data:
    try:
        with inflated(data, 0, path.parent):
            pass
    except InvalidInput as error:
        print(error.expected)
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before)
"""


def test_a_bomb_is_refused_in_little_memory(tmp_path: Path) -> None:
    # given: 400 MB of zeros in some 2 MB
    packer = zlib.compressobj(1, zlib.DEFLATED, -zlib.MAX_WBITS)
    bomb = tmp_path / "bomb"
    with bomb.open("wb") as file:
        for _ in range(400):
            file.write(packer.compress(bytes(1_000_000)))
        file.write(packer.flush())
    assert bomb.stat().st_size < 3_000_000

    # when
    command = [sys.executable, "-c", IN_A_CHILD, str(bomb)]
    run = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True, timeout=60)

    # then
    words, grown_kib = run.stdout.splitlines()
    assert "once inflated" in words
    assert int(grown_kib) < 16 * 1024
