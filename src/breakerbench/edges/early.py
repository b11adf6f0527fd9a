"""First touches far too early: a coil's ring that stood at closed for a moment, long before the touch.

Where noise is large against what a touch falls from, or a ring turns just at closed, one passing of
the ring in some hundred looks like a brief touch. The contact would then begin there and seem to have
bounced once, for as long as the ring went on. The others tell: points touch at the same angle every
time, bounce or none.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

#: A contact lost again for this share of the open time before it, or longer, is looked at. Points that
#: bounce fly for less: 0.2 ms is 0.17 of the open time of eight lobes at 2,500 rpm.
LONG_FLIGHT = 0.2
#: At most this share of the contacts around may be such, and so many others must tell.
MOST_ODD, TELL = 0.25, 6
#: Contacts looked at to either side, and those whose openings tell the speed.
AROUND, EVEN = 32, 4

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


def far_early(touch: Ints, leave: Ints, heads: Ints, ends: Ints, before: int | None) -> Bools:
    """(n,) True for the runs from which contacts would begin that the others say touch later.

    touch, leave  (n,) sample numbers at which the runs in the closed band begin and end
    heads, ends   (m,) first and last run of each contact, in order
    before        sample number of the opening before the first contact, where known
    """
    early = np.zeros(len(touch), bool)
    lost = np.flatnonzero(ends > heads)
    if len(heads) <= TELL or not len(lost):
        return early
    opened = leave[ends].astype(float)
    since = np.diff(opened, prepend=np.nan if before is None else before)
    closed = opened - touch[heads]
    # Where each would begin after the last long flight in it; at its first touch where there is none.
    later = heads.copy()
    for k in lost:
        runs = np.arange(heads[k] + 1, ends[k] + 1)
        flights = touch[runs] - leave[runs - 1]
        still = opened[k] - touch[runs]
        long = np.flatnonzero(flights >= LONG_FLIGHT * (since[k] - still))
        if len(long):
            later[k] = runs[long[-1]]
    odd = later > heads
    # In proportion to a time, so that a changing speed does not count: that from the opening before
    # where the dwell of uneven lobes goes with their pitch, that of a lobe just then where it does not.
    for whole in (since, _evened(since)):
        share, own = closed / whole, (opened - touch[later]) / whole
        for k in np.flatnonzero(odd):
            near = slice(max(k - AROUND, 0), k + AROUND + 1)
            plain = ~odd[near] & np.isfinite(share[near])
            if plain.sum() < TELL or odd[near].mean() > MOST_ODD:
                continue
            low, high = share[near][plain].min(), share[near][plain].max()
            flight = share[k] - own[k]
            fits = low - 0.25 * flight <= own[k] <= high + 0.25 * flight
            if fits and share[k] > high + 0.5 * flight:
                early[heads[k] : later[k]] = True
    return early


def _evened(values: Floats) -> Floats:
    """Mean of each value and as many to either side, EVEN at most, fewer towards the ends."""
    place = np.arange(len(values))
    reach = np.minimum(np.minimum(place, len(values) - 1 - place), EVEN)
    known = np.isfinite(values)
    sums, counts = (np.append(0.0, np.cumsum(v)) for v in (np.where(known, values, 0.0), known))
    first, end = place - reach, place + reach + 1
    many = counts[end] - counts[first]
    return np.where(many > 0.0, (sums[end] - sums[first]) / np.maximum(many, 1.0), np.nan)
