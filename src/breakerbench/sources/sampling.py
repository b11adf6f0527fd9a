"""Is the time column of an import uniform, and what is its sample time?

An interval may deviate from the sample time by 1 %, and by what the printing of the times explains:
half a unit of the last printed digit at either end. Instruments print a fixed number of decimals
(6: the steps of 167 kS/s come as 5 and as 6 us), a fixed number of digits (6: after ten seconds the
steps are lost in the last one), or single precision with all its digits. Which of these it is, is
read off the text, and only where the 1 % alone does not hold.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

#: An interval may deviate from the sample time by this part of it.
UNIFORM = 0.01
#: Where single steps are lost in the printing, stretches are compared in which it is this part.
_UNSEEN = 0.001
_SAMPLED_TEXTS = 61
_PARTS = re.compile(r"[+-]?(\d*)\.?(\d*)(?:[eE]([+-]?\d+))?\s*\Z")

Times = NDArray[np.float64]
#: Texts of the time cells in the given rows, with a decimal point.
Texts = Callable[[Sequence[int]], list[str]]


class UnevenTimeError(Exception):
    """The times are not uniform: ``row`` of the piece at hand, what is wrong, what to do."""

    def __init__(self, row: int, what: str, mend: str) -> None:
        self.row, self.what, self.mend = row, what, mend
        super().__init__(what)


class SampleClock:
    """The sample time of a time column, found from its first piece, then held against each piece.

    interval   sample time, in units of the column
    """

    def __init__(self, time: Times, texts: Texts) -> None:
        """From the first piece, two rows or more. Raises UnevenTimeError."""
        self._decimals = 0
        self._digits = 1
        self._last: float | None = None
        self._coarse = False
        n = np.arange(len(time)) - (len(time) - 1) / 2
        steps = np.diff(time)
        usual = float(np.median(steps))
        with np.errstate(over="ignore", invalid="ignore"):  # one time of 1e308 spoils every sum
            self.interval = float(n @ (time - time.mean()) / (n @ n))
        if not math.isfinite(self.interval):
            self.interval = usual
        plain = usual > 0 and (np.abs(steps - usual) <= UNIFORM * usual).mean() >= 0.8
        self._whole = usual if plain else 0.0  # the usual step; 0 where the rounding varies it
        try:
            if not self.interval > 0:
                row = int(np.argmax(steps <= 0)) + 1
                raise UnevenTimeError(row, *_describe(float(steps[row - 1]), max(usual, 0.0)))
            self._check(time, texts)
        except UnevenTimeError:
            # A gap within the first piece spoils the fit: the usual step finds the right row.
            if plain:
                self.interval = usual
                self._check(time, texts)
            raise
        if self._coarse and self._quantum(time).max() > UNIFORM * self.interval * len(time):
            what = "the times are printed too coarsely to tell the sample time"
            raise UnevenTimeError(1, what, "export time_s with more digits")

    def restart(self) -> None:
        """Begin again: the next piece is the first one."""
        self._last = None

    def check(self, time: Times, texts: Texts) -> None:
        """Hold the next piece against the sample time. Raises UnevenTimeError."""
        self._check(time, texts)
        self._last = float(time[-1])

    def _check(self, time: Times, texts: Texts) -> None:
        first = 1  # row at the end of the first step
        if self._last is not None:
            first = 0
            time = np.concatenate(([self._last], time))
        steps = np.diff(time)
        if not len(steps):
            return
        deviation = np.abs(steps - self.interval)
        # Stored as doubles, times may be off by half a spacing at either end.
        allowed = UNIFORM * self.interval * (1 + 1e-9) + np.spacing(np.abs(time).max())
        if (deviation > allowed).any():
            self._read_printing(texts(_spread(first, len(steps))))
            quantum = self._quantum(time)
            self._coarse = True
            bad = (deviation > allowed + quantum[:-1] / 2 + quantum[1:] / 2) | (steps < 0)
            if bad.any():
                at = int(np.argmax(bad))
                raise UnevenTimeError(at + first, *_describe(float(steps[at]), self.interval))
            self._check_whole_steps(time, steps, quantum, first)
            self._check_drift(time, quantum, first)

    def _check_whole_steps(self, time: Times, steps: Times, quantum: Times, first: int) -> None:
        """Rows lost or doubled where the steps are as wide as the last printed digit.

        0.001, 0.002, 0.004 may be 1 kHz with a row lost, or 900 Hz rounded: rounding makes its
        wide steps at regular distances, so that the times stay within one unit of a straight line.
        """
        if self._whole <= 0:
            return
        whole = (steps > 1.9 * self._whole) | (steps < 0.1 * self._whole)
        if whole.any():
            if self._last is None and int(whole.sum()) >= 3:
                off_line = time - self.interval * np.arange(len(time))
                if float(np.ptp(off_line)) <= 1.02 * float(quantum.max()):
                    self._whole = 0.0  # it is rounding
                    return
            at = int(np.argmax(whole))
            raise UnevenTimeError(at + first, *_describe(float(steps[at]), self._whole))

    def _check_drift(self, time: Times, quantum: Times, first: int) -> None:
        """Hold stretches so long that their printing matters little against the sample time."""
        unit = float(quantum.max())
        rows = min(len(time) - 1, math.ceil(unit / (_UNSEEN * self.interval)))
        drift = np.abs(time[rows:] - time[:-rows] - rows * self.interval)
        bad = drift > UNIFORM * rows * self.interval + unit
        if bad.any():
            at = int(np.argmax(bad)) + rows - 1
            what = f"the sample time is no longer {self.interval:.6g} over the last {rows} rows"
            raise UnevenTimeError(at + first, what, _MEND)

    def _read_printing(self, texts: Sequence[str]) -> None:
        """Most decimals and most digits in these times."""
        for text in texts:
            parts = _PARTS.match(text.strip())
            if parts is not None:
                whole, fraction, exponent = parts.groups()
                self._decimals = max(self._decimals, len(fraction) - int(exponent or 0))
                self._digits = max(self._digits, len((whole + fraction).lstrip("0")))

    def _quantum(self, time: Times) -> Times:
        """Unit of the last printed digit of each time, whichever way they are printed."""
        size = np.abs(time)
        with np.errstate(divide="ignore"):
            magnitude = np.floor(np.log10(size))
        decimals = 10.0**-self._decimals
        quantum = np.maximum(decimals, 10.0 ** (magnitude + 1 - self._digits))
        with np.errstate(over="ignore"):
            single = size.astype(np.float32)
        if (np.abs(size - single) <= quantum / 2 + np.spacing(size)).all():
            quantum = np.maximum(quantum, np.spacing(single).astype(np.float64))
        return quantum


_MEND = "export it with a uniform sample time, without gaps"


def _describe(step: float, usual: float) -> tuple[str, str]:
    if step < 0:
        return f"time goes back by {-step:.4g}", "remove what was joined or sort the rows"
    if step == 0:
        return "time stands still", "export time_s with more digits, each row once"
    return f"time steps by {step:.6g} where {usual:.6g} is usual", _MEND


def _spread(first: int, steps: int) -> list[int]:
    """Rows spread over a piece, at no round distance."""
    rows = np.linspace(0, steps - 1, min(steps, _SAMPLED_TEXTS)).astype(int)
    return [int(row) + first for row in rows]
