"""Touches of points that switch a coil: recognised, and placed between samples.

Before a touch the open contact may ring or burn; from the touch on, whatever the coil does, the input
of the front end stands at the closed level. Two things follow from the front end being of first order
(time constant tau, samples), with a = exp(-1/tau):

* The front end can be undone. (v[n+1] - a v[n]) / (1 - a) is the mean of its input from sample n to
  n + 1 (the fresher part weighs more): the closed level exactly for every interval that lies within
  the contact, even where the contact is so short that v itself never settles.
* v goes on without a jump. The touch is where the smooth course before meets the exponential after.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from breakerbench.edges.crossings import PRE, Crossings
from breakerbench.edges.shapes import LN2, Placed, Response

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

#: Intervals in a row at the closed level that make a contact, in a long run and in a short one.
STEADY, STEADY_SHORT = 6, 3
#: A run of this many samples or more is long in that sense.
LONG_RUN = 12
#: A contact is looked for from this many samples before the crossing on: the fall takes time.
EARLY = 9
#: Below this time constant the fall is over within a sample.
SHARP = 0.05
#: Step of the grid of instants tried, samples; the finer one around the best.
GRID, FINE = 0.125, 1.0 / 64.0
#: Instants tried: from before to after the first steady interval, samples.
FROM, UPTO = -3.5, 6.0
#: Columns of the fit after the first steady interval.
AFTER = 8
#: Course before the touch: (columns before the first steady interval, number of terms).
LONG_COURSE, SHORT_COURSE = (11, 4), (7, 3)


# --- undoing the front end ----------------------------------------------------------------------


def undo(window: Floats, tau: float) -> Floats:
    """Mean input of the front end from each sample to the next; one column less than ``window``."""
    if tau < SHARP:
        return window[:, 1:]
    a = float(np.exp(-1.0 / tau))
    return np.asarray((window[:, 1:] - a * window[:, :-1]) / (1.0 - a))


def noise_gain(tau: float) -> float:
    """What ``undo`` multiplies white noise by."""
    if tau < SHARP:
        return 1.0
    a = float(np.exp(-1.0 / tau))
    return float(np.sqrt(1.0 + a * a) / (1.0 - a))


def low_rail(c: Crossings) -> Floats:
    """Level of each row at which the converter cuts off below closed; -inf where not that near.

    Only a rail within a quarter of the swing matters: one that a ring is cut off by while it looks
    like a closed contact. It shows as a lowest count that repeats.
    """
    none = np.full(len(c), -np.inf)
    if not len(c):
        return none
    raw = c.window + c.closed[:, None]
    least = float(raw.min())
    bottom = least - c.closed
    often = int((raw <= least + 1e-6).sum())
    return np.where((bottom > -0.25 * c.swing) & (often > 0.01 * raw.size), bottom, none)


def steady_from(
    c: Crossings, tau: float, length: Ints | None = None, rail: Floats | None = None
) -> tuple[Ints, Floats, Bools]:
    """(column, level, found): where the input of the front end begins to stand at closed.

    The column is of the first sample after the touch, and the level that of the contact. Where no
    such stretch is found the column is that of the crossing and the level zero.

    length  samples of each run; None where all are long
    rail    level of each row that a cut-off ring stands at, which is not a contact; None for none
    """
    z = undo(c.window, tau)
    n, width = z.shape
    sigma = c.noise * noise_gain(tau)
    near = np.abs(z) <= np.maximum(0.2 * c.swing, 4.0 * sigma)[:, None]
    if rail is not None:
        near &= z > (rail + np.minimum(1e-3 * c.swing, 0.3 * c.noise))[:, None]
    band = (8.0 * sigma + 0.005 * c.swing)[:, None]

    def stretch(count: int) -> tuple[Ints, Bools]:
        last = width - count + 1
        top, bottom = z[:, :last], z[:, :last]
        all_near = near[:, :last]
        for k in range(1, count):
            top = np.maximum(top, z[:, k : last + k])
            bottom = np.minimum(bottom, z[:, k : last + k])
            all_near = all_near & near[:, k : last + k]
        good = all_near & (top - bottom <= band)
        good[:, : PRE - EARLY] = False
        return good.argmax(axis=1), good.any(axis=1)

    column, found = stretch(STEADY)
    count = np.full(n, STEADY)
    if length is not None and (length < LONG_RUN).any():
        brief, seen = stretch(STEADY_SHORT)
        short = length < LONG_RUN
        column, found = np.where(short, brief, column), np.where(short, seen, found)
        count[short] = STEADY_SHORT
    span = column[:, None] + np.arange(STEADY)
    inside = (np.arange(STEADY) < count[:, None]) & (span < width)
    piece = z[np.arange(n)[:, None], np.minimum(span, width - 1)]
    level = np.where(inside, piece, 0.0).sum(axis=1) / inside.sum(axis=1)
    return np.where(found, column, PRE), np.where(found, level, 0.0), found


def is_contact(c: Crossings, length: Ints, tau: float) -> Bools:
    """True for the short runs in the closed band that a contact made, not a passing ring.

    A ring may also be steady for a while: where it just reaches closed and turns, and where the
    converter cuts it off. The first comes and goes as a parabola, so that what it was two intervals
    before is bounded by how long it stayed; the second arrives at a pace that leads to where it is cut
    off. A touch jumps.
    """
    rail = low_rail(c)
    column, level, found = steady_from(c, tau, length)
    z = undo(c.window, tau)
    rows = np.arange(len(c))
    sigma = c.noise * noise_gain(tau)
    before = [z[rows, np.maximum(column - k, 0)] - level for k in range(5)]
    count = np.where(length < LONG_RUN, STEADY_SHORT, STEADY)
    # How long it stays there, for the bound of the parabola.
    flat = np.abs(z - level[:, None]) <= (4.0 * sigma + 0.005 * c.swing)[:, None]
    ahead = np.arange(z.shape[1]) >= column[:, None]
    leaves = ahead & ~flat
    stays = np.where(leaves.any(axis=1), leaves.argmax(axis=1) - column, z.shape[1] - column)
    stays = np.maximum(stays, count)
    bound = (4.0 * sigma + 0.005 * c.swing) * (1.0 + 6.0 / stays) ** 2
    jump = np.abs(before[2]) > 1.3 * bound
    # Carried on from the two intervals before, and from the ones before these.
    mark = np.maximum(0.15 * c.swing, 6.0 * sigma)
    paced = np.minimum(np.abs(2.0 * before[2] - before[4]), np.abs(2.0 * before[1] - before[2]))
    at_rail = c.window[rows, np.minimum(column + 1, c.window.shape[1] - 1)] <= rail + 1e-3
    return np.asarray(found & jump & (~at_rail | (paced > mark)) & (column <= PRE + length))


# --- time constant ---------------------------------------------------------------------------------


def learn_tail(c: Crossings) -> tuple[float, float, bool]:
    """(time constant of the fall to closed in samples, level it falls to, cut off?).

    Whatever rang before a touch, the steps from sample to sample after the largest one are on the
    fall and shrink by exp(-1/tau) each, and that does not depend on the level it falls to. That level
    is asked for since a converter may cut the fall off above it. tau is 0 where the sampling is too
    slow to show the fall.
    """
    if not len(c):
        return 0.0, 0.0, False
    w = c.window[:, PRE - 10 : PRE + 14]
    drop = w[:, :-1] - w[:, 1:]
    late = c.window[:, PRE + 8 : PRE + 20]
    settled = np.ptp(late, axis=1) <= 9.0 * c.noise + 0.02 * c.swing
    floor = np.median(late, axis=1)
    flat = np.ptp(late, axis=1) == 0.0
    cut = bool(flat[settled].mean() > 0.3) if settled.any() else False
    # The last step that leads clear of the floor, and the two before it: the fall, if it is long.
    clear = np.maximum(12.0 * c.noise, 0.01 * c.swing)[:, None]
    over = w - floor[:, None] > clear
    mark = np.minimum(4.0 * c.noise, 0.5 * clear[:, 0])
    rows = np.arange(len(c))
    most = np.where(over[:, 1:], np.abs(drop), -1.0).argmax(axis=1)
    most = np.minimum(most, drop.shape[1] - 3)
    first, second = drop[rows, most + 1], drop[rows, most + 2]
    end = w[rows, most + 3] - floor
    good = settled & (np.abs(first) > 15.0 * c.noise) & (first * drop[rows, most] > 0.0)
    if cut:
        good &= end > mark
    if int(good.sum()) < 6:
        return _tail_of_pairs(c, floor, settled & ~flat), 0.0, False
    ratios = (second / np.where(first == 0.0, 1.0, first))[good]
    # The median keeps out touches that bounced away at once.
    ratio = float(np.median(ratios))
    close = good & (np.abs(second - ratio * first) < 0.1 * np.abs(first) + 4.0 * c.noise)
    if int(close.sum()) >= 6:
        ratio = float((first * second)[close].sum() / (first[close] ** 2).sum())
    if not 0.001 < ratio < 0.98:
        return 0.0, 0.0, False
    level = float(np.median((w[rows, most + 1] - first / (1.0 - ratio))[good]))
    return float(-1.0 / np.log(ratio)), level, cut and level < -2.0 * float(np.median(c.noise))


def _tail_of_pairs(c: Crossings, floor: Floats, usable: Bools) -> float:
    return 0.0
