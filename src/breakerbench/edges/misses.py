"""Touches after which a coil's ring never comes to closed before the contact is lost again.

The ring stands hundreds of volts from closed, and what the front end puts out still is on its way when
the contact opens after some 20 us. The fall then turns outside the closed band: there is no crossing,
but a lowest point after a steep fall. Whether the contact was closed is told later (``stops``).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from breakerbench.edges.levels import FEW_NOISES, Levels

#: Looked for in so many samples before a contact that stays closed (0.5 ms at 250 kS/s): one of this
#: share of the longest around or more.
BEFORE, LASTS = 120, 0.25
#: In so many samples a touch falls to this share; most rings pass more slowly.
FALL, SHARE = 4, 0.2

#: A fall to closed slows down: a step is no more than this share of the one before.
SLOWS = 0.75

Samples = NDArray[np.int16] | NDArray[np.float32]
Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


def near_misses(x: Samples, change: Ints, out: Bools, levels: Levels) -> Ints:
    """Changes of ``out`` with those into and out of such lowest points, ``out`` with them.

    One over the edge of a working block is not seen. Where single samples hardly stand out of the noise
    they tell nothing.
    """
    if levels.swing < FEW_NOISES * levels.noise or len(change) < 2:
        return change
    begin = change[~out[change]]
    length = np.append(change[1:], len(x))[~out[change]] - begin
    begin = begin[(length >= LASTS * length.max(initial=0)) & (begin >= BEFORE)]
    if not len(begin):
        return change
    place = begin[:, None] + np.arange(-BEFORE, 1)
    far = np.abs(x[place] - np.float32(levels.closed))
    here = far[:, FALL:-1]
    low = (here < far[:, FALL - 1 : -2]) & (here <= far[:, FALL + 1 :])
    low &= (here < SHARE * far[:, : -FALL - 1]) & out[place[:, FALL:-1]]
    lowest = np.unique(place[:, FALL:-1][low])
    if not len(lowest):
        return change
    out[lowest] = False
    return np.union1d(change, np.concatenate([lowest, lowest + 1]))


def is_fall(window: Floats, lowest: Ints) -> Bools:
    """True where a steep fall that slows down leads to column ``lowest`` of each window."""
    rows = np.arange(len(window))
    here, one, two, four = (window[rows, lowest - k] for k in (0, 1, 2, FALL))
    return np.asarray((here < SHARE * four) & (one - here < SLOWS * (two - one)))
