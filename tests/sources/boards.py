"""A board of a few messages behind a line that breaks as it is told, on a clock of its own."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from breakerbench.sources.line import LineLost
from breakerbench.wire.frames import Decoder, Frame, encode
from breakerbench.wire.messages import (
    Begun,
    Hello,
    Message,
    Outcome,
    Reason,
    Reply,
    Start,
    Started,
    Status,
    Stop,
    Stopped,
)
from breakerbench.wire.packed import samples_message
from wire.streams import BOARD, IDENTITY, MODE

#: Rows of one block, and a read's time, s: 4 blocks a read.
ROWS, BLOCKS, READ_S = 250, 4, 0.004


class Clock:
    def __init__(self) -> None:
        self.s = 0.0

    def now(self) -> float:
        return self.s

    def sleep(self, seconds: float) -> None:
        self.s += seconds


def counts_of(first: int, rows: int) -> np.ndarray:
    """What the board samples: told by the number of the row."""
    at = np.arange(first, first + rows)
    return np.stack([at % 4096, at * 7 % 4096]).astype(np.int16)


class FakeBoard:
    """Answers as a board does. ``spoil(number of the read)`` says what goes wrong with it, or nothing."""

    def __init__(
        self, clock: Clock, spoil: Callable[[int], object] = lambda _: None, serial: str = "S1"
    ) -> None:
        self.clock, self.spoil, self.serial = clock, spoil, serial
        self.sequence, self.row, self.reads = 0, 0, 0
        self.capturing = self.closed = False
        self.waiting: list[bytes] = []
        self.decoder = Decoder()
        self.parts: list[Message] = [*BOARD.sampled.values(), *BOARD.edges.values(), MODE]
        self.identity = replace(IDENTITY, serial=serial, board="simulated")
        self.send(Begun(Reason.POWER))

    def send(self, message: Message) -> None:
        self.waiting.append(encode(message, self.sequence, int(self.clock.s * 62.5e6)))
        self.sequence += 1

    def reset(self) -> None:
        self.sequence, self.row, self.capturing = 0, 0, False
        self.send(Begun(Reason.WATCHDOG))

    # --- a line ---

    def read(self) -> bytes:
        assert not self.closed
        self.reads += 1
        self.clock.s += READ_S
        spoiled = self.spoil(self.reads)
        if isinstance(spoiled, Exception):
            raise spoiled
        if self.capturing:
            for _ in range(BLOCKS):
                self.send(samples_message(self.row, counts_of(self.row, ROWS)))
                self.row += ROWS
        data, self.waiting = b"".join(self.waiting), []
        if spoiled == "silence":
            return b""
        if spoiled in ("lost", "idle"):
            self.capturing = spoiled == "lost"
            self.send(Status(int(self.capturing), 0, 0, 0, 0, 0, 0, 5.0, 25.0))
            self.waiting, left = [], b"".join(self.waiting)
            return left if self.capturing else data + left
        if spoiled == "half a frame":
            return data[: len(data) // 2 + 3]
        if spoiled == "reset":
            self.reset()
            self.waiting, left = [], b"".join(self.waiting)
            return data + left
        return data

    def write(self, data: bytes) -> None:
        for frame in self.decoder.feed(data):
            if isinstance(frame, Frame) and frame.message is not None:
                self.take(frame.message, frame.sequence)

    def take(self, message: Message, number: int) -> None:
        if isinstance(message, Hello):
            self.capturing = False
            self.send(self.identity)
            for part in self.parts:
                self.send(part)
        if isinstance(message, Start):
            self.capturing, self.row = True, 0
            self.send(Started(message.mode, 0))
        if isinstance(message, Stop):
            self.capturing = False
            self.send(Stopped(Reason.ASKED, self.row))
        self.send(Reply(number, message.CODE, Outcome.DONE, 0))

    def close(self) -> None:
        self.closed = True


def gone(_: str) -> FakeBoard:
    raise LineLost("no such port")
