"""Samples of 12 bits and edge times, there and back, and what contradicts itself."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as npst

from breakerbench.wire.frames import encode
from breakerbench.wire.messages import Edges, Samples
from breakerbench.wire.packed import (
    MOST_SAMPLES,
    edges_messages,
    edges_of,
    pack_edges,
    pack_samples,
    packed_size,
    rows_of,
    samples_message,
    unpack_samples,
)
from wire.make_vectors import leb128, twelve

COUNTS = st.lists(st.integers(0, 4095), max_size=MOST_SAMPLES)


@given(COUNTS)
def test_samples_are_packed_as_one_long_number(values: list[int]) -> None:
    tail = pack_samples(np.array(values, np.int64))
    assert tail == twelve(values)
    assert unpack_samples(tail, len(values)).tolist() == values


@pytest.mark.parametrize("value", [-1, 4096])
def test_no_more_than_twelve_bits(value: int) -> None:
    with pytest.raises(ValueError, match="12 bits"):
        pack_samples(np.array([0, value]))


@given(
    npst.arrays(
        np.int16, st.tuples(st.integers(1, 3), st.integers(0, 200)), elements=st.integers(0, 4095)
    )
)
def test_rows_there_and_back(counts: np.ndarray) -> None:
    message = samples_message(12345, counts)
    assert (message.inputs, message.rows) == counts.shape
    assert np.array_equal(rows_of(message), counts)
    encode(message, 0)


@given(st.integers(0, 300), st.integers(0, 3), st.integers(0, 500))
def test_rows_that_do_not_fit_are_refused(rows: int, inputs: int, size: int) -> None:
    message = Samples(0, rows, inputs, bytes(size))
    if inputs and size == packed_size(rows * inputs):
        assert rows_of(message).shape == (inputs, rows)
    else:
        with pytest.raises(ValueError, match="Samples"):
            rows_of(message)


EDGES = st.lists(st.tuples(st.integers(0, 1 << 40), st.booleans()), max_size=300)


@given(EDGES, st.integers(0, 1 << 40))
def test_edges_there_and_back(steps: list[tuple[int, bool]], first: int) -> None:
    ticks = first + np.cumsum(np.array([s for s, _ in steps], np.int64))
    rising = np.array([up for _, up in steps], bool)
    parts = edges_messages(16, ticks, rising, lost=70_000)
    for part in parts:
        encode(part, 0)
    assert [part.lost for part in parts] == [65535, *[0] * (len(parts) - 1)][: len(parts)]
    found = [edges_of(part) for part in parts]
    assert [t for f in found for t in f[0].tolist()] == ticks.tolist()
    assert [r for f in found for r in f[1].tolist()] == rising.tolist()


def test_edges_byte_for_byte() -> None:
    tail = pack_edges(np.array([1000, 1300, 1_001_300]), np.array([True, False, True]))
    assert tail == leb128(1) + leb128(600) + leb128(2_000_001)


@pytest.mark.parametrize(
    ("count", "tail", "first"),
    [
        (2, leb128(1), 0),
        (0, leb128(1), 0),
        (1, b"\x81", 0),  # a number that does not end
        (1, leb128(4), 0),  # the first is not at its own time
        (2, leb128(1) + leb128(1 << 63), 0),
        (2, leb128(1) + leb128((1 << 63) - 1), (1 << 62) + 1),
        (1, leb128(1), 1 << 63),
    ],
)
def test_edges_that_contradict_themselves(count: int, tail: bytes, first: int) -> None:
    with pytest.raises(ValueError, match="Edges"):
        edges_of(Edges(16, count, 0, first, tail))


@given(st.integers(0, 20), st.binary(max_size=40), st.integers(0, (1 << 64) - 1))
def test_any_edges_are_no_crash_and_go_forward(count: int, tail: bytes, first: int) -> None:
    try:
        ticks, rising = edges_of(Edges(16, count, 0, first, tail))
    except ValueError:
        return
    assert len(ticks) == len(rising) == count
    assert (np.diff(ticks) >= 0).all()
    assert not count or ticks[0] == first


def test_edges_out_of_order_are_not_sent() -> None:
    with pytest.raises(ValueError, match="order"):
        pack_edges(np.array([5, 4]), np.array([True, False]))
