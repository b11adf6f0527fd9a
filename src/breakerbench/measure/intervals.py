"""Time from one opening to the next over a trace, evened out over a turn: the speed of each opening."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from breakerbench.edges.cycles import Batch

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Openings about each one that even out uneven lobes, where the lobes are not known.
UNKNOWN_LOBES = 12


class Intervals:
    """Takes the cycles of one trace; eight bytes an opening are kept: of four lobes at 2,500 rpm 5 MB an
    hour, in one array that grows by half, not in many small ones that lie all over the memory for ever.
    """

    def __init__(self, rate_hz: float) -> None:
        self._rate = rate_hz
        self._found = np.empty(1024)
        self._count = 0  # openings up to the last that came

    def add(self, batch: Batch) -> None:
        if not len(batch.number):
            return
        before, self._count = self._count, int(batch.number[-1]) + 1
        if self._count > len(self._found):
            grown = np.empty(self._count + self._count // 2)
            grown[:before] = self._found[:before]
            self._found = grown
        self._found[before : self._count] = np.nan  # of those left out
        self._found[batch.number] = batch.interval / self._rate

    def evened_s(self, number: Ints, lobes: int | None) -> Floats:
        """Mean interval over a turn about each of these openings, s; NaN where none is known.

        A missed opening makes one interval two: those far above the middle one about it are left out.
        """
        if not self._count:
            return np.full(len(number), np.nan)
        found = self._found[: self._count]
        # An interval lies before its opening: so many before and after it make whole turns.
        half = lobes or UNKNOWN_LOBES // 2
        padded = np.concatenate([np.full(half - 1, np.nan), found, np.full(half, np.nan)])
        around = np.lib.stride_tricks.sliding_window_view(padded, 2 * half)[number]
        known = np.isfinite(around)
        filled = np.sort(np.where(known, around, np.inf), axis=1)
        count = known.sum(axis=1)
        middle = filled[np.arange(len(number)), np.maximum(count - 1, 0) // 2]
        kept = known & (around < 1.6 * middle[:, None])
        total = np.where(kept, around, 0.0).sum(axis=1)
        with np.errstate(invalid="ignore"):
            return np.where(kept.any(axis=1), total / np.maximum(kept.sum(axis=1), 1), np.nan)
