"""Edges of a logic channel that comes sampled (``index`` and ``encoder`` of a CSV or WAV)."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from breakerbench.trace import EdgeTimes

Samples = NDArray[np.int16] | NDArray[np.float32]


class LogicEdges:
    """Edge times of one sampled logic channel, block by block, with hysteresis.

    Any two levels will do (0/1, 0/5 V, a pulse of a pick-up): the marks lie to both sides of the
    middle
    of what has been seen so far, further apart where the line is noisy. Edges are placed by linear
    interpolation at half height, which is the middle
    between two samples where the levels are ideal.
    """

    def __init__(self, name: str, sample_rate_hz: float, offset_s: float = 0.0) -> None:
        self.name = name
        self._period_s = 1.0 / sample_rate_hz
        self._offset_s = offset_s
        self._low = np.inf
        self._high = -np.inf
        self._noise = 0.0
        self._high_now: bool | None = None
        self._last: float | None = None

    def cut(self) -> None:
        """Forget the state at a hole; the levels stay."""
        self._high_now = None
        self._last = None

    def feed(self, first: int, x: Samples) -> EdgeTimes:
        """Edges within the working block ``x``, whose first sample is number ``first``."""
        self._low = min(self._low, float(x.min()))
        self._high = max(self._high, float(x.max()))
        span = self._high - self._low
        steps = np.abs(np.diff(x[:4096].astype(np.float64)))
        if len(steps):
            self._noise = max(self._noise, float(np.median(steps)) / 0.95)
        last, self._last = self._last, float(x[-1])
        nothing = EdgeTimes(self.name, np.empty(0), np.empty(0, bool))
        if span <= 12.0 * self._noise or span <= 0.0:
            # Only noise so far: the two levels have not been seen.
            return nothing
        middle = self._low + 0.5 * span
        margin = min(max(0.1 * span, 4.0 * self._noise), 0.35 * span)
        above = x > middle + margin
        clear = np.flatnonzero(above | (x < middle - margin))
        if not len(clear):
            return nothing
        state = above[clear]
        change = np.flatnonzero(state[1:] != state[:-1]) + 1
        previous = self._high_now
        if previous is None and last is not None:
            previous = last > middle
        if previous is not None and bool(state[0]) != previous:
            change = np.concatenate([np.zeros(1, change.dtype), change])
        self._high_now = bool(state[-1])
        at = clear[change]
        # The crossing at half height lies before the first clear sample of the new state.
        now = x[at].astype(np.float64)
        start = now if last is None else np.full(len(at), last)
        before = np.where(at > 0, x[np.maximum(at - 1, 0)].astype(np.float64), start)
        step = np.where(now == before, 1.0, now - before)
        share = np.clip((middle - before) / step, 0.0, 1.0)
        sample = first + at - 1 + share
        return EdgeTimes(self.name, sample * self._period_s + self._offset_s, state[change])
