"""A capture of the simulated board: when its next rows are there, and what they and their edges are."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from breakerbench.bench.board_charging import ChargingRows
from breakerbench.bench.board_faults import BoardFaults
from breakerbench.bench.board_inputs import CLOCK_HZ
from breakerbench.bench.endless import Endless, Stamps
from breakerbench.wire.messages import Mode

#: Samples that a block holds, of all inputs together.
BLOCK_SAMPLES = 640


class Running:
    """One capture from the tick of its row 0 on."""

    def __init__(
        self, mode: Mode, bench: Endless | ChargingRows, tick: int, faults: BoardFaults
    ) -> None:
        self.mode, self.tick = mode, tick
        #: Rows taken from the converter; of these not sent; edges not sent.
        self.rows = self.rows_lost = self.edges_lost = 0
        #: Edges of each input lost since the last that were sent.
        self.gone: dict[str, int] = dict.fromkeys(bench.edge_names, 0)
        self._bench = bench
        self._block = BLOCK_SAMPLES // mode.inputs
        self._to_lose = [(round(at * CLOCK_HZ), many) for at, many in sorted(faults.edges_lost)]
        self._loses = "encoder" if "encoder" in self.gone else "index"

    @property
    def due_tick(self) -> int:
        """When the last row of the next block is there."""
        rows = self.rows + self._block
        return self.tick + -(-rows * self.mode.row_ticks // self.mode.row_parts)

    def sampled_until(self, tick: int) -> int:
        """Rows of which every sample was taken before a tick."""
        return max(tick - self.tick, 0) * self.mode.row_parts // self.mode.row_ticks

    def take(self, rows: int | None = None) -> tuple[NDArray[np.int16], dict[str, Stamps]]:
        """The next rows (a block), (inputs, rows) counts, and the edges up to their end."""
        many = self._block if rows is None else rows
        self.rows += many
        return self._bench.take(many)

    def stretches(self, name: str, stamps: Stamps) -> Iterator[Stamps]:
        """Those edges that the board keeps, in stretches; ``gone`` then says what it lost before."""
        ticks, rising = stamps
        while len(ticks) and name == self._loses and self._to_lose:
            at, many = self._to_lose[0]
            first = int(np.searchsorted(ticks, at))
            if first == len(ticks):
                break
            if first:
                yield ticks[:first], rising[:first]
            lost = min(many, len(ticks) - first)
            self.lose(name, lost)
            if many > lost:
                self._to_lose[0] = (at, many - lost)
            else:
                self._to_lose.pop(0)
            ticks, rising = ticks[first + lost :], rising[first + lost :]
        if len(ticks):
            yield ticks, rising

    def lose(self, name: str, edges: int) -> None:
        """Counts edges as lost."""
        self.gone[name] += edges
        self.edges_lost += edges
