"""Voltages across points in closed form, seen through a first-order front end, in counts.

Time is in samples, zero is closed, open is positive. Each piece of the input is a constant and one
decaying sine; the front end adds an exponential of its own that keeps its output without a jump.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from breakerbench.edges.crossings import POST, PRE, Crossings

Floats = NDArray[np.float64]


@dataclass
class Wave:
    """tau: time constant of the front end, samples (0: none); pieces: start, level, amplitude, rate."""

    tau: float = 1.33
    pieces: list[tuple[float, float, complex, complex]] = field(default_factory=list)

    def level(self, start: float, level: float) -> Wave:
        self.pieces.append((start, level, 0.0, -1.0))
        return self

    def ring(
        self, start: float, rest: float, value: float, slope: float, w: float, q: float
    ) -> Wave:
        """From ``start`` on a ring about ``rest`` that begins at ``value`` with ``slope``."""
        rate = complex(-w / (2.0 * q), w)
        first = complex(value - rest, (rate.real * (value - rest) - slope) / w)
        self.pieces.append((start, rest, first, rate))
        return self

    def at(self, t: Floats) -> Floats:
        out = np.empty(len(t))
        last = None
        for k, (start, level, first, rate) in enumerate(self.pieces):
            end = self.pieces[k + 1][0] if k + 1 < len(self.pieces) else np.inf
            gain = 1.0 + rate * self.tau
            passed = first / gain
            own = 0.0 if last is None or self.tau == 0.0 else last - level - passed.real

            def value(x: Floats, level=level, passed=passed, rate=rate, own=own) -> Floats:  # type: ignore[no-untyped-def]
                fade = np.exp(-x / self.tau) if self.tau > 0.0 else 0.0
                return np.asarray(level + (passed * np.exp(rate * x)).real + own * fade)

            here = (t >= start) & (t < end)
            out[here] = value(t[here] - start)
            last = float(value(np.array([end - start]))[0]) if np.isfinite(end) else None
        return out


def windows(
    rows: list[Floats],
    at: list[int] | NDArray[np.int64],
    noise: float = 4.0,
    swing: float = 500.0,
    out: bool = False,
    closed: float = 0.0,
) -> Crossings:
    """Crossings from whole pieces of signal: one row each, crossing at sample ``at`` of it."""
    cut = [row[k - PRE : k + POST] for row, k in zip(rows, at, strict=True)]
    n = len(rows)
    return Crossings(
        np.asarray(at, np.int64), np.full(n, out), np.array(cut),
        np.full(n, closed), np.full(n, swing), np.full(n, noise),
    )  # fmt: skip


def falls_in(row: Floats, low: float, after: float) -> int:
    """First sample at or after ``after`` from which the signal stays within ``low`` for a while."""
    inside = np.abs(row) <= low
    k = int(after)
    while not inside[k : k + 3].all():
        k += 1
    while k > 0 and inside[k - 1]:
        k -= 1
    return k
