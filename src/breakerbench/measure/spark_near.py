"""The end of a spark by the last swing of its burn alone.

At the trough of the leakage's ring the gap's current may come down to nothing before its time: the
gap goes out for some ten microseconds and strikes again, often swing after swing. Then no one burn
ring goes through the swings before the end, but the last one still does, and so does the free ring
after the end. Fitted to these alone any later place between two troughs looks right as well: the
first that does is the end, for up to there the gap still burns.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from breakerbench.measure.spark_openings import Window
from breakerbench.measure.spark_shape import Grid, sliding_squares

Floats = NDArray[np.float64]

#: Sought from so many swings before, and to so many after, an end by the longer fit.
EARLIER, LATER = 1.5, 0.5
#: A dip counts if it is the lowest this many swings about it, and leaves no more than so many times
#: what the best one does, or what noise does.
ALONE, LIKE, LIKE_NOISE = 0.12, 4.0, 1.7
#: Good samples that a trial needs, of those that there are.
LEAST_GOOD, LEAST_SHARE = 24, 0.4


def first_end(
    grid: Grid, w: Window, about: tuple[float, float], before: float, after: float, noise: float
) -> float:
    """The first place, samples, that the last swing and the ring after it fit; NaN: none does.

    grid   near the end; before, after: samples fitted
    about  places it is sought from a little before, and to a little after
    """
    swing = grid.rate_hz / grid.shape.burn.hz
    before, after = int(np.ceil(before)), int(after)
    low = max(int(about[0] - EARLIER * swing), before)
    high = min(int(about[1] + LATER * swing), len(w) - LEAST_GOOD)
    after = min(after, len(w) - high)
    if high - low < 2 or after < LEAST_GOOD:
        return np.nan
    part = slice(low - before, high + after)
    volts, good = w.volts[part], w.good[part]
    found = np.full(2 * (high - low + 1), np.inf)
    for half in (0, 1):
        columns = grid.columns(slice(low - before, low + after), np.array([low + 0.5 * half]))[0]
        left, each, count = sliding_squares(columns, volts, good)
        enough = count >= max(LEAST_GOOD, LEAST_SHARE * len(columns))
        enough &= grid.shape.may_end(each)
        found[half::2][enough] = left[enough] / (count[enough] - columns.shape[1] - 1)
    reach = max(int(2.0 * ALONE * swing), 2)
    padded = np.pad(found, reach, constant_values=np.inf)
    lowest = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1).min(axis=1)
    dips = (found == lowest) & (found <= max(LIKE * found.min(), LIKE_NOISE * noise**2))
    if not dips.any() or not np.isfinite(found.min()):
        return np.nan
    return low + 0.5 * int(np.argmax(dips))
