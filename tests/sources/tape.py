"""The simulated board with a tape for its bench: all rows and edges of a capture are known."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from breakerbench.bench.board import SimulatedBoard
from breakerbench.bench.board_faults import BoardFaults, Wire
from breakerbench.bench.board_inputs import CLOCK_HZ
from breakerbench.bench.model import Bench
from breakerbench.bench.scenario import healthy
from breakerbench.wire.messages import Input, Mode, Reason

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

#: A prime: the same rows come again after so many, and no two captures begin alike.
LONG = 65_537
_COUNTS = np.random.default_rng(0).integers(0, 4096, (3, LONG)).astype(np.int16)
TICK_S = 1.0 / CLOCK_HZ


@dataclass(frozen=True)
class Tape:
    """What capture number ``capture`` samples: rows of ``mode``, edges ``every`` so many ticks."""

    capture: int
    begun_s: float
    mode: Mode
    every: dict[str, int]

    def counts(self, first: int, rows: int) -> NDArray[np.int16]:
        """(inputs, rows) from a row on."""
        at = (np.arange(first, first + rows) + 7919 * self.capture) % LONG
        return _COUNTS[: self.mode.inputs, at]

    def edges(self, name: str, first: int, end: int) -> tuple[Ints, Bools]:
        """Those from a tick to before another; no two lie alike from the ones before them."""
        every = self.every[name]
        n = np.arange(first // every, end // every + 1)
        ticks = n * every + (n * 2_654_435_761 + self.capture * 40_503) % (every // 2)
        own = (ticks >= first) & (ticks < end)
        return ticks[own], n[own] % 2 == 0


class _Playing:
    """Stands where ``Endless`` stands."""

    def __init__(self, tape: Tape) -> None:
        self.tape = tape
        self.edge_names = tuple(tape.every)
        self._row = self._tick = 0

    def take(self, rows: int) -> tuple[NDArray[np.int16], dict[str, tuple[Ints, Bools]]]:
        mode = self.tape.mode
        counts = self.tape.counts(self._row, rows)
        self._row += rows
        begin, self._tick = self._tick, self._row * mode.row_ticks // mode.row_parts
        return counts, {name: self.tape.edges(name, begin, self._tick) for name in self.tape.every}


class TapedBoard(SimulatedBoard):
    """Writes each capture that it begins to ``log``; else as the simulated board does."""

    def __init__(
        self,
        log: list[Tape],
        now: Callable[[], float],
        mode: Mode,
        every: dict[str, int],
        faults: BoardFaults | None = None,
        serial: str = "S1",
        buffer_s: float = 0.02,
    ) -> None:
        self.log, self.now, self.every = log, now, every
        #: Bytes that it still has to send from before it last began.
        self.stale = 0
        self.mode = mode
        super().__init__(self._bench(), 0, faults, serial, buffer_s)
        self._ready: dict[int, Any] = {}
        self._inputs = replace(self._inputs, modes={mode.mode: mode})

    def _bench(self) -> Bench:
        return healthy()

    def _endless(self, mode: int) -> Any:
        del mode
        if not hasattr(self, "_ready"):  # made ahead; nobody has asked for a capture yet
            return None
        tape = Tape(len(self.log), self.now(), self.mode, self.every)
        self.log.append(tape)
        return _Playing(tape)

    @property
    def alive(self) -> bool:
        return not self._gone

    def crash(self, rng: np.random.Generator, says_so: bool = True) -> None:
        """The watchdog restarts it: a frame may be cut, and what it says first may be lost."""
        del self._queue[int(rng.integers(0, len(self._queue) + 1)) :]
        self.stale = len(self._queue)
        self._begin(Reason.WATCHDOG)
        if not says_so:
            del self._queue[self.stale :]

    def _sent(self, most: int | None) -> bytes:
        sent = super()._sent(most)
        self.stale = max(self.stale - len(sent), 0)
        return sent

    def halt(self, reason: Reason, says_so: bool = True) -> None:
        """It ends its capture by itself."""
        if self._gone:
            return
        self._stop(reason)
        if not says_so:
            self._queue.clear()

    def hang(self) -> None:
        """Neither sends nor answers any more."""
        self._gone = True
        self._queue.clear()

    def calm(self) -> None:
        """Nothing more is wrong with it."""
        self._faults = BoardFaults()
        self._wire = Wire(self._faults)
        self._resets = []
        if self._running is not None:
            self._running._to_lose = []


def modes(rng: np.random.Generator) -> Mode:
    """One or two inputs at some 6 to 25 kHz: slow, so that seconds of it are taken in no time."""
    inputs = int(rng.integers(1, 3))
    parts = int(rng.choice([1, 1, 3, 7]))
    ticks = int(rng.integers(2500, 10_000)) * parts + int(rng.integers(0, parts))
    second = Input.CURRENT_A if inputs == 2 else 0
    return Mode(1, inputs, Input.POINTS_V, second, 0, ticks, parts, 125.0)
