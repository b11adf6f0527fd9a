"""From blocks of samples to crossings: where the points channel enters and leaves the closed band.

The whole trace is compared against a level as it comes; only the few samples around each crossing
are kept, and everything after this module works on those. Blocks of any size come in; work is done on
blocks cut at fixed places of the sample clock, so that the result does not depend on how the input
was split.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import ceil, floor

import numpy as np
from numpy.typing import NDArray

from breakerbench.edges.levels import Levels, learn_levels, track_levels

#: Samples of one working block; every block ends at a multiple of this on the sample clock.
BLOCK = 1 << 18
#: Samples kept before and after a crossing. Sample PRE of a window is the first in the new state.
PRE, POST = 16, 48
WINDOW = np.arange(-PRE, POST)
#: Learning gives up on a stretch of this many samples and starts again with newer ones.
LEARN_LIMIT = 1 << 20

Samples = NDArray[np.int16] | NDArray[np.float32]
Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Crossings:
    """Crossings of the band around closed, in order, each changing the state.

    at      (n,) sample numbers: first sample in the new state
    out     (n,) True where the signal left the closed band
    closed, swing, noise   (n,) levels then, counts (closed) and counts of the turned signal
    held    (m, PRE + POST) samples around crossings; ``row`` (n,) tells which are these ones', None
            that all are. Picking among many crossings so moves no samples; see ``window``
    """

    at: Ints
    out: NDArray[np.bool_]
    held: Floats
    closed: Floats
    swing: Floats
    noise: Floats
    row: Ints | None = None

    def __len__(self) -> int:
        return len(self.at)

    @property
    def window(self) -> Floats:
        """(n, PRE + POST) samples around, less the closed level, turned so that open is positive."""
        return self.held if self.row is None else self.held[self.row]

    def pick(self, pick: NDArray[np.bool_] | Ints | slice) -> Crossings:
        """Some of them, sharing the samples of all: for picking among many several times over."""
        row = np.arange(len(self.at)) if self.row is None else self.row
        return Crossings(
            self.at[pick], self.out[pick], self.held,
            self.closed[pick], self.swing[pick], self.noise[pick], row[pick],
        )  # fmt: skip

    def take(self, pick: NDArray[np.bool_] | Ints | slice) -> Crossings:
        """Some of them with their own samples: for working on them and for keeping them."""
        some = self.pick(pick)
        return Crossings(some.at, some.out, some.window, some.closed, some.swing, some.noise)


def no_crossings() -> Crossings:
    none = np.empty(0)
    return Crossings(
        np.empty(0, np.int64), np.empty(0, bool), np.empty((0, PRE + POST)), none, none, none
    )


def join_crossings(parts: list[Crossings]) -> Crossings:
    if len(parts) == 1:
        return parts[0]
    if not parts:
        return no_crossings()
    names = ("at", "out", "window", "closed", "swing", "noise")
    return Crossings(*(np.concatenate([getattr(p, name) for p in parts]) for name in names))


def quiet_level(c: Crossings, first: int, end: int) -> Floats:
    """Mean of the window's columns first..end where the signal keeps still there.

    Where it does not (bounce), the tracked closed level, zero, stands in.
    """
    piece = c.window[:, first:end]
    quiet = np.ptp(piece, axis=1) < np.maximum(8.0 * c.noise, 0.1 * c.swing)
    return np.where(quiet, piece.mean(axis=1), 0.0)


class Rechunk:
    """Cuts contiguous samples at fixed places of the sample clock.

    ``feed`` returns the whole working blocks that are complete, ``rest`` what is left at a hole or at
    the end. What they return is good until the next call: one buffer serves all blocks.
    """

    def __init__(self) -> None:
        self._buffer: Samples = np.empty(0, np.int16)
        self._first: int | None = None
        self._held = 0

    def feed(self, first: int, x: Samples) -> Iterator[tuple[int, Samples]]:
        while len(x):
            if self._first is None:
                self._first, self._held = first, 0
                if not len(self._buffer) or self._buffer.dtype != x.dtype:
                    self._buffer = np.empty(BLOCK, x.dtype)
            room = BLOCK - (self._first % BLOCK) - self._held
            piece = x[:room]
            self._buffer[self._held : self._held + len(piece)] = piece
            self._held += len(piece)
            first += len(piece)
            x = x[room:]
            if len(piece) == room:
                done, self._first = self._first, None
                yield done, self._buffer[: self._held]

    def rest(self) -> tuple[int, Samples] | None:
        if self._first is None:
            return None
        first, self._first = self._first, None
        return first, self._buffer[: self._held]


class CrossingFinder:
    """Finds the crossings of one unbroken stretch of the points channel, block by block.

    zero      count at which the channel reads zero volts
    per_volt  counts a volt
    known     levels learned on an earlier stretch of the same trace, tried first

    State between blocks: the levels, whether the signal is out, the last PRE + POST samples, and
    the crossings whose window is not complete yet.
    """

    def __init__(self, zero: float, per_volt: float, known: Levels | None = None) -> None:
        self.levels: Levels | None = known
        self._zero = zero
        self._per_volt = per_volt
        self._waiting: list[tuple[int, Samples]] = []
        # Samples of the last block are kept in a buffer: how many in all, how many for the next one.
        self._ext: Samples = np.empty(0, np.int16)
        self._ends = 0
        self._tail = 0
        self._out: bool | None = None
        # Crossings whose window reaches past the samples so far: at, out, closed, swing, noise.
        self._late = np.empty((0, 5))
        self._scratch = np.empty(BLOCK, bool)
        self._flips = np.empty(BLOCK, bool)

    def feed(self, first: int, x: Samples) -> list[Crossings]:
        """Crossings completed by the working block ``x``, the next one of this stretch."""
        if self.levels is not None:
            return [self._scan(first, x)]
        self._waiting.append((first, x.copy()))
        return self._learn(final=False)

    def finish(self) -> list[Crossings]:
        """What can still be said when no more samples come: a late attempt to learn the levels."""
        return self._learn(final=True) if self._waiting else []

    def _learn(self, final: bool) -> list[Crossings]:
        x = np.concatenate([piece for _, piece in self._waiting]).astype(np.float64)
        self.levels = learn_levels(x, self._zero, self._per_volt)
        if self.levels is not None:
            waiting, self._waiting = self._waiting, []
            return [self._scan(first, piece) for first, piece in waiting]
        if len(x) > LEARN_LIMIT or final:
            drop = len(self._waiting) if final else len(self._waiting) // 2
            del self._waiting[:drop]
        return []

    def _scan(self, first: int, x: Samples) -> Crossings:
        assert self.levels is not None
        levels = self.levels = track_levels(self.levels, x)
        out = self._is_out(x, levels)
        flips = np.not_equal(out[1:], out[:-1], out=self._flips[: len(out) - 1])
        change = np.flatnonzero(flips)
        change += 1
        if self._out is not None and bool(out[0]) != self._out:
            change = np.concatenate([np.zeros(1, change.dtype), change])
        self._out = bool(out[-1])

        ext, start = self._behind_tail(first, x)
        rows = self._rows(change, first, out, levels)
        if len(self._late):
            rows = np.concatenate([self._late, rows])
        end = rows[:, 0] - start + POST
        late = end > len(ext)
        self._late = rows[late]
        # A crossing in the first PRE samples of a stretch has no window: it is left out.
        ready = ~late & (end >= PRE + POST)
        return self._gather(ext, start, rows[ready])

    def _behind_tail(self, first: int, x: Samples) -> tuple[Samples, int]:
        """(last samples of the block before with ``x`` behind them, number of the first of them).

        They lie in a buffer of its own, at whose beginning the new tail is left for the next call.
        """
        if not len(self._ext) or self._ext.dtype != x.dtype:
            self._ext = np.empty(PRE + POST + BLOCK, x.dtype)
        tail = self._tail
        whole = self._ext[: tail + len(x)]
        if self._ends:
            # The end of the last block becomes the tail of this one.
            whole[:tail] = self._ext[self._ends - tail : self._ends].copy()
        whole[tail:] = x
        self._ends = len(whole)
        self._tail = min(PRE + POST, len(whole))
        return whole, first - tail

    @staticmethod
    def _rows(change: Ints, first: int, out: NDArray[np.bool_], levels: Levels) -> Floats:
        """Crossings as rows of at, out, closed, swing, noise."""
        rows = np.empty((len(change), 5))
        rows[:, 0] = change + first
        rows[:, 1] = out[change]
        rows[:, 2:] = levels.closed, levels.swing, levels.noise
        return rows

    def _gather(self, x: Samples, start: int, rows: Floats) -> Crossings:
        """Crossings with their windows out of ``x``, whose first sample is number ``start``."""
        assert self.levels is not None
        at = rows[:, 0].astype(np.int64)
        window = x[(at - start)[:, None] + WINDOW].astype(np.float64)
        window -= rows[:, 2:3]
        if self.levels.sign < 0:
            np.negative(window, out=window)
        return Crossings(at, rows[:, 1] != 0, window, rows[:, 2], rows[:, 3], rows[:, 4])

    def _is_out(self, x: Samples, levels: Levels) -> NDArray[np.bool_]:
        """True where the sample lies outside the closed band. The hot loop of the program."""
        scratch = self._scratch[: len(x)]
        top, bottom = levels.closed + levels.low, levels.closed - levels.low
        upper: np.int16 | np.float32
        lower: np.int16 | np.float32
        if x.dtype == np.int16:
            # Compared with an int16 the loop stays in int16.
            upper = np.int16(min(max(floor(top), -32768), 32767))
            lower = np.int16(min(max(ceil(bottom), -32768), 32767))
        else:
            upper, lower = np.float32(top), np.float32(bottom)
        if levels.coil:
            np.greater(x, upper, out=scratch)
            return np.logical_or(scratch, np.less(x, lower), out=scratch)
        if levels.sign > 0:
            return np.greater(x, upper, out=scratch)
        return np.less(x, lower, out=scratch)
