"""From blocks of samples to crossings: where the points channel enters and leaves the closed band.

The whole trace is compared against a level as it comes; only the few samples around each crossing
are kept, and everything after this module works on those. Blocks of any size come in; work is done on
blocks cut at fixed places of the sample clock, so that the result does not depend on how the input
was split.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import ceil, floor, log2

import numpy as np
from numpy.typing import NDArray

from breakerbench.edges.levels import DEEP, Levels, dip_begin, learn_levels, track_levels
from breakerbench.edges.misses import near_misses

#: A working block lasts as long as this or up to twice as long, but has no more samples than that.
BLOCK_S = 1.5
MOST_BLOCK = 1 << 19
#: Samples kept before and after a crossing. Sample PRE of a window is the first in the new state.
PRE, POST = 16, 48
#: A run of less than this share of the mean ones of its kind is a bounce's.
BRIEF = 0.2
#: Learning gives up on a stretch of this many samples and starts again with newer ones.
LEARN_LIMIT = 1 << 20

_ALL_OUT = np.uint64(0x0101010101010101)
_FIRST = np.zeros(1, np.int64)

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

    def columns(self, first: int, end: int) -> Floats:
        """Columns first..end of the window alone, which moves fewer samples."""
        some = self.held[:, first:end]
        return some if self.row is None else some[self.row]

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
    # Columns made rows: numpy adds whole rows many times faster than it adds along them.
    piece = np.ascontiguousarray(c.columns(first, end).T)
    spread = np.maximum.reduce(piece) - np.minimum.reduce(piece)
    quiet = spread < np.maximum(8.0 * c.noise, 0.1 * c.swing)
    return np.where(quiet, np.add.reduce(piece) / len(piece), 0.0)


def middle_level(c: Crossings, first: int, end: int) -> Floats:
    """Median of the window's columns first..end, an odd number of them."""
    middle = (end - first) // 2
    return np.partition(c.columns(first, end), middle, axis=1)[:, middle]


def changes(out: NDArray[np.bool_]) -> Ints:
    """Places at which ``out`` differs from the place before, eight compared at once."""
    whole = len(out) // 8 * 8
    words = out[:whole].view("<u8")
    if len(words) < 2:
        return np.flatnonzero(out[1:] != out[:-1]) + 1
    # A change lies in a word that differs from the one before it, or in the first one.
    odd = np.flatnonzero(words[1:] != words[:-1])
    odd += 1
    odd = np.concatenate([_FIRST, odd])
    word, before = words[odd], words[odd - 1]
    before[0] = word[0] << np.uint64(56)
    steady = np.flatnonzero(odd[1:] - odd[:-1] > 1)
    mixed = (word != 0) & (word != _ALL_OUT)
    if mixed[steady].any() or whole < len(out) or (mixed[-1] and odd[-1] < len(words) - 1):
        # Rare: words that are mixed and yet the same in a row, or a block that is no multiple of 8.
        return np.flatnonzero(out[1:] != out[:-1]) + 1
    differs = word ^ (word << np.uint64(8) | before >> np.uint64(56))
    byte = np.flatnonzero(differs.view(bool))
    return np.asarray(8 * odd[byte >> 3] + (byte & 7))


def _bounces(change: Ints) -> bool:
    """Whether some run between two changes is much shorter than the others of its kind."""
    runs = np.diff(change)
    return any(len(r) and r.min() < BRIEF * r.mean() for r in (runs[::2], runs[1::2]))


def working_block(sample_rate_hz: float) -> int:
    """Samples of one working block, a power of two: fixed for a trace, whatever its input's blocks."""
    return min(1 << ceil(log2(max(BLOCK_S * sample_rate_hz, 64.0))), MOST_BLOCK)


class Rechunk:
    """Cuts contiguous samples at the multiples of ``block`` on the sample clock.

    ``feed`` returns the whole working blocks that are complete, ``rest`` what is left at a hole or at
    the end. What they return is good until the next call: one buffer serves all blocks.
    """

    def __init__(self, block: int) -> None:
        self.block = block
        self._buffer: Samples = np.empty(0, np.int16)
        self._first: int | None = None
        self._held = 0

    def feed(self, first: int, x: Samples) -> Iterator[tuple[int, Samples]]:
        block = self.block
        while len(x):
            if self._first is None and first % block == 0 and len(x) >= block:
                # A whole working block as it came: nothing to copy.
                yield first, x[:block]
                first += block
                x = x[block:]
                continue
            if self._first is None:
                self._first, self._held = first, 0
                if not len(self._buffer) or self._buffer.dtype != x.dtype:
                    self._buffer = np.empty(block, x.dtype)
            room = block - (self._first % block) - self._held
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
    coarse    a touch may be over before a sample falls into it: dips of the open level are looked for
              everywhere, not only in blocks in which some contact bounces

    State between blocks: the levels, whether the signal is out, the last PRE + POST samples, and
    the crossings whose window is not complete yet.
    """

    def __init__(
        self, zero: float, per_volt: float, known: Levels | None = None, coarse: bool = True
    ) -> None:
        self.levels: Levels | None = known
        self._coarse = coarse
        self._zero = zero
        self._per_volt = per_volt
        self._waiting: list[tuple[int, Samples]] = []
        # The last samples so far, as many as windows reach over.
        self._tail: Samples = np.empty(0, np.int16)
        self._out: bool | None = None
        # Crossings whose window reaches past the samples so far: at, out, closed, swing, noise.
        self._late = np.empty((0, 5))
        self._scratch = np.empty(0, bool)
        self._above = np.empty(0, bool)

    def feed(self, first: int, x: Samples) -> list[Crossings]:
        """Crossings completed by the working block ``x``, the next one of this stretch."""
        if self.levels is not None:
            return self._scan(first, x)
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
            return [c for first, piece in waiting for c in self._scan(first, piece)]
        if len(x) > LEARN_LIMIT or final:
            drop = len(self._waiting) if final else len(self._waiting) // 2
            del self._waiting[:drop]
        return []

    def _scan(self, first: int, x: Samples) -> list[Crossings]:
        assert self.levels is not None
        levels = self.levels = track_levels(self.levels, x)
        out = self._is_out(x, levels)
        change = changes(out)
        if self._out is not None and bool(out[0]) != self._out:
            change = np.concatenate([np.zeros(1, change.dtype), change])
        self._out = bool(out[-1])
        if levels.coil:
            change = near_misses(x, change, out, levels)
        elif self._coarse or _bounces(change):
            change = self._with_dips(x, change, out, levels)

        rows = self._rows(change, first, out, levels)
        # Windows that reach back before this block are cut from the seam of the two.
        seam_start = first - len(self._tail)
        seam = np.concatenate([self._tail, x[: PRE + POST]])
        back = int(np.searchsorted(change, PRE))
        ahead = int(np.searchsorted(change, len(x) - POST, side="right"))
        over_seam = np.concatenate([self._late, rows[:back]])
        end = over_seam[:, 0] - seam_start + POST
        late = end > len(seam)
        self._late = np.concatenate([over_seam[late], rows[max(ahead, back) :]])
        # A crossing in the first PRE samples of a stretch has no window: it is left out.
        over_seam = over_seam[~late & (end >= PRE + POST)]
        self._tail = x[-PRE - POST :].copy() if len(x) >= PRE + POST else seam[-PRE - POST :]
        pieces = ((seam, seam_start, over_seam), (x, first, rows[back:ahead]))
        return [self._gather(*piece) for piece in pieces if len(piece[2])]

    def _with_dips(self, x: Samples, change: Ints, out: NDArray[np.bool_], levels: Levels) -> Ints:
        """Changes with those into and out of dips of the open level, ``out`` with them (see ``dips``).

        A dip over the edge of a working block is not seen.
        """
        begin = float(dip_begin(levels.swing, levels.noise))
        if levels.swing - DEEP * begin <= levels.low:
            return change
        mark = levels.closed + levels.sign * (levels.swing - begin)
        level: np.int16 | np.float32
        if x.dtype == np.int16:
            level = np.int16(min(max(round(mark), -32768), 32767))
        else:
            level = np.float32(mark)
        above = self._above[: len(x)]
        (np.greater if levels.sign > 0 else np.less)(x, level, out=above)
        edge = changes(above)
        if len(edge) and above[edge[0]]:
            edge = edge[1:]
        edge = edge[: len(edge) // 2 * 2]
        # Below the open level without a crossing of the closed band.
        place = np.searchsorted(change, edge)
        alone = place[::2] == place[1::2]
        if not alone.any():
            return change
        first, end = edge[::2][alone], edge[1::2][alone]
        bounds = np.stack([first, end], axis=1).ravel()
        height = (x[first[0] : end[-1]] - np.float32(levels.closed)) * np.float32(levels.sign)
        least = np.minimum.reduceat(height, bounds[:-1] - first[0])[::2]
        deep = out[first] & (least < levels.swing - DEEP * begin)
        if not deep.any():
            return change
        bounds = bounds.reshape(-1, 2)[deep].ravel()
        for begins, ends in bounds.reshape(-1, 2).tolist():
            out[begins:ends] = False
        return np.asarray(np.union1d(change, bounds), np.int64)

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
        step = x.itemsize
        # Every stretch of PRE + POST samples, as a view.
        shape = (len(x) - PRE - POST + 1, PRE + POST)
        around: Samples = np.ndarray(shape, x.dtype, np.ascontiguousarray(x), 0, (step, step))
        window = around[at - (start + PRE)].astype(np.float64)
        closed = rows[:, 2:3]
        if self.levels.sign > 0:
            np.subtract(window, closed, out=window)
        else:
            np.subtract(closed, window, out=window)
        return Crossings(at, rows[:, 1] != 0, window, rows[:, 2], rows[:, 3], rows[:, 4])

    def _is_out(self, x: Samples, levels: Levels) -> NDArray[np.bool_]:
        """True where the sample lies outside the closed band. The hot loop of the program."""
        if len(self._scratch) < len(x):
            self._scratch, self._above = np.empty(len(x), bool), np.empty(len(x), bool)
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
