"""When a signal of the ignition circuit first reaches a limit.

The signal is ``level + sum(Re(a_k exp(lam_k t)))``. Between two points it can leave its chord by no more
than ``sum(bends_k |a_k| exp(Re lam_k t))``; only where that would reach the limit is it looked at more
closely, so that no crossing is missed and nothing needs a step size.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from breakerbench.bench.ignition_modes import GRID, Modes, bends

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

#: Parts that a doubtful stretch is cut into, how often, and how short it need not become, s.
_PARTS = 16
_DEPTH = 12
_SHORT_S = 1e-12
_PLACES = np.arange(_PARTS + 1.0)


@dataclass(frozen=True, slots=True, eq=False)
class Stretch:
    """A stretch without events: when its signals first reach a limit."""

    kind: Modes
    weights: Complexes
    inputs: Floats

    def value(self, signal: int, wait_s: float) -> float:
        """A signal, s after the begin."""
        swing = self.kind.shown[signal] @ (self.weights * np.exp(self.kind.rates * wait_s))
        return float(self.kind.levels[signal] @ self.inputs + swing.real)

    def state(self, wait_s: float) -> Floats:
        """The scaled state, s after the begin."""
        swing = self.kind.vectors @ (self.weights * np.exp(self.kind.rates * wait_s))
        return np.asarray(self.kind.rest @ self.inputs + swing.real, np.float64)

    def first_reach(
        self, signal: int, sign: float, limit: float, until_s: float, from_s: float = 0.0
    ) -> float | None:
        """``sign`` times a signal comes up to ``limit``, s after the begin."""
        kind = self.kind
        level = sign * float(kind.levels[signal] @ self.inputs)
        amplitude = sign * kind.shown[signal] * self.weights
        if from_s:
            amplitude = amplitude * np.exp(kind.rates * from_s)
        found = first_reach(kind, level, amplitude, limit, until_s - from_s)
        return None if found is None else from_s + found

    def first_either(
        self, signal: int, limit: float, until_s: float, from_s: float = 0.0
    ) -> float | None:
        """The signal comes up to ``limit`` either way."""
        up = self.first_reach(signal, 1.0, limit, until_s, from_s)
        down = self.first_reach(signal, -1.0, limit, until_s if up is None else up, from_s)
        return up if down is None else down


def first_reach(
    modes: Modes, level: float, amplitude: Complexes, limit: float, until_s: float
) -> float | None:
    """First time in 0 to ``until_s``, s, at which a signal comes up to ``limit``; None: never."""
    size = np.abs(amplitude)
    if level + float(size.sum()) < limit:
        return None
    swing = modes.bends * size
    now = amplitude
    start, step = 0.0, modes.step_s
    block = GRID * step
    while start < until_s:
        values = level + (now @ modes.grid).real
        higher = np.maximum(values[:-1], values[1:]) + swing @ modes.sizes[:, :-1]
        for row in np.flatnonzero(higher >= limit).tolist():
            low = start + row * step
            if low >= until_s:
                return None
            found = _within(modes, level, amplitude, limit, low, min(low + step, until_s), 0)
            if found is not None:
                return found
        start += block
        now = now * modes.grid[:, -1]
        swing = swing * modes.sizes[:, -1]
        if level + float(np.abs(now).sum()) < limit:
            return None
    return None


def _within(
    modes: Modes,
    level: float,
    amplitude: Complexes,
    limit: float,
    low_s: float,
    high_s: float,
    depth: int,
) -> float | None:
    """The same between two times, whose chord does not say."""
    step = (high_s - low_s) / _PARTS
    times = low_s + step * _PLACES
    values = level + (amplitude @ np.exp(modes.rates[:, None] * times)).real
    swing = bends(modes.rates, step) * np.abs(amplitude)
    away = swing @ np.exp(modes.rates.real[:, None] * times[:-1])
    if values[0] >= limit:
        return low_s
    for row in np.flatnonzero(np.maximum(values[:-1], values[1:]) + away >= limit).tolist():
        begin, end = float(times[row]), float(times[row + 1])
        before, after = float(values[row]), float(values[row + 1])
        if before < limit <= after and 4.0 * away[row] < after - before:
            return _root(modes.rates, level - limit, amplitude, begin, end)
        if depth == _DEPTH or end - begin < _SHORT_S:
            if after >= limit:
                return end
            continue
        found = _within(modes, level, amplitude, limit, begin, end, depth + 1)
        if found is not None:
            return found
    return None


def _root(rates: Complexes, level: float, amplitude: Complexes, low: float, high: float) -> float:
    def above(time: float) -> float:
        return level + float((amplitude @ np.exp(rates * time)).real)

    return float(brentq(above, low, high, xtol=1e-13))
