"""Where a contact begins: the input of the front end stands at closed.

Before a touch the open contact of a coil may ring or burn; from the touch on, whatever the coil does,
the input of the front end stands at the closed level. The front end is of first order (time constant
tau, samples), and with a = exp(-1/tau) it can be undone: (v[n+1] - a v[n]) / (1 - a) is the mean of
its input from sample n to n + 1, the fresher part weighing more. That is the closed level for every
interval that lies within a contact, even where the contact is so short that v itself never settles.
A ring on its way through closed is told from it by its pace.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from breakerbench.edges.crossings import PRE, Crossings

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

#: Intervals in a row at the closed level that make a contact, in a long run and in a short one.
STEADY, STEADY_SHORT = 6, 3
#: A run of this many samples or more is long in that sense.
LONG_RUN = 12
#: So many samples of a window that all read the lowest count are cut off.
REPEATED = 4
#: So many samples in a row at a rail below closed are a ring that is cut off there.
HELD = 6
#: How often a short stretch at closed that is no plain touch is passed over for a later one.
MORE_LOOKS = 4
#: No ring stays at closed for so many intervals.
LONG_STAY = 14
#: Of so many intervals in a row the slope of a ring shows above the noise.
HALF_SHOWS = 4
#: Intervals after the first steady one that tell the level of a contact which lasts.
LATER = np.arange(4, 14)
#: A contact is looked for from this many samples before the crossing on: the fall takes time.
EARLY = 9
#: Intervals whose mean tells a ring that turns near closed from a contact.
MEAN = 4
#: Below this time constant the fall is over within a sample.
SHARP = 0.05
#: Below this one few touches show a sample on the fall.
COARSE = 0.2


# --- undoing the front end ----------------------------------------------------------------------


def undo(window: Floats, tau: float) -> Floats:
    """Mean input of the front end from each sample to the next; one column less than ``window``."""
    if tau < SHARP:
        return window[:, 1:]
    a = float(np.exp(-1.0 / tau))
    return np.asarray((window[:, 1:] - a * window[:, :-1]) / (1.0 - a))


def undo_above(window: Floats, tau: float, rail: Floats) -> Floats:
    """``undo``, cut off at ``rail`` as the converter cuts off: below it all inputs look alike."""
    return np.maximum(undo(window, tau), rail[:, None])


def noise_gain(tau: float, many: int = 1) -> float:
    """What ``undo``, or the mean of so many of its intervals in a row, multiplies white noise by."""
    a = float(np.exp(-1.0 / tau)) if tau >= SHARP else 0.0
    return float(np.sqrt((1.0 + a * a) / (1.0 - a) ** 2 + many - 1.0)) / many


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
    hits = (raw <= least + 1e-6).sum(axis=1)
    often = int(hits.sum()) > max(7.0, 0.01 * raw.size) or int(hits.max()) >= REPEATED
    return np.where((bottom > -0.25 * c.swing) & often, bottom, none)


def _stretches(good: Bools, count: int) -> Bools:
    """True where ``count`` columns in a row, this one first, are all True."""
    width = good.shape[1] - count + 1
    out = good[:, :width].copy()
    for k in range(1, count):
        out &= good[:, k : width + k]
    return out


def held_at(window: Floats, rail: Floats) -> Bools:
    """True for samples that lie in a stretch of HELD or more at the rail, one column less."""
    at = window <= rail[:, None] + 1e-3
    begins = _stretches(at, HELD)
    out = np.zeros_like(at)
    width = begins.shape[1]
    for k in range(HELD):
        out[:, k : width + k] |= begins
    return np.asarray(out[:, :-1])


def steady_from(
    c: Crossings,
    tau: float,
    rail: Floats,
    count: int = STEADY,
    held: bool = True,
    after: Ints | None = None,
) -> tuple[Ints, Floats, Bools]:
    """(column, level, found): where the input of the front end begins to stand at closed.

    The column is of the first sample after the touch, and the level that of the contact. Where no
    such stretch is found the column is that of the crossing and the level zero.

    rail    level of each row that a cut-off ring stands at, -inf for none (``low_rail``)
    count   intervals in a row that are asked for
    held    whether standing at that rail counts as closed
    after   columns before which nothing counts
    """
    z = undo_above(c.window, tau, rail)
    n, width = z.shape
    sigma = c.noise * noise_gain(tau)
    near = np.abs(z) <= np.maximum(0.2 * c.swing, 4.0 * sigma)[:, None]
    if not held and np.isfinite(rail).any():
        near &= ~held_at(c.window, rail)
    band = _band(c, tau)[:, None]

    last = width - count + 1
    top = bottom = z[:, :last]
    slope = -0.5 * (count - 1) * z[:, :last]
    for k in range(1, count):
        top = np.maximum(top, z[:, k : last + k])
        bottom = np.minimum(bottom, z[:, k : last + k])
        slope += (k - 0.5 * (count - 1)) * z[:, k : last + k]
    # Where the noise is large, a ring may pass within the band: its slope is seen all the same.
    power = count * (count**2 - 1) / 12.0
    steep = np.abs(slope) / power > (4.0 * sigma / np.sqrt(power) + 0.005 * c.swing)[:, None]
    good = _stretches(near, count) & (top - bottom <= band) & ~steep
    good[:, : PRE - EARLY] = False
    if after is not None:
        good &= np.arange(good.shape[1]) >= after[:, None]
    column, found = np.asarray(good.argmax(axis=1)), np.asarray(good.any(axis=1))
    # What comes later tells the level better: the first intervals still hold what tau has wrong.
    later = z[np.arange(n)[:, None], np.minimum(column[:, None] + LATER, width - 1)]
    calm = np.ptp(later, axis=1) <= 1.2 * band[:, 0]
    level = z[np.arange(n)[:, None], column[:, None] + np.arange(count)].mean(axis=1)
    level = np.where(
        calm & (np.abs(later.mean(axis=1) - level) < band[:, 0]), later.mean(axis=1), level
    )
    return np.where(found, column, PRE), np.where(found, level, 0.0), found


def run_length(c: Crossings) -> Ints:
    """Samples that each row stays in the closed band, as far as its window tells."""
    w = np.abs(c.window[:, PRE:])
    out = w > np.maximum(0.25 * c.swing, 5.0 * c.noise)[:, None]
    return np.asarray(np.where(out.any(axis=1), out.argmax(axis=1), w.shape[1]))


def _band(c: Crossings, tau: float) -> Floats:
    """Range within which some undone samples of a closed contact lie."""
    return np.asarray(7.0 * c.noise * noise_gain(tau) + 0.005 * c.swing)


def _grain(c: Crossings) -> float:
    """Smallest step between samples: one count, where the trace was counted at all."""
    some = np.abs(np.diff(c.window[:64]))
    return float(some[some > 0.0].min(initial=np.inf))


def at_rail(c: Crossings, tau: float, column: Ints, rail: Floats) -> Bools:
    """True where the signal stands at ``rail`` soon after ``column``, the front end's delay over."""
    soon = np.arange(1, 5 + int(3.0 * min(tau, 4.0)))
    some = np.minimum(column[:, None] + soon, c.window.shape[1] - 1)
    return np.asarray(np.take_along_axis(c.window, some, axis=1).min(axis=1) <= rail + 1e-3)


def jumps(
    c: Crossings,
    tau: float,
    column: Ints,
    level: Floats,
    rail: Floats,
    closed: float = 0.0,
    sure: bool = False,
) -> Bools:
    """True where the signal got to ``level`` at ``column`` by a jump, as a touch makes it.

    A ring may also be steady for a while: where it just reaches closed and turns, and where the
    converter cuts it off. Carried on from the intervals before, its course leads there.

    closed  the level below ``rail`` that the fall leads to, where that is so
    sure    at the rail both signs of a touch are asked for: a fall, and a course that leads past it
    """
    z = undo_above(c.window, tau, rail)
    rows = np.arange(len(c))
    one, two, three, four = (z[rows, np.maximum(column - k, 0)] - level for k in (1, 2, 3, 4))
    sigma = c.noise * noise_gain(tau)
    mark = np.maximum(0.15 * c.swing, 8.0 * sigma)
    # On the side it came from: one that slows down to turn there would be carried past it.
    carried = (2.0 * two - four) * np.sign(two)
    # Where the converter cuts off at closed, it may do so above, too.
    last = c.window.shape[1] - 1
    v = [c.window[rows, np.maximum(column + k, 0)] for k in (-4, 0)]
    top = c.window.max(axis=1) - 1e-3
    # A ring gets to the rail at its own pace, a contact by the fall of the front end.
    under = np.minimum(level, closed)
    a = float(np.exp(-1.0 / max(tau, 1e-3)))
    height = v[1] - under
    falls = np.ones(len(c), bool)
    for k in (1, 2, 3):
        expected = np.maximum(under + a**k * height, rail)
        margin = 4.0 * c.noise + 0.01 * c.swing + 0.06 * a**k * np.abs(height)
        falls &= np.abs(c.window[rows, np.minimum(column + k, last)] - expected) < margin
    steep = v[1] > rail + np.maximum(40.0 * c.noise, 0.08 * c.swing)
    # At a rail nothing tells how it would have gone on: its bend counts, too.
    bent = (6.0 * two - 8.0 * three + 3.0 * four) * np.sign(two)
    pace = np.minimum(carried, bent) > mark
    # Cut off above, its pace is known from the last interval alone, if at all.
    near = np.minimum(carried, 2.0 * one - two) > mark
    if tau >= COARSE:
        near = near & steep if sure else near | steep
        falls &= steep | (not sure)
    from_above = falls & np.where(v[0] >= top, near, pace)
    if tau < COARSE:
        # From one rail to the other within a sample or two: a touch or a ring, nothing tells. (Where
        # noise would show and does not, they are rails.)
        before = np.maximum(column[:, None] - np.arange(4), 0)
        grain = _grain(c)
        high = (np.take_along_axis(c.window, before, axis=1) >= top[:, None]).sum(axis=1) >= 2
        from_above &= ~(high & (c.noise > 0.5 * grain))
    return np.where(at_rail(c, tau, column, rail), from_above, carried > mark)


def is_far(
    c: Crossings, tau: float, column: Ints, rail: Floats, count: int, alone: bool = False
) -> Bools:
    """True where no parabola could have come to ``column`` from where the signal was before.

    A ring that just reaches closed and turns is a parabola there: how long it stays, and how flat,
    bounds how far away it was two intervals before.

    alone  nothing else will be asked: the bound then holds for every parabola, with a margin
    """
    z = undo_above(c.window, tau, rail)
    rows = np.arange(len(c))
    band = _band(c, tau)
    noise = np.maximum(c.noise, 0.29 * min(_grain(c), 1e-3 * float(c.swing.max(initial=0.0))))
    begin = z[rows[:, None], np.minimum(column[:, None] + np.arange(count), z.shape[1] - 1)]
    flat = np.abs(z - begin.mean(axis=1)[:, None]) <= 0.5 * band[:, None]
    stays = np.maximum(stay(flat, column), count)
    place = np.arange(z.shape[1]) - column[:, None]
    inside = (place >= 0) & (place < stays[:, None])
    level = np.where(inside, z, 0.0).sum(axis=1) / inside.sum(axis=1)
    # Distances of a parabola from its own mean over the stay: two intervals before it, at its start.
    half, mean = 0.5 * stays, stays**2 / 12.0
    ratio = ((half + 2.0) ** 2 - mean) / ((half - 0.5) ** 2 - mean)
    bend = ratio * (np.abs(begin[:, :2].mean(axis=1) - level) + 3.0 * noise * noise_gain(tau))
    reach = 1.25 * (1.0 + 4.0 / (stays - 1.0)) ** 2 if alone else (1.0 + 4.0 / stays) ** 2
    bound = np.minimum(band * reach, 1.25 * bend if alone else bend)
    two, four = (z[rows, np.maximum(column - k, 0)] - level for k in (2, 4))
    # Carried on from there it leads to its vertex, which lies in the stay if it leaves as it came.
    after = z[rows, np.minimum(column + stays, z.shape[1] - 1)] - level
    carried = (2.0 * two - four) * np.sign(two)
    turns = (after * two > 0.0) | (column + stays >= z.shape[1])
    # Nor does a ring turn at closed that was on its way past it.
    leaving = (np.abs(two) > 1.5 * band) & ((two - four) * np.sign(two) > 1.2 * band)
    return np.asarray((np.abs(two) > bound) | leaving | (turns & (carried > 1.2 * band)))


def _turns(c: Crossings, tau: float, column: Ints, level: Floats) -> Bools:
    """True where a stretch at closed from ``column`` on is seen to come in and to go out by a slope."""
    z = undo(c.window, tau)
    half = np.minimum(stay(at_closed(c, tau, level), column), 2 * LONG_STAY) // 2
    place = np.arange(z.shape[1]) - column[:, None]
    slopes = []
    for begin in (np.zeros_like(half), half):
        inside = (place >= begin[:, None]) & (place < (begin + half)[:, None])
        away = np.where(inside, place - begin[:, None] - 0.5 * (half[:, None] - 1), 0.0)
        power = np.maximum((away**2).sum(axis=1), 1e-9)
        least = 4.0 * c.noise * noise_gain(tau) / np.sqrt(power) + 0.002 * c.swing
        slope = (away * z).sum(axis=1) / power
        slopes.append(np.where(np.abs(slope) > least, np.sign(slope), 0.0))
    return np.asarray((half >= HALF_SHOWS) & (slopes[0] * slopes[1] < 0.0))


def stay(flat: Bools, column: Ints) -> Ints:
    """Intervals from ``column`` on that are ``flat`` without a break."""
    leaves = ~flat & (np.arange(flat.shape[1]) >= column[:, None])
    until = np.where(leaves.any(axis=1), leaves.argmax(axis=1), flat.shape[1])
    return np.asarray(until - column, np.int64)


def at_closed(c: Crossings, tau: float, level: Floats) -> Bools:
    """True for the intervals at ``level``, as those of a closed contact are."""
    z = undo(c.window, tau)
    return np.asarray(np.abs(z - level[:, None]) <= 0.5 * _band(c, tau)[:, None])


def _plain(
    c: Crossings, tau: float, column: Ints, level: Floats, rail: Floats, closed: float
) -> Bools:
    """True where no ring could have got to ``column`` and stay there for STEADY_SHORT intervals.

    A rail may hold any ring: there it takes the jump of a touch, too.
    """
    jumped = jumps(c, tau, column, level, rail, closed, sure=True)
    alone = is_far(c, tau, column, rail, STEADY_SHORT, alone=True) & ~np.isfinite(rail)
    return alone | jumped & is_far(c, tau, column, rail, STEADY_SHORT)


def first_touch(
    c: Crossings, length: Ints, tau: float, rail: Floats, closed: float
) -> tuple[Ints, Floats, Bools, Bools]:
    """(column, level, found, is a contact) of where closed begins in each run.

    The contact may be lost again at once, within the band even: a short stretch at closed counts
    where it plainly began with a jump; else a longer one is looked for in a run that is long enough.
    """
    column, level, found = steady_from(c, tau, rail, STEADY_SHORT)
    sure = found & _plain(c, tau, column, level, rail, closed)
    at, height, rest = column.copy(), level.copy(), np.arange(len(c))
    for look in range(MORE_LOOKS):
        # It may have begun with the interval of the fall; a ring may have been there before.
        more = found[rest] & ~sure[rest] & (at < PRE + length[rest])
        rest, at, height = rest[more], at[more], height[more]
        if not len(rest):
            break
        some, under = c.take(rest), rail[rest]
        step = stay(at_closed(some, tau, height), at) if look % 2 else 1
        after = at + np.maximum(step, 1)
        at, height, seen = steady_from(some, tau, under, STEADY_SHORT, after=after)
        good = seen & (at <= PRE + length[rest])
        good &= _plain(some, tau, at, height, under, closed)
        column[rest[good]], level[rest[good]], sure[rest[good]] = at[good], height[good], True
        at = np.where(seen, at, PRE + length[rest])
    rest = np.flatnonzero(~sure & (length >= LONG_RUN))
    if len(rest):
        some, under = c.take(rest), rail[rest]
        at, height, seen = steady_from(some, tau, under)
        flat = at_closed(some, tau, height)
        lasts = (stay(flat, at) >= LONG_STAY) & ~at_rail(some, tau, at, under)
        begun = lasts | jumps(some, tau, at, height, under, closed, sure=True)
        column[rest], level[rest], found[rest] = at, height, seen
        sure[rest] = seen & begun & is_far(some, tau, at, under, STEADY)
    return column, level, found, sure & ~_turns(c, tau, column, level)


def is_contact(c: Crossings, length: Ints, tau: float, closed: float = 0.0) -> Bools:
    """True for the short runs in the closed band that a contact made, not a passing ring."""
    rail = low_rail(c)
    column, _, _, sure = first_touch(c, length, tau, rail, closed)
    sure &= column <= PRE + length
    # Or it came while the ring was cut off below closed: no ring gets up from there and stays.
    rest = np.flatnonzero(~sure & np.isfinite(rail))
    if len(rest):
        some, under = c.take(rest), rail[rest]
        at, height, seen = steady_from(some, tau, under, held=False)
        before = np.maximum(at[:, None] - np.arange(1, STEADY + 1), 0)
        from_rail = np.take_along_axis(some.window, before, axis=1).min(axis=1) <= under + 1e-3
        clear = seen & from_rail & (height - under > 4.0 * some.noise)
        sure[rest] = clear & (at <= PRE + length[rest])
    return np.asarray(sure)


def last_stay(c: Crossings, tau: float, column: Ints, level: Floats) -> tuple[Ints, Floats, Bools]:
    """(column, level, True) of the stretch at closed that lasts to the end of the window.

    What is given stays where there is no such stretch, or where it is that one already.
    """
    z = undo(c.window, tau)
    band = _band(c, tau)
    end = z[:, -2 * STEADY :]
    height = end.mean(axis=1)
    calm = (np.ptp(end, axis=1) <= 1.2 * band) & (
        np.abs(height) <= np.maximum(0.2 * c.swing, 4.0 * c.noise * noise_gain(tau))
    )
    # Of MEAN intervals: a ring that turns slowly, not far from closed, lies within the noise of one.
    mean = np.lib.stride_tricks.sliding_window_view(z, MEAN, axis=1).mean(axis=2)
    clear = 4.0 * noise_gain(tau, MEAN) * c.noise + 0.002 * c.swing
    apart = np.abs(mean - height[:, None]) > clear[:, None]
    begin = mean.shape[1] + 1 - np.argmax(apart[:, ::-1], axis=1)
    use = calm & apart.any(axis=1) & (begin > column + STEADY_SHORT)
    return np.where(use, begin, column), np.where(use, height, level), use
