"""How long contacts and open times are around each run in the closed band, and what does not fit in."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from breakerbench.edges.crossings import Crossings

#: What an earlier or later dwell tells of this one fades by this share of the time between them.
FADE = 1.0 / 16.0
#: Of the runs one in so many tells how long a contact is where openings are missing.
OFTEN = 4
#: A brief touch that stands alone: share of the usual contact, of the usual open time before and after
#: it, and share of the closings that have one, at most. Bounce of 0.4 ms is 0.3 of the open time of eight
#: lobes at 2,500 rpm.
STRAY_LENGTH, STRAY_GAP, STRAY_SHARE = 0.1, 0.35, 0.25

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


def _second_largest(values: Floats, size: int) -> Floats:
    """Second largest of every ``size`` neighbours, by joining windows of 1, 2, 4, ... values."""
    # Windows of the length so far: their largest and second largest.
    top, second = values, np.full(len(values), -np.inf)
    length = 1
    whole, done = (top, second), 0
    while True:
        if size & length:
            whole = _joined(whole, (top, second), done) if done else (top, second)
            done += length
        if done == size:
            return whole[1]
        top, second = _joined((top, second), (top, second), length)
        length *= 2


def _joined(
    left: tuple[Floats, Floats], right: tuple[Floats, Floats], shift: int
) -> tuple[Floats, Floats]:
    """Largest and second largest of windows and the ones that begin ``shift`` values after them."""
    n = min(len(left[0]), len(right[0]) - shift)
    (a, a2), (b, b2) = (v[:n] for v in left), (v[shift : shift + n] for v in right)
    return np.maximum(a, b), np.maximum(np.minimum(a, b), np.maximum(a2, b2))


def local_scale(values: Floats, before: Floats, reach: int) -> Floats:
    """Typical large value around each one: the smaller of the large ones before and after it.

    The smaller one, so that a speed that rises or falls does not raise the mark.
    """
    padded = np.concatenate([np.zeros(reach - len(before)), before, values, np.zeros(reach)])
    # Not the very largest: one contact that was missed would double it.
    ahead = _second_largest(padded, reach + 1)
    # At an end, where one side is short of values, the other side alone tells.
    count = np.arange(len(values))
    short_left = len(before) + count < reach // 2
    short_right = len(values) - 1 - count < reach // 2
    left, right = ahead[: len(values)], ahead[reach:]
    both = np.minimum(left, right)
    both = np.where(short_left & ~short_right, right, both)
    both = np.where(short_right & ~short_left, left, both)
    return np.where(short_left & short_right, np.maximum(left, right), both)


def near_scale(lengths: Floats, at: Ints, before: Floats, before_at: Ints, reach: int) -> Floats:
    """Typical large length around each run, where a run tells less the farther away in time it is.

    A dwell as long as those at standstill is not to be expected a few revolutions later: a run counts
    for its length less FADE of the time from its touch to this one's. (Larger one of the two sides.)
    """
    pad = np.zeros(reach)
    value = np.concatenate([pad[len(before) :], before, lengths, pad])
    place = np.concatenate([pad[len(before) :], before_at, at, pad])
    n = len(lengths)
    around = [np.lib.stride_tricks.sliding_window_view(v, reach + 1) for v in (value, place)]
    sides = []
    for first in (0, reach):
        long, begun = (rows[first : first + n] for rows in around)
        faded = long - FADE * np.abs(begun - at[:, None])
        sides.append(np.partition(faded, reach - 1, axis=1)[:, reach - 1])
    return np.maximum(*sides)


def often(lengths: Floats, before: Floats, reach: int, solid: Floats) -> Floats:
    """Length that one in OFTEN of the runs of ``solid`` or more reaches, ``reach`` to either side."""
    pad = np.full(reach, -np.inf)
    values = np.concatenate([pad[len(before) :], before, lengths, pad])
    around = np.sort(np.lib.stride_tricks.sliding_window_view(values, 2 * reach + 1), axis=1)
    rank = (around >= solid[:, None]).sum(axis=1) // OFTEN
    return np.asarray(around[np.arange(len(around)), -1 - rank])


def without_strays(
    touch: Crossings, leave: Crossings, before: int | None, reach: int
) -> tuple[Crossings, Crossings]:
    """Runs less the odd brief ones that stand alone in the open time.

    Where a spark goes out the ring may stand at closed for a moment just as a brief touch does. Points
    that bounce do so right after their touch, or, where the arm is loose, at many closings.

    before  sample number of the opening before the first run, where known
    reach   runs looked at on each side to learn how long contacts and open times are just now
    """
    lengths = (leave.at - touch.at).astype(float)
    if (lengths >= STRAY_LENGTH * lengths.max(initial=0.0)).all():  # nothing brief, as usual
        return touch, leave
    gaps = np.append(touch.at[1:] - leave.at[:-1], 0).astype(float)
    since = np.concatenate([[touch.at[0] - before if before is not None else 0.0], gaps[:-1]])
    none = np.empty(0)
    usual, usual_gap = (local_scale(v, none, reach) for v in (lengths, gaps))
    alone = (lengths < STRAY_LENGTH * usual) & (np.minimum(gaps, since) > STRAY_GAP * usual_gap)
    if not alone.any() or alone.sum() > STRAY_SHARE * (lengths > 0.5 * usual).sum():
        return touch, leave
    return touch.pick(~alone), leave.pick(~alone)
