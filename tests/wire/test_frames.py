"""Frames: golden vectors, every split, damaged streams."""

from __future__ import annotations

import zlib

import numpy as np
import pytest
from cobs import cobs
from hypothesis import given
from hypothesis import strategies as st

from breakerbench.wire import messages
from breakerbench.wire.frames import Decoder, Frame, Refused, encode
from breakerbench.wire.messages import MESSAGES, MOST_BODY, Ping, Samples, Start
from wire import make_vectors
from wire.vectors import PATH, Vector, load, stuffed

VECTORS = load()


def all_of(stream: bytes, cuts: list[int]) -> list[Frame | Refused]:
    decoder, found = Decoder(), []
    for begin, end in zip([0, *cuts], [*cuts, len(stream)], strict=True):
        found += decoder.feed(stream[begin:end])
    return found + decoder.end()


def test_the_vectors_are_what_makes_them() -> None:
    assert PATH.read_text().splitlines() == make_vectors.lines()


@pytest.mark.parametrize("v", [v for v in VECTORS if v.good], ids=lambda v: v.name)
def test_good_vectors(v: Vector) -> None:
    (frame,) = all_of(v.stream, [])
    assert isinstance(frame, Frame)
    assert (frame.type, frame.sequence, frame.clock) == (v.type, v.sequence, v.clock)
    assert (frame.message is None) is (v.type not in MESSAGES)
    if frame.message is not None:
        assert frame.message.pack() == v.body
        assert encode(frame.message, v.sequence, v.clock) == v.stream


@pytest.mark.parametrize("v", [v for v in VECTORS if not v.good], ids=lambda v: v.name)
def test_bad_vectors(v: Vector) -> None:
    assert all_of(v.stream, []) == [Refused(0, len(v.stream) - 1, v.verdict)]


@given(st.permutations(VECTORS), st.data())
def test_no_split_changes_what_is_found(order: list[Vector], data: st.DataObject) -> None:
    stream = b"".join(v.stream for v in order)
    whole = all_of(stream, [])
    cuts = data.draw(st.lists(st.integers(0, len(stream)), max_size=40).map(sorted))
    assert all_of(stream, cuts) == whole
    assert [isinstance(f, Frame) for f in whole] == [v.good for v in order]


def test_bytewise() -> None:
    stream = b"".join(v.stream for v in VECTORS)
    assert all_of(stream, list(range(1, len(stream)))) == all_of(stream, [])


@given(st.binary(max_size=1200))
def test_the_stuffing_is_that_of_the_definition(data: bytes) -> None:
    assert cobs.encode(data) == stuffed(data)


@given(st.binary(max_size=3000))
def test_anything_at_all_is_no_crash(data: bytes) -> None:
    found = all_of(data, [])
    told = sum(f.size for f in found if isinstance(f, Refused))
    assert told <= len(data)
    assert [f.at for f in found] == sorted(f.at for f in found)


def test_a_frame_is_found_after_any_rubbish() -> None:
    rng = np.random.default_rng(1)
    for size in (1, 5, 2000, 100_000):
        rubbish = rng.integers(1, 256, size, np.uint8).tobytes()
        *_, frame = all_of(rubbish + b"\0" + encode(Ping(7), 1), [])
        assert isinstance(frame, Frame)
        assert frame.message == Ping(7)
        assert frame.at == size + 1


def test_memory_of_a_stream_without_a_zero_is_bounded() -> None:
    decoder = Decoder()
    for _ in range(1000):
        assert decoder.feed(b"\x11" * 5000) == []
        assert len(decoder._rest) < 2000
    assert decoder.end() == [Refused(0, 5_000_000, "cut short")]


@given(st.integers(0, 255))
def test_numbers_at_their_ends(value: int) -> None:
    (frame,) = all_of(encode(Start(value), (1 << 32) + value, (1 << 64) - 1), [])
    assert isinstance(frame, Frame)
    assert (frame.sequence, frame.clock, frame.message) == (value, (1 << 64) - 1, Start(value))


def test_a_body_too_long_is_not_sent() -> None:
    with pytest.raises(ValueError, match=f"{MOST_BODY} is the most"):
        encode(Samples(0, 1000, 1, bytes(1500)), 0)


def test_a_text_too_long_is_not_sent() -> None:
    fields = [1, 1, 1, 0, 0, 0, 0, "b", "s", "ä" * 17]
    with pytest.raises(ValueError, match="32 bytes"):
        messages.Identity(*fields).pack()  # type: ignore[arg-type]


def test_text_that_is_none_is_refused() -> None:
    body = bytearray(make_vectors.IDENTITY)
    body[20] = 0xFF
    plain = make_vectors.plain(0x01, 0, 0, bytes(body))
    assert zlib.crc32(plain[:-4]) == int.from_bytes(plain[-4:], "little")
    (found,) = all_of(stuffed(plain) + b"\0", [])
    assert isinstance(found, Refused)
    assert "utf-8" in found.reason
