"""Edges of a recording as bytes, and back to the last bit. The layout is in ``container``."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from breakerbench.sources.container import EDGE_GROUP, MAX_EDGES
from breakerbench.trace import EdgeTimes, Header

_EXACT_TICKS = 2.0**52
_TIMES = np.dtype("<f8")


def encode_edges(channel: int, resolution_s: float, edges: EdgeTimes) -> bytes:
    """One group. Ticks where tick times ``resolution_s`` gives back every time exactly, else f64.

    The times are finite and in order, and there is at least one.
    """
    time_s, rising = edges.time_s, edges.rising
    ticks = _ticks(time_s, resolution_s)
    if ticks is None:
        head = EDGE_GROUP.pack(channel, 0, len(time_s), 0)
        return head + time_s.astype(_TIMES).tobytes() + rising.astype(np.uint8).tobytes()
    steps = np.diff(ticks, prepend=ticks[:1]) * 2 + rising
    largest = int(steps.max())
    width = next(w for w in (1, 2, 4, 8) if largest < 1 << (8 * w))
    head = EDGE_GROUP.pack(channel, width, len(ticks), int(ticks[0]))
    return head + steps.astype(f"<u{width}").tobytes()


def _ticks(time_s: NDArray[np.float64], resolution_s: float) -> NDArray[np.int64] | None:
    if resolution_s <= 0:
        return None
    with np.errstate(over="ignore"):
        ticks = np.rint(time_s / resolution_s)
    if not (np.abs(ticks) < _EXACT_TICKS).all() or not np.array_equal(
        (ticks * resolution_s).view(np.int64), time_s.view(np.int64)
    ):
        return None
    return ticks.astype(np.int64)


def decode_edges(data: memoryview, header: Header) -> list[EdgeTimes] | None:
    """All groups in ``data``, or None where they are not sound."""
    found: list[EdgeTimes] = []
    at = 0
    last = -1
    while at < len(data):
        if len(data) - at < EDGE_GROUP.size:
            return None
        channel, coding, count, first = EDGE_GROUP.unpack_from(data, at)
        at += EDGE_GROUP.size
        length = count * (coding or 9)
        if (
            not last < channel < len(header.edge_channels)
            or coding not in (0, 1, 2, 4, 8)
            or not 0 < count <= MAX_EDGES
            or len(data) - at < length
        ):
            return None
        last = channel
        body = data[at : at + length]
        at += length
        edge_channel = header.edge_channels[channel]
        if coding == 0:
            time_s = np.frombuffer(body[: 8 * count], _TIMES)
            levels = np.frombuffer(body[8 * count :], np.uint8)
            rising = levels != 0
            if not (np.isfinite(time_s).all() and (np.diff(time_s) >= 0).all()):
                return None
        else:
            steps = np.frombuffer(body, f"<u{coding}")
            rising = (steps & 1).astype(np.bool_)
            steps = steps >> 1
            # MAX_EDGES steps of up to four bytes stay far below 2**53, wider ones may not.
            span = float(steps.sum(dtype=np.float64)) if coding == 8 else 0.0
            if abs(first) + span >= 2 * _EXACT_TICKS:
                return None
            ticks = np.cumsum(steps, dtype=np.int64)
            ticks += first
            time_s = ticks * edge_channel.resolution_s
        found.append(EdgeTimes(edge_channel.name, time_s, rising))
    return found
