"""Samples of 12 bits and edge times as the wire carries them; layout: see ``protocol.toml``."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from breakerbench.wire.messages import MOST_BODY, Edges, Samples

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

#: Samples, and bytes of edges, that one message holds at most.
MOST_SAMPLES = (MOST_BODY - Samples.LAYOUT.size) * 2 // 3
MOST_EDGE_BYTES = MOST_BODY - Edges.LAYOUT.size
#: Bytes of the longest edge that is taken: 63 bits.
LONGEST = 9
MOST_LOST = 0xFFFF


def pack_samples(counts: NDArray[np.integer]) -> bytes:
    """12-bit counts, two in three bytes. Raises ValueError where one has more bits."""
    x = np.asarray(counts, np.int64)
    if len(x) and (x.min() < 0 or x.max() > 0xFFF):
        raise ValueError("a sample of more than 12 bits")
    whole = np.append(x, 0) if len(x) % 2 else x
    low, high = whole[::2], whole[1::2]
    triple = np.stack([low & 0xFF, low >> 8 | (high & 0xF) << 4, high >> 4], axis=1)
    return triple.astype(np.uint8).tobytes()[: packed_size(len(x))]


def packed_size(samples: int) -> int:
    """Bytes of so many samples."""
    return (samples * 12 + 7) // 8


def unpack_samples(tail: bytes, samples: int) -> NDArray[np.int16]:
    """(samples,) counts. Raises ValueError where the bytes are not as many as that takes."""
    if len(tail) != packed_size(samples):
        raise ValueError("Samples: not as many bytes as rows")
    data = np.frombuffer(tail + b"\0" if samples % 2 else tail, np.uint8).astype(np.int16)
    low, middle, high = data[::3], data[1::3], data[2::3]
    found = np.empty(2 * len(low), np.int16)
    found[::2] = low | (middle & 0xF) << 8
    found[1::2] = middle >> 4 | high << 4
    return found[:samples]


def rows_of(message: Samples) -> NDArray[np.int16]:
    """(inputs, rows) counts. Raises ValueError where its numbers do not fit each other."""
    if not message.inputs:
        raise ValueError("Samples: rows of nothing")
    flat = unpack_samples(message.tail, message.rows * message.inputs)
    return np.ascontiguousarray(flat.reshape(message.rows, message.inputs).T)


def samples_message(first: int, counts: NDArray[np.integer]) -> Samples:
    """From (inputs, rows) counts."""
    inputs, rows = counts.shape
    return Samples(first, rows, inputs, pack_samples(np.asarray(counts).T.reshape(-1)))


def pack_edges(ticks: Ints, rising: Bools) -> bytes:
    """Edges in time order, delta-coded. Raises ValueError where a time goes back."""
    steps = np.diff(ticks, prepend=ticks[:1])
    if len(steps) and steps.min() < 0:
        raise ValueError("edges out of order")
    out = bytearray()
    for number in (steps * 2 + rising).tolist():
        rest = number
        while rest > 0x7F:
            out.append(rest & 0x7F | 0x80)
            rest >>= 7
        out.append(rest)
    return bytes(out)


def edges_of(message: Edges) -> tuple[Ints, Bools]:
    """(ticks since Started, True where the line went up).

    Raises ValueError where the message contradicts itself.
    """
    data = np.frombuffer(message.tail, np.uint8)
    ends = np.flatnonzero(data < 0x80) + 1
    if len(ends) != message.count or (ends[-1] if len(ends) else 0) != len(data):
        raise ValueError("Edges: not as many as it says")
    if not len(data):
        return np.empty(0, np.int64), np.empty(0, bool)
    starts = np.append(0, ends[:-1])
    if (ends - starts).max() > LONGEST:
        raise ValueError("Edges: a time of too many bits")
    place = np.arange(len(data)) - np.repeat(starts, ends - starts)
    numbers = np.add.reduceat((data & 0x7F).astype(np.int64) << 7 * place, starts)
    if numbers[0] > 1:
        raise ValueError("Edges: the first lies off its own time")
    # In Python's integers: a hostile message may count beyond 63 bits.
    if message.first + sum((numbers >> 1).tolist()) >= 1 << 63:
        raise ValueError("Edges: a time of too many bits")
    return message.first + np.cumsum(numbers >> 1), (numbers & 1).astype(bool)


def edges_messages(which: int, ticks: Ints, rising: Bools, lost: int = 0) -> list[Edges]:
    """As many messages as these edges take."""
    most = MOST_EDGE_BYTES // LONGEST
    return [
        Edges(
            which, len(part), min(lost, MOST_LOST) if at == 0 else 0, int(part[0]),
            pack_edges(part, rising[at : at + most]),
        )
        for at in range(0, len(ticks), most)
        for part in [ticks[at : at + most]]
    ]  # fmt: skip
