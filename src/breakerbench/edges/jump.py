"""A brief touch told from a ring by what both leave behind.

A contact that bounces may touch for a few samples and be lost again. What the front end puts out then
runs on its course, falls to closed by exp(-t / tau), stays there, and goes up again from there. A ring
that slows down near closed stays there as well, but its whole course is smooth. So two curves are
fitted to the samples up to the end of the stay: a course with a touch in it (``fall``), and one
polynomial. Where the first leaves far less than the second, there was a touch.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from breakerbench.edges.crossings import PRE, Crossings
from breakerbench.edges.faint import is_faint, is_faint_touch
from breakerbench.edges.fall import (
    AFTER,
    LONG_COURSE,
    SHORT_COURSE,
    SMOOTH_TERMS,
    cut_out,
    fit,
    masked_errors,
    smooth_model,
)
from breakerbench.edges.steady import (
    EARLY,
    LONG_STAY,
    STEADY,
    at_closed,
    first_touch,
    is_contact,
    low_rail,
    noise_gain,
    stay,
    steady_from,
    undo,
)
from breakerbench.edges.vague import MAD

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

#: Intervals at closed that are looked at: the briefest touch that can be told.
BRIEFEST = 2
#: Samples in the band of the briefest run that is told where the converter cuts off near closed.
SHORTEST = 3
#: No ring that passes closed at a pace stays there for so many intervals.
STAYS = 8
#: A touch stands no higher than this share of the swing above closed.
MOST_LEVEL = 0.08
#: Standard deviations by which a brief touch may stand below and above where touches stand. Of 7,700
#: solved by ngspice 1 in 1,000 stood 2.4 below; as many of those that stay for six samples 3.2 above.
LOWEST, HIGHEST = 3.0, 3.5
#: Touches that tell where touches stand: fewest, and as many as are looked at.
TELL, ASKED = 6, 64
#: Intervals that tell the level of a contact.
MOST_COUNTED = 12
#: Samples before and after a long stay that tell whether a ring made it.
AROUND = 8
#: Stretches at closed looked at in one window.
LOOKS = 4
#: So many intervals at closed right after a steep course are a touch: no ring stops at once. In 220,000
#: windows of 38 simulated coils there was no other stop, of 3,000 first touches of 20 us that come while
#: the coil rings deeply nine in ten were one.
STOPS = 4
#: Range of these intervals, noises of one; what a time constant wrong by 2 % leaves, share of a sample.
STOPS_WITHIN, STOPS_SHARE = 5.0, 0.01
#: Steep: so many swings off two intervals before, or that change from there to one interval more. A ring
#: that turns at closed, a parabola, and stays as flat is no further off than 1.7, nor changes by 0.8.
STEEP_OFF, STEEP_CHANGE = 1.7, 0.8
#: A touch leaves so much less than a smooth course (squared error a degree of freedom). Of 14,000
#: passings of a ring solved by ngspice 1 in 400 does so by a long course, of 1,400 touches 19 in 20.
LESS_LONG, LESS_SHORT = 3.0, 20.0
#: The same by a long course where it stands as touches do and is left by a bend as sharp.
LESS_STANDING = 2.5
#: And no more than so many times the noise, by a short course.
MOST_SHORT = 4.0


def stay_at(c: Crossings, tau: float, column: Ints) -> tuple[Ints, Floats]:
    """(intervals from ``column`` on that the contact stays closed without a break, their mean level)."""
    z = undo(c.window, tau)
    rows = np.arange(len(c))
    last = z.shape[1] - 1
    level = z[rows[:, None], np.minimum(column[:, None] + np.arange(BRIEFEST), last)].mean(axis=1)
    stays = np.maximum(stay(at_closed(c, tau, level), column), BRIEFEST)
    # The last interval may hold the loss.
    counted = np.clip(stays - 1, BRIEFEST, MOST_COUNTED)
    place = np.arange(z.shape[1]) - column[:, None]
    inside = (place >= 0) & (place < counted[:, None])
    return stays, np.asarray(np.where(inside, z, 0.0).sum(axis=1) / inside.sum(axis=1))


class Stand(NamedTuple):
    """Where touches stand, no current flowing yet: level above closed and its spread, counts."""

    level: float
    spread: float


def stand_of(c: Crossings, length: Ints, tau: float) -> Stand | None:
    """Where the plain touches among long runs stand; None where too few tell."""
    some = _some(len(c))
    c = c.take(some)
    rail = low_rail(c)
    _, level, found, sure = first_touch(c, length[some], tau, rail, 0.0)
    level = level[found & sure & ~np.isfinite(rail)]
    if len(level) < TELL:
        return None
    middle = float(np.median(level))
    return Stand(middle, float(np.median(np.abs(level - middle))) / MAD)


def _some(n: int) -> Ints:
    """At most ASKED rows of n, evenly spread."""
    return np.unique(np.linspace(0, n - 1, min(n, ASKED)).astype(np.int64))


def _stands(
    c: Crossings, tau: float, level: Floats, stays: Ints, stand: Stand | None
) -> tuple[Bools, Floats]:
    """(may a stay at ``level`` be a touch's, its level) by where touches stand."""
    if stand is None:
        return np.ones(len(c), bool), level
    noise = c.noise * noise_gain(tau) / np.sqrt(np.maximum(stays, BRIEFEST))
    off = level - stand.level
    ratio = off / np.hypot(noise, stand.spread)
    # Below, nothing but noise takes it: then the others tell its level, too.
    share = stand.spread**2 / np.maximum(stand.spread**2 + noise**2, 1e-12)
    likely = np.where(off < 0.0, stand.level + share * off, level)
    return np.asarray((ratio > -LOWEST) & (ratio < HIGHEST)), np.asarray(likely)


def _tells(
    c: Crossings, column: Ints, level: Floats, tau: float, ring: float, use: Bools,
    shape: tuple[int, int], less: float | Floats, most: float,
) -> Bools:  # fmt: skip
    """True where a smooth course leaves ``less`` times what a course with a touch does, or more.

    most  reduced chi squared that the touch may leave
    """
    back = shape[0]
    y, column = cut_out(c, column, back)
    kept = np.take_along_axis(use, column[:, None] + np.arange(-back, AFTER + 1), axis=1)
    dof = np.maximum(kept.sum(axis=1) - SMOOTH_TERMS, 1.0)
    smooth = masked_errors(y, kept, smooth_model(y.shape[1]))[:, 0] / dof / c.noise**2
    tells: Bools = smooth > less
    rest = np.flatnonzero(tells)
    if len(rest):
        some = (c.take(rest), column[rest], level[rest], tau, ring, shape, use[rest])
        chi = fit(*some)[2]
        least = np.broadcast_to(less, len(c))[rest]
        tells[rest] = (chi < most) & (smooth[rest] > least * np.maximum(chi, 1.0))
    return tells


def _candidates(c: Crossings, tau: float, length: Ints) -> Bools:
    """(n, columns) True where closed may begin: flat there, and the course before leads elsewhere.

    Elsewhere is to the side it came from: a ring that slows down to turn there would be carried past
    closed. Past closed it may lead as well where it then stays longer than a ring that turns.
    """
    z = undo(c.window, tau)
    sigma = (c.noise * noise_gain(tau))[:, None]
    swing = c.swing[:, None]
    first = PRE - EARLY
    last = min(PRE + int(length.max()) + 1, z.shape[1] - STAYS)
    here, after = z[:, first:last], z[:, first + 1 : last + 1]
    level = 0.5 * (here + after)
    # At a first touch no current flows yet: it stands no higher than closed does later.
    high, low = np.maximum(MOST_LEVEL * swing, 3.0 * sigma), -np.maximum(0.2 * swing, 4.0 * sigma)
    flat = np.abs(here - after) <= 5.6 * sigma + 0.005 * swing
    flat &= (level < high) & (np.minimum(here, after) > low)
    two, four, six = (z[:, first - k : last - k] - level for k in (2, 4, 6))
    carried = (2.0 * two - four) * np.sign(two)
    mark = np.maximum(0.1 * swing, 5.0 * sigma)
    top = bottom = z[:, first : last + STAYS - 1]
    for k in (1, 2, 4):  # the range of STAYS intervals
        top = np.maximum(top[:, :-k], top[:, k:])
        bottom = np.minimum(bottom[:, :-k], bottom[:, k:])
    stays = top - bottom <= 7.0 * sigma + 0.005 * swing
    clear = (carried > mark) | ((carried < -mark) & stays)
    good = np.zeros(z.shape, bool)
    good[:, first:last] = flat & clear & (np.abs(carried) > np.abs(two - 2.0 * four + six))
    good &= np.arange(z.shape[1]) <= (PRE + length)[:, None]
    return good


def stops(
    c: Crossings, length: Ints, tau: float, stand: Stand | None = None
) -> tuple[Ints, Floats, Bools]:
    """(column, level, found): where a ring on its way is brought to closed at once, and stays a while.

    From far off the front end does not come down to closed within a brief touch; undone, it shows it.
    """
    z = undo(c.window, tau)
    sigma = (c.noise * noise_gain(tau))[:, None]
    swing = c.swing[:, None]
    first = PRE - EARLY
    last = min(PRE + int(length.max(initial=0)) + 1, z.shape[1] - STOPS + 1)
    some = np.stack([z[:, first + k : last + k] for k in range(STOPS)])
    level = some.mean(axis=0)
    left = STOPS_SHARE * np.abs(c.window[:, first:last])
    good = np.ptp(some, axis=0) < STOPS_WITHIN * sigma + left
    one, two, three = (z[:, first - k : last - k] - level for k in (1, 2, 3))
    steep = (np.abs(two) > STEEP_OFF * swing) | (np.abs(two - three) > STEEP_CHANGE * swing)
    good &= steep & (np.abs(one) > 3.0 * sigma)
    if stand is None:
        good &= level < np.maximum(MOST_LEVEL * swing, 3.0 * sigma)
        good &= level > -np.maximum(MOST_LEVEL * swing, 3.0 * sigma)
    else:
        most = 3.0 * np.hypot(sigma / np.sqrt(STOPS), stand.spread) + left
        good &= np.abs(level - stand.level) < most
    good &= np.arange(first, last) <= (PRE + length)[:, None]
    at = good.argmax(axis=1)
    return first + at, level[np.arange(len(c)), at], good.any(axis=1)


def brief_touch(
    c: Crossings, length: Ints, tau: float, ring: float, top: float = np.inf,
    stand: Stand | None = None,
) -> tuple[Ints, Floats, Bools]:  # fmt: skip
    """(column, level, found): the first stretch at closed in each run that a touch began.

    length  samples of each run in the closed band
    top     highest count above closed that the converter can show
    stand   where touches stand, as far as that is known
    """
    n = len(c)
    column, level, found = np.full(n, PRE), np.zeros(n), np.zeros(n, bool)
    if not n:
        return column, level, found
    at, height, stopped = stops(c, length, tau, stand)
    column, level, found = np.where(stopped, at, PRE), np.where(stopped, height, 0.0), stopped
    may = _candidates(c, tau, length)
    for _ in range(LOOKS):
        rest = np.flatnonzero(may.any(axis=1) & ~found)
        if not len(rest):
            break
        some, at = c.take(rest), may[rest].argmax(axis=1)
        may[rest, at] = False
        stays, height = stay_at(some, tau, at)
        good, likely = _stands(some, tau, height, stays, stand)
        less = np.full(len(some), LESS_LONG)
        if stand is not None:
            less[_breaks(some, at, stays)] = LESS_STANDING
        of = (at[good], likely[good], stays[good], less[good])
        good[good] = is_touch(some.take(good), tau, ring, top, *of)
        done = rest[good]
        column[done], level[done], found[done] = at[good], height[good], True
    return column, level, found


def is_touch(
    c: Crossings, tau: float, ring: float, top: float, column: Ints, level: Floats, stays: Ints,
    less: float | Floats = LESS_LONG,
) -> Bools:  # fmt: skip
    """True where a touch explains the samples about ``column`` far better than a smooth course.

    less  how much better by a long course, for all or for each
    """
    if not len(c):
        return np.empty(0, bool)
    place = np.arange(c.window.shape[1])
    use = (place <= (column + stays)[:, None]) & (c.window < 0.98 * top)
    touch = _tells(c, column, level, tau, ring, use, LONG_COURSE, less, np.inf)
    rest = np.flatnonzero(~touch)
    some = (c.take(rest), column[rest], level[rest], tau, ring, use[rest])
    touch[rest] = _tells(*some, SHORT_COURSE, LESS_SHORT, MOST_SHORT)
    return touch


def _rests(c: Crossings, tau: float, length: Ints) -> Bools:
    """True for runs that stay at closed long, between breaks that tell no instant."""
    rests = np.zeros(len(c), bool)
    rest, after = np.arange(len(c)), np.zeros(len(c), np.int64)
    for _ in range(LOOKS):
        if not len(rest):
            break
        some = c.take(rest)
        free = np.full(len(rest), -np.inf)
        column, _, seen = steady_from(some, tau, free, STEADY, after=after)
        stays, level = stay_at(some, tau, column)
        high = np.maximum(MOST_LEVEL * some.swing, 3.0 * some.noise * noise_gain(tau))
        seen &= column <= PRE + length[rest]
        good = seen & (stays >= LONG_STAY) & (level < high) & _breaks(some, column, stays)
        rests[rest[good]] = True
        more = seen & ~good
        rest, after = rest[more], (column + np.maximum(stays, 1))[more]
    return rests


def _breaks(c: Crossings, column: Ints, stays: Ints) -> Bools:
    """True for stays about which the course is not smooth: a ring that turns slowly is."""
    place = np.arange(c.window.shape[1])
    span = (column - AROUND)[:, None], (column + stays + AROUND)[:, None]
    use = (place >= span[0]) & (place <= span[1])
    dof = np.maximum(use.sum(axis=1) - SMOOTH_TERMS, 1.0)
    left = masked_errors(c.window, use, smooth_model(c.window.shape[1]))[:, 0]
    return np.asarray(left / dof / c.noise**2 > LESS_LONG)


def contact_runs(
    c: Crossings, length: Ints, near: Bools, tau: float, closed: float, ring: float, top: float,
    stand: Stand | None = None,
) -> Bools:  # fmt: skip
    """True for the short runs in the closed band that a contact made, not a passing ring.

    length  samples of each run in the band; near: True where a contact follows at once; closed: see
    ``steady.is_contact``, which tells where the converter cuts off near closed
    """
    if is_faint(c):
        return is_faint_touch(c, length, tau, ring, top, near)
    made = np.zeros(len(c), bool)
    cut = np.isfinite(low_rail(c))
    for own, told in ((cut, True), (~cut, False)):
        pick = np.flatnonzero(own)
        if not len(pick):
            continue
        some = c.take(pick)
        if told:
            made[pick] = is_contact(some, length[pick], tau, closed) & (length[pick] >= SHORTEST)
        else:
            made[pick] = brief_touch(some, length[pick], tau, ring, top, stand)[2]
            rest = np.flatnonzero(~made[pick] & (length[pick] >= LONG_STAY))
            made[pick[rest]] = _rests(some.take(rest), tau, length[pick[rest]])
    return made
