"""Where a spark ends, roughly: the level that the primary stands at while its ring is taken away.

While the gap burns, the primary stands at the burn line and rings about it with the coil's leakage;
afterwards it rings about the feed, several times more slowly. A level that follows a window of one
and a half cycles of the quick ring shows the line alone, and is some 100 to 300 microseconds late at
its end. That is good enough to know where to fit (``spark_shape``).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

#: What is looked at for the strongest oscillation after the opening, s; none is slower than this.
FIRST_S, LEAST_HZ = 1e-3, 900.0
#: Cycles of it that a level is taken from; share of a window's samples that must not be clipped.
CYCLES, LEAST_SHARE = 1.5, 0.35
#: The line has ended where the level has come down to this share of its mean so far, and stays there
#: for so many places, half a swing or a whole one: first swings beyond the range pull the level down
#: for less than that.
ENDED, STAYS, STAYS_LONG = 0.2, 4, 8
#: The part of the burn that its level is taken from.
MIDDLE = (0.25, 0.75)


def strongest_hz(volts: Floats, rate_hz: float) -> Floats:
    """(n,) frequency of the strongest oscillation in the first millisecond after each opening.

    volts  (n, count) from the opening on, less the level at rest; zero where there is none
    """
    first = np.diff(volts[:, : max(int(FIRST_S * rate_hz), 16)], axis=1)
    count = 8 * first.shape[1]
    power = np.abs(np.fft.rfft(first, count, axis=1))
    hz = np.fft.rfftfreq(count, 1.0 / rate_hz)
    power[:, hz < LEAST_HZ] = 0.0
    found: Floats = hz[np.argmax(power, axis=1)]
    return np.maximum(found, LEAST_HZ)


def levels(volts: Floats, good: Bools, hz: float, rate_hz: float) -> tuple[Ints, Floats]:
    """Places in samples, and the level there, of one opening; NaN where too much is clipped.

    Least squares of a constant and an oscillation of ``hz`` in a window of CYCLES about each place.
    """
    n = len(volts)
    length = max(round(CYCLES * rate_hz / hz), 6)
    at = np.arange(0, n, max(length // 12, 1))
    phase = 2.0 * np.pi * hz / rate_hz * np.arange(n)
    one = good.astype(np.float64)
    columns = np.stack([one, np.cos(phase) * one, np.sin(phase) * one])
    low, high = np.clip(at - length // 2, 0, n), np.clip(at - length // 2 + length, 0, n)

    def over_windows(x: Floats) -> Floats:
        total = np.concatenate([np.zeros((len(x), 1)), np.cumsum(x, axis=1)], axis=1)
        sums: Floats = total[:, high] - total[:, low]
        return sums

    pairs = [(0, 0), (0, 1), (0, 2), (1, 1), (1, 2), (2, 2)]
    sums = over_windows(np.stack([columns[i] * columns[j] for i, j in pairs]))
    right = over_windows(columns * volts)
    gram = np.empty((len(at), 3, 3))
    for (i, j), s in zip(pairs, sums, strict=True):
        gram[:, i, j] = gram[:, j, i] = s
    found = np.full(len(at), np.nan)
    # A window clipped so far that its level is anybody's guess has a nearly singular matrix.
    known = (sums[0] >= max(LEAST_SHARE * length, 4.0)) & (
        np.linalg.det(gram) > 1e-3 * (0.35 * length) ** 3 / 4.0
    )
    found[known] = np.linalg.solve(gram[known], right.T[known][..., None])[:, 0, 0]
    return at, found


def rough_end(at: Ints, level: Floats, hz: float, rate_hz: float, stays: int = STAYS) -> int:
    """Sample by which the line of one opening has ended, by its ``levels``; -1 where it has not."""
    if not len(at):
        return -1
    # Where all is clipped the last level known still stands.
    last = np.maximum.accumulate(np.where(np.isfinite(level), np.arange(len(at)), 0))
    level = np.nan_to_num(level[last])
    begin = int(np.searchsorted(at, 0.5 * rate_hz / hz + 3.0))
    mean = np.cumsum(level[begin:]) / np.arange(1, len(at) - begin + 1)
    below = level[begin:] < ENDED * mean
    if len(below) < stays:
        return -1
    ended = np.flatnonzero(np.lib.stride_tricks.sliding_window_view(below, stays).all(axis=1))
    return int(at[begin + ended[0]]) if len(ended) else -1


def line_level(at: Ints, level: Floats, end: float) -> float:
    """Mean level of the burn line's middle half; NaN where most of it is clipped.

    end  of the spark, samples from the first one
    """
    middle = (at > MIDDLE[0] * end) & (at < MIDDLE[1] * end)
    known = np.isfinite(level) & middle
    if 2 * int(known.sum()) <= int(middle.sum()):
        return np.nan
    return float(level[known].mean())
