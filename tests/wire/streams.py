"""A small capture as a stream of frames, with what it says, to be damaged."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from breakerbench.wire.capture import Board
from breakerbench.wire.frames import encode
from breakerbench.wire.messages import (
    Edge,
    Identity,
    Input,
    Message,
    Mode,
    Reason,
    Sampled,
    Status,
    Stopped,
)
from breakerbench.wire.packed import edges_messages, samples_message

CLOCK_HZ = 62_500_000
IDENTITY = Identity(1, 1, CLOCK_HZ, 0, 2, 2, 1, "test board", "S1", "build 1")
MODE = Mode(2, 2, Input.POINTS_V, Input.CURRENT_A, 0, 250, 1, 125.0)
SAMPLED = (
    Sampled(Input.POINTS_V, 12, 0.025, -51.2, 4e-6, 1e-7, 0.003, 0.05),
    Sampled(Input.CURRENT_A, 12, 0.005, -10.0, 4e-6, 0.0, -1.0, -1.0),
)
EDGES = (Edge(Input.INDEX, 1, 1e-6), Edge(Input.ENCODER, 1, 1e-6))
#: With the numbers as the wire carries them, of 32 bits.
BOARD = Board(
    IDENTITY,
    {int(s.input): Sampled.unpack(s.pack()) for s in SAMPLED},
    {int(e.input): Edge.unpack(e.pack()) for e in EDGES},
    {2: Mode.unpack(MODE.pack())},
)


@dataclass(frozen=True)
class Made:
    """counts: (2, rows); edges: name -> (ticks, rising); frames: each with its zero byte."""

    counts: NDArray[np.int16]
    edges: dict[str, tuple[NDArray[np.int64], NDArray[np.bool_]]]
    messages: list[Message]
    frames: list[bytes]

    @property
    def stream(self) -> bytes:
        return b"".join(self.frames)


def made(rng: np.random.Generator, blocks: int = 12, rows: int = 16) -> Made:
    """Edges up to the end of a block come before the next one."""
    total = blocks * rows
    counts = rng.integers(0, 4096, (2, total)).astype(np.int16)
    edges = {}
    for name, many in (("index", 3), ("encoder", 40)):
        ticks = np.sort(rng.choice(total * MODE.row_ticks, many, replace=False)).astype(np.int64)
        edges[name] = ticks, np.arange(many) % 2 == 0
    messages: list[Message] = []
    for k in range(blocks):
        begin, end = k * rows, (k + 1) * rows
        messages.append(samples_message(begin, counts[:, begin:end]))
        for name, (ticks, rising) in edges.items():
            own = (ticks >= begin * MODE.row_ticks) & (ticks < end * MODE.row_ticks)
            messages += edges_messages(Input[name.upper()], ticks[own], rising[own])
        if k % 4 == 3:
            messages.append(Status(1, 0, end, 0, 0, 0, 0, 5.0, 25.0))
    messages.append(Stopped(Reason.ASKED, total))
    frames = [encode(m, 100 + k, 1000 * k) for k, m in enumerate(messages)]
    return Made(counts, edges, messages, frames)
