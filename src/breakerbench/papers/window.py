"""How much of an averaged contact trace is shown: from before it moves until it has settled."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

#: The least that is shown on either side of an edge, samples, and its share of what is shown.
LEAST_SAMPLES, EITHER_SIDE = 10.0, 0.2
#: A trace that lies this share of its whole swing from where it ends, or varies so, still moves.
MOVES = 0.05
#: A trace that falls back to this share of its top is a coil's; of it this many times the time to its
#: top are shown: a swing and a half.
FALLS_BACK, SHOWN_TOPS = 0.5, 6.0


def window(
    time_s: Floats,
    mean: Floats,
    spread: Floats,
    sample_s: float,
    room: tuple[float, float],
    opening: bool,
) -> tuple[float, float]:
    """What is to be seen, s: from before the trace moves until it has settled, or a coil's swing.

    spread    from the mean to either side, (k,)
    sample_s  between samples
    room      how far other edges leave room on either side, s
    """
    inside = (time_s >= -room[0]) & (time_s <= room[1])
    t, mean, spread = time_s[inside], mean[inside], spread[inside]
    least = LEAST_SAMPLES * sample_s
    tail = slice(-max(len(t) // 10, 1), None)
    ends, noise = np.median(mean[tail]), np.median(spread[tail])
    moves = MOVES * max(float(np.ptp(mean)), 1e-9)
    # Before the edge: the ring of a coil, if there is one, as far as there is room.
    ahead = mean[t < -least]
    start = float(t[0]) if len(ahead) and np.ptp(ahead) > 4.0 * moves else -least
    top_s = _swing(t, mean) if opening else None
    if top_s is not None:
        end = SHOWN_TOPS * top_s
    else:
        still = (t >= 0.0) & ((np.abs(mean - ends) > moves) | (spread - noise > moves))
        end = 1.25 * float(t[np.flatnonzero(still)[-1]]) if still.any() else 0.0
    end = min(max(end, least, -EITHER_SIDE * start), float(t[-1]))
    return max(min(start, -EITHER_SIDE * end), float(t[0])), end


def _swing(t: Floats, mean: Floats) -> float | None:
    """Middle of the first top after an opening, s, where the trace falls back from it: a coil's."""
    rise = np.where(t >= 0.0, np.abs(mean - mean[0]), 0.0)
    high = np.flatnonzero(rise > 0.9 * rise.max())
    run = high[: np.append(np.flatnonzero(np.diff(high) > 1) + 1, len(high))[0]]
    falls = len(run) and (rise[run[-1] :] < FALLS_BACK * rise.max()).any()
    return float(t[run].mean()) if falls else None
