"""What may become of a stretch of a stream on its way."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np

#: (data, what came before it, chance) -> what arrives.
Damage = Callable[[bytes, bytes, np.random.Generator], bytes]


def whole(data: bytes) -> list[bytes]:
    """Frames with their zero byte; the first and the last may be parts of one."""
    *whole, rest = data.split(b"\0")
    return [each + b"\0" for each in whole] + ([rest] if rest else [])


def _drop(data: bytes, _: bytes, rng: np.random.Generator) -> bytes:
    at, size = rng.integers(0, len(data)), rng.integers(1, 12)
    return data[:at] + data[at + size :]


def _flip(data: bytes, _: bytes, rng: np.random.Generator) -> bytes:
    spoiled = bytearray(data)
    spoiled[int(rng.integers(0, len(data)))] ^= 1 << int(rng.integers(0, 8))
    return bytes(spoiled)


def _double(data: bytes, _: bytes, rng: np.random.Generator) -> bytes:
    at, size = rng.integers(0, len(data)), rng.integers(1, 12)
    return data[: at + size] + data[at:]


def _swap(data: bytes, _: bytes, rng: np.random.Generator) -> bytes:
    spoiled = bytearray(data)
    a, b = (int(each) for each in rng.integers(0, len(data), 2))
    spoiled[a], spoiled[b] = spoiled[b], spoiled[a]
    return bytes(spoiled)


def _cut(data: bytes, _: bytes, rng: np.random.Generator) -> bytes:
    return data[: int(rng.integers(0, len(data)))]


def _splice(data: bytes, came: bytes, rng: np.random.Generator) -> bytes:
    """A stretch that came before stands here once more, or instead."""
    before = came[-4000:] + data
    begin, at = int(rng.integers(0, len(before))), int(rng.integers(0, len(data)))
    part = before[begin : begin + int(rng.integers(1, 3000))]
    return data[:at] + part + data[at + (len(part) if rng.integers(0, 2) else 0) :]


def _insert(data: bytes, _: bytes, rng: np.random.Generator) -> bytes:
    at = int(rng.integers(0, len(data)))
    return (
        data[:at] + rng.integers(0, 256, int(rng.integers(1, 3000)), np.uint8).tobytes() + data[at:]
    )


def _frame_lost(data: bytes, _: bytes, rng: np.random.Generator) -> bytes:
    frames = whole(data)
    del frames[int(rng.integers(0, len(frames)))]
    return b"".join(frames)


def _frame_twice(data: bytes, _: bytes, rng: np.random.Generator) -> bytes:
    frames = whole(data)
    k = int(rng.integers(0, len(frames)))
    return b"".join([*frames[: k + 1], *frames[k:]])


def _frames_swapped(data: bytes, _: bytes, rng: np.random.Generator) -> bytes:
    frames = whole(data)
    k = int(rng.integers(0, len(frames)))
    frames[k : k + 2] = frames[k : k + 2][::-1]
    return b"".join(frames)


def _frame_from_before(data: bytes, came: bytes, rng: np.random.Generator) -> bytes:
    frames, before = whole(data), whole(came)
    if not before:
        return data
    frames.insert(int(rng.integers(0, len(frames))), before[int(rng.integers(0, len(before)))])
    return b"".join(frames)


DAMAGES: Mapping[str, Damage] = {
    "bytes dropped": _drop,
    "bit flipped": _flip,
    "bytes doubled": _double,
    "bytes swapped": _swap,
    "cut short": _cut,
    "spliced": _splice,
    "rubbish": _insert,
    "frame lost": _frame_lost,
    "frame twice": _frame_twice,
    "frames swapped": _frames_swapped,
    "frame from before": _frame_from_before,
}
