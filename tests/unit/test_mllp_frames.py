"""MLLP blocks in a stream: however it is cut, the same messages; never more than the bound."""

from __future__ import annotations

from contextlib import suppress
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from services.intake.mllp_frames import BrokenStream, FrameReader, framed

MOST = 200
TEXTS = st.binary(max_size=60).map(lambda raw: raw.replace(b"\x0b", b"").replace(b"\x1c", b""))


@given(messages=st.lists(TEXTS, max_size=5), cuts=st.lists(st.integers(0, 400), max_size=12))
def test_messages_are_the_same_wherever_the_stream_is_cut(
    messages: list[bytes], cuts: list[int]
) -> None:
    # given
    stream = b"\r\n".join(framed(message) for message in messages)
    places = [0, *sorted(min(cut, len(stream)) for cut in cuts), len(stream)]

    # when
    reader = FrameReader(MOST)
    read: list[bytes] = []
    for start, end in pairwise(places):
        read += reader.feed(stream[start:end])

    # then
    assert read == messages
    assert not reader.begun


@given(pieces=st.lists(st.binary(max_size=300), max_size=20))
def test_any_bytes_end_in_messages_or_a_refusal_and_none_is_longer_than_the_bound(
    pieces: list[bytes],
) -> None:
    reader = FrameReader(MOST)
    with suppress(BrokenStream):
        for piece in pieces:
            assert all(len(message) <= MOST for message in reader.feed(piece))


def test_a_block_of_just_the_bound_is_read_and_one_byte_more_is_not() -> None:
    assert FrameReader(MOST).feed(framed(b"x" * MOST)) == [b"x" * MOST]

    with pytest.raises(BrokenStream, match="at most 200 bytes") as refusal:
        FrameReader(MOST).feed(framed(b"x" * (MOST + 1)))
    assert refusal.value.head.startswith(b"xxx")


def test_noise_between_blocks_is_borne_to_a_point() -> None:
    reader = FrameReader(MOST)

    assert reader.feed(b"\r\n" + framed(b"a") + b"noise" + framed(b"b")) == [b"a", b"b"]
    with pytest.raises(BrokenStream, match="0x0B"):
        reader.feed(b"n" * 2_000)
