"""The program's side for tests of the simulated board: sends commands, takes what comes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from breakerbench.bench.board import SimulatedBoard
from breakerbench.bench.board_inputs import CLOCK_HZ
from breakerbench.bench.drive import Drive
from breakerbench.bench.electric_faults import on_a_coil
from breakerbench.bench.model import Bench
from breakerbench.bench.scenario import healthy
from breakerbench.trace import Block, EdgeTimes, Event, Hole
from breakerbench.wire.capture import Board, Capture
from breakerbench.wire.frames import Frame, encode
from breakerbench.wire.messages import (
    Edge,
    Hello,
    Identity,
    Message,
    Mode,
    Reply,
    Sampled,
    Start,
    Started,
)
from breakerbench.wire.receive import Received, Receiver

PLAN = ((0.0, 900.0), (0.4, 900.0), (1.0, 1500.0))


def bench(coil: bool = False) -> Bench:
    """One second of a healthy distributor."""
    made = healthy()
    made = replace(made, drive=Drive(PLAN, made.drive.ripples))
    return on_a_coil(made) if coil else made


@dataclass
class Program:
    """Sends by ``send``; ``heard`` is all that came in order."""

    send: Callable[[bytes], object]
    receiver: Receiver = field(default_factory=Receiver)
    heard: list[Received] = field(default_factory=list)
    sequence: int = 0

    def say(self, *messages: Message) -> None:
        for message in messages:
            self.send(encode(message, self.sequence))
            self.sequence += 1

    def hear(self, data: bytes) -> list[Message]:
        """The messages that these bytes complete."""
        found = self.receiver.feed(data)
        self.heard += found
        return [f.message for f in found if isinstance(f, Frame) and f.message is not None]

    @property
    def messages(self) -> list[Message]:
        return [f.message for f in self.heard if isinstance(f, Frame) and f.message is not None]

    def of(self, kind: type) -> list[Message]:
        return [m for m in self.messages if isinstance(m, kind)]

    def replies(self) -> list[tuple[int, int]]:
        """(sequence of the command, outcome) of each answer."""
        return [(m.to, m.outcome) for m in self.messages if isinstance(m, Reply)]

    def board(self) -> Board:
        """What the board told of itself last."""
        told = self.messages
        begin = max(k for k, m in enumerate(told) if isinstance(m, Identity))
        identity = told[begin]
        assert isinstance(identity, Identity)
        part = told[begin:]
        return Board(
            identity,
            {m.input: m for m in part if isinstance(m, Sampled)},
            {m.input: m for m in part if isinstance(m, Edge)},
            {m.mode: m for m in part if isinstance(m, Mode)},
        )

    def capture(self) -> tuple[list[Event], Capture]:
        """The trace of the last capture that began."""
        begin = max(
            k for k, f in enumerate(self.heard)
            if isinstance(f, Frame) and isinstance(f.message, Started)
        )  # fmt: skip
        frame = self.heard[begin]
        assert isinstance(frame, Frame)
        assert isinstance(frame.message, Started)
        board = self.board()
        mode = board.modes[frame.message.mode]
        capture = Capture(board, mode, board.header(mode, simulated=True))
        events = [event for each in self.heard[begin + 1 :] for event in capture.add(each)]
        return events, capture


def begun(board: SimulatedBoard, mode: int = 1) -> Program:
    """A program that has said Hello and Start at time 0."""
    program = Program(board.take)
    program.hear(board.give(0.0))
    program.say(Hello(1, 1), Start(mode))
    return program


def counts_of(events: list[Event]) -> NDArray[np.int16]:
    """(inputs, rows) of all blocks."""
    return np.concatenate([np.array(e.samples) for e in events if isinstance(e, Block)], axis=1)


def edges_of(events: list[Event], name: str) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """(ticks, rising)."""
    own = [e for e in events if isinstance(e, EdgeTimes) and e.name == name]
    time_s = np.concatenate([e.time_s for e in own]) if own else np.empty(0)
    rising = np.concatenate([e.rising for e in own]) if own else np.empty(0, bool)
    return np.rint(time_s * CLOCK_HZ).astype(np.int64), rising


def holes_of(events: list[Event]) -> list[Hole]:
    return [e for e in events if isinstance(e, Hole)]
