"""The core and the simulated board, both with the same tape for a bench, to be told apart by nothing."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from breakerbench.bench.board import SimulatedBoard
from breakerbench.bench.board_inputs import Inputs
from breakerbench.bench.scenario import healthy
from breakerbench.wire.capture import Board
from breakerbench.wire.messages import Mode
from firmware.core import Core, CoreBoard
from sources.tape import Tape, _Playing

#: Bytes that the core keeps for captures.
ROOM = 98_304 - 8_192
EVERY = {"index": 1_500_000, "encoder": 4_000}


def playing(modes: dict[int, Mode], every: dict[str, int]) -> Any:
    """Maker of benches for ``CoreBoard``; each capture begins elsewhere on the tape."""
    count = [0]

    def make(mode: int) -> _Playing:
        tape = Tape(count[0], 0.0, modes[mode], every)
        count[0] += 1
        return _Playing(tape)

    return make


class Twin(SimulatedBoard):
    """With inputs and modes as the core tells them, and its room."""

    def __init__(self, told: Board, every: dict[str, int], room: int = ROOM) -> None:
        self._make: Any = None
        super().__init__(healthy(), buffer_s=room / 800_000)
        self._inputs = Inputs(told.sampled, told.edges, told.modes, {}, False)
        self._kept = dict(told.sampled), False
        self._sampled = dict(told.sampled)
        self._ready: dict[int, Any] = {}
        self._make = playing(told.modes, every)

    def _endless(self, mode: int) -> Any:
        return self._make(mode) if self._make is not None else None


def twins(
    program: Path, told: Board, every: dict[str, int] | None = None
) -> tuple[CoreBoard, Twin]:
    """Leave the first's ``core`` when done."""
    every = EVERY if every is None else every
    core = CoreBoard(Core(program), told.modes, playing(told.modes, every))
    return core, Twin(told, every)
