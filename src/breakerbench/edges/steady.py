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
#: So many samples in a row at a rail below closed are a ring that is cut off there.
HELD = 6
#: No ring stays at closed for so many intervals.
LONG_STAY = 14
#: Intervals after the first steady one that tell the level of a contact which lasts.
LATER = np.arange(4, 14)
#: A contact is looked for from this many samples before the crossing on: the fall takes time.
EARLY = 9
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
    return np.where((bottom > -0.25 * c.swing) & (often > max(7.0, 0.01 * raw.size)), bottom, none)


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
    c: Crossings, tau: float, rail: Floats, count: int = STEADY, held: bool = True
) -> tuple[Ints, Floats, Bools]:
    """(column, level, found): where the input of the front end begins to stand at closed.

    The column is of the first sample after the touch, and the level that of the contact. Where no
    such stretch is found the column is that of the crossing and the level zero.

    rail    level of each row that a cut-off ring stands at, -inf for none (``low_rail``)
    count   intervals in a row that are asked for
    held    whether standing at that rail counts as closed
    """
    z = undo_above(c.window, tau, rail)
    n, width = z.shape
    sigma = c.noise * noise_gain(tau)
    near = np.abs(z) <= np.maximum(0.2 * c.swing, 4.0 * sigma)[:, None]
    if not held and np.isfinite(rail).any():
        near &= ~held_at(c.window, rail)
    band = _band(c, tau)[:, None]

    last = width - count + 1
    top, bottom = z[:, :last], z[:, :last]
    for k in range(1, count):
        top = np.maximum(top, z[:, k : last + k])
        bottom = np.minimum(bottom, z[:, k : last + k])
    good = _stretches(near, count) & (top - bottom <= band)
    good[:, : PRE - EARLY] = False
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
    margin = 4.0 * c.noise + 0.01 * c.swing + 0.02 * np.abs(height)
    falls = np.ones(len(c), bool)
    for k in (1, 2, 3):
        expected = np.maximum(under + a**k * height, rail)
        falls &= np.abs(c.window[rows, np.minimum(column + k, last)] - expected) < margin
    steep = v[1] > rail + np.maximum(60.0 * c.noise, 0.15 * c.swing)
    # At a rail nothing tells how it would have gone on: its bend counts, too.
    bent = (6.0 * two - 8.0 * three + 3.0 * four) * np.sign(two)
    pace = np.minimum(carried, bent) > mark
    # Cut off above, its pace is known from the last interval alone, if at all.
    near = np.minimum(carried, 2.0 * one - two) > mark
    if tau >= COARSE:
        near = near & steep if sure else near | steep
        falls &= steep | (not sure)
    from_above = falls & np.where(v[0] >= top, near, pace)
    return np.where(at_rail(c, tau, column, rail), from_above, carried > mark)


def is_far(c: Crossings, tau: float, column: Ints, rail: Floats, count: int) -> Bools:
    """True where no parabola could have come to ``column`` from where the signal was before.

    A ring that just reaches closed and turns is a parabola there: how long it stays, and how flat,
    bounds how far away it was two intervals before.
    """
    z = undo_above(c.window, tau, rail)
    rows = np.arange(len(c))
    band = _band(c, tau)
    begin = z[rows[:, None], np.minimum(column[:, None] + np.arange(count), z.shape[1] - 1)]
    flat = np.abs(z - begin.mean(axis=1)[:, None]) <= 0.5 * band[:, None]
    stays = np.maximum(stay(flat, column), count)
    place = np.arange(z.shape[1]) - column[:, None]
    inside = (place >= 0) & (place < stays[:, None])
    level = np.where(inside, z, 0.0).sum(axis=1) / inside.sum(axis=1)
    # Distances of a parabola from its own mean over the stay: two intervals before it, at its start.
    half, mean = 0.5 * stays, stays**2 / 12.0
    ratio = ((half + 2.0) ** 2 - mean) / ((half - 0.5) ** 2 - mean)
    bend = ratio * (np.abs(begin[:, :2].mean(axis=1) - level) + 3.0 * c.noise * noise_gain(tau))
    bound = np.minimum(band * (1.0 + 4.0 / stays) ** 2, bend)
    two, four = (z[rows, np.maximum(column - k, 0)] - level for k in (2, 4))
    # Carried on from there it leads to its vertex, which lies in the stay if it leaves as it came.
    after = z[rows, np.minimum(column + stays, z.shape[1] - 1)] - level
    carried = (2.0 * two - four) * np.sign(two)
    turns = (after * two > 0.0) | (column + stays >= z.shape[1])
    return np.asarray((np.abs(two) > bound) | (turns & (carried > 1.2 * band)))


def stay(flat: Bools, column: Ints) -> Ints:
    """Intervals from ``column`` on that are ``flat`` without a break."""
    leaves = ~flat & (np.arange(flat.shape[1]) >= column[:, None])
    until = np.where(leaves.any(axis=1), leaves.argmax(axis=1), flat.shape[1])
    return np.asarray(until - column, np.int64)


def first_touch(
    c: Crossings, length: Ints, tau: float, rail: Floats, closed: float
) -> tuple[Ints, Floats, Bools, Bools]:
    """(column, level, found, is a contact) of where closed begins in each run.

    The contact may be lost again at once, within the band even: a short stretch at closed counts
    where it plainly began with a jump; else a longer one is looked for in a run that is long enough.
    """
    column, level, found = steady_from(c, tau, rail, STEADY_SHORT)
    sure = found & is_far(c, tau, column, rail, STEADY_SHORT)
    sure &= jumps(c, tau, column, level, rail, closed, sure=True)
    rest = np.flatnonzero(~sure & (length >= LONG_RUN))
    if len(rest):
        some, under = c.take(rest), rail[rest]
        at, height, seen = steady_from(some, tau, under)
        z = undo_above(some.window, tau, under)
        flat = np.abs(z - height[:, None]) <= 0.5 * _band(some, tau)[:, None]
        lasts = (stay(flat, at) >= LONG_STAY) & ~at_rail(some, tau, at, under)
        begun = lasts | jumps(some, tau, at, height, under, closed, sure=True)
        column[rest], level[rest], found[rest] = at, height, seen
        sure[rest] = seen & begun & is_far(some, tau, at, under, STEADY)
    return column, level, found, sure


def is_contact(c: Crossings, length: Ints, tau: float, closed: float = 0.0) -> Bools:
    """True for the short runs in the closed band that a contact made, not a passing ring."""
    column, _, _, sure = first_touch(c, length, tau, low_rail(c), closed)
    return np.asarray(sure & (column <= PRE + length))


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
    apart = np.abs(z - height[:, None]) > 0.9 * band[:, None]
    begin = z.shape[1] - np.argmax(apart[:, ::-1], axis=1)
    use = calm & apart.any(axis=1) & (begin > column + STEADY_SHORT)
    return np.where(use, begin, column), np.where(use, height, level), use
