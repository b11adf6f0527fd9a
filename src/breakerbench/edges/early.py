"""First touches far too early: a coil's ring that stood at closed for a moment, long before the touch.

Where noise is large against what a touch falls from, or a ring turns just at closed, one passing of
the ring in some hundred looks like a brief touch. The contact would then begin there and seem to have
bounced once, for as long as the ring went on. The others tell: points touch at the same angle every
time, bounce or none.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

#: Flights looked at, as a share of the open time before the touch, and which share of the contacts around
#: may have such. Points that bounce fly for less than the first: 0.2 ms is 0.17 of the open time of eight
#: lobes at 2,500 rpm. Shorter flights are bounce unless they are the odd ones.
FLIGHTS = ((0.2, 0.25), (0.0, 0.05))
#: So many others must tell.
TELL = 6
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
    # In proportion to a time, so that a changing speed does not count: that from the opening before
    # where the dwell of uneven lobes goes with their pitch, that of a lobe just then where it does not.
    wholes = (since, _evened(since))
    for least, most in FLIGHTS:
        # Where each would begin after the last such flight in it; at its first touch where there is none.
        later = heads.copy()
        for k in lost:
            runs = np.arange(heads[k] + 1, ends[k] + 1)
            flights = touch[runs] - leave[runs - 1]
            waits = since[k] - (opened[k] - touch[runs])
            long = np.flatnonzero(flights >= least * waits)
            if len(long):
                later[k] = runs[long[-1]]
        for whole in wholes:
            for odd in _odd(closed / whole, (opened - touch[later]) / whole, later > heads, most):
                early[heads[odd] : later[odd]] = True
    return early


def _odd(share: Floats, later: Floats, flies: Bools, most: float) -> list[int]:
    """Contacts among those that ``flies`` which begin too early, and would not after their flight.

    share, later  dwells as a share of some time, begun at the first touch and after the flight
    most          share of the contacts around that may fly (or one of them)
    """
    odd = []
    for k in np.flatnonzero(flies):
        near = slice(max(k - AROUND, 0), k + AROUND + 1)
        plain = ~flies[near] & np.isfinite(share[near])
        if plain.sum() < TELL or flies[near].sum() > max(1.0, most * len(plain)):
            continue
        low, high = share[near][plain].min(), share[near][plain].max()
        flight = share[k] - later[k]
        fits = low - 0.25 * flight <= later[k] <= high + 0.25 * flight
        if fits and share[k] > high + 0.5 * flight:
            odd.append(int(k))
    return odd


def _evened(values: Floats) -> Floats:
    """Mean of each value and as many to either side, EVEN at most, fewer towards the ends."""
    place = np.arange(len(values))
    reach = np.minimum(np.minimum(place, len(values) - 1 - place), EVEN)
    known = np.isfinite(values)
    sums, counts = (np.append(0.0, np.cumsum(v)) for v in (np.where(known, values, 0.0), known))
    first, end = place - reach, place + reach + 1
    many = counts[end] - counts[first]
    return np.where(many > 0.0, (sums[end] - sums[first]) / np.maximum(many, 1.0), np.nan)
