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

from dataclasses import replace
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
#: So many samples in a row at a rail below closed are a ring that is cut off there.
HELD = 6
#: Closed is cut off where this share of its samples stands at the rail.
CUT_SHARE = 0.3
#: Intervals after the first steady one that tell the level of a contact which lasts.
LATER = np.arange(4, 14)
#: A contact is looked for from this many samples before the crossing on: the fall takes time.
EARLY = 9
#: Below this time constant the fall is over within a sample.
SHARP = 0.05
#: Below this one few touches show a sample on the fall.
COARSE = 0.2
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
    if rail is not None and np.isfinite(rail).any():
        near &= ~held_at(c.window, rail)
    band = _band(c, tau)[:, None]

    def stretch(count: int) -> tuple[Ints, Bools]:
        last = width - count + 1
        top, bottom = z[:, :last], z[:, :last]
        for k in range(1, count):
            top = np.maximum(top, z[:, k : last + k])
            bottom = np.minimum(bottom, z[:, k : last + k])
        good = _stretches(near, count) & (top - bottom <= band)
        good[:, : PRE - EARLY] = False
        return np.asarray(good.argmax(axis=1)), np.asarray(good.any(axis=1))

    column, found = stretch(STEADY)
    count = np.full(n, STEADY)
    if length is not None and (length < LONG_RUN).any():
        brief, seen = stretch(STEADY_SHORT)
        short = length < LONG_RUN
        column, found = np.where(short, brief, column), np.where(short, seen, found)
        count[short] = STEADY_SHORT
    # What comes later tells the level better: the first intervals still hold what tau has wrong.
    later = z[np.arange(n)[:, None], np.minimum(column[:, None] + LATER, width - 1)]
    calm = np.ptp(later, axis=1) <= 1.2 * band[:, 0]
    span = column[:, None] + np.arange(STEADY)
    inside = (np.arange(STEADY) < count[:, None]) & (span < width)
    piece = z[np.arange(n)[:, None], np.minimum(span, width - 1)]
    level = np.where(inside, piece, 0.0).sum(axis=1) / inside.sum(axis=1)
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


def jumps(c: Crossings, tau: float, column: Ints, level: Floats, rail: Floats) -> Bools:
    """True where the signal got to ``level`` at ``column`` by a jump, as a touch makes it.

    A ring may also be steady for a while: where it just reaches closed and turns, and where the
    converter cuts it off. Carried on from the intervals before, its course leads there.
    """
    z = undo(c.window, tau)
    rows = np.arange(len(c))
    one, two, four = (z[rows, np.maximum(column - k, 0)] - level for k in (1, 2, 4))
    sigma = c.noise * noise_gain(tau)
    mark = np.maximum(0.15 * c.swing, 6.0 * sigma)
    # On the side it came from: one that slows down to turn there would be carried past it.
    carried = (2.0 * two - four) * np.sign(two)
    # Where the converter cuts off at closed, it may do so above, too, and nothing has been below.
    v = [c.window[rows, np.clip(column + k, 0, c.window.shape[1] - 1)] for k in (-4, 1, 2)]
    at_rail = (v[1] <= rail + 1e-3) | (v[2] <= rail + 1e-3)
    top = c.window.max(axis=1) - 1e-3
    paced = np.where(v[0] >= top, np.minimum(carried, 2.0 * one - two), carried)
    from_above = (paced > mark) & (one > -mark) & (two > mark)
    # Still on the fall while its input stands at closed already: no ring does that for two intervals.
    z0, z1 = (np.abs(z[rows, np.minimum(column + k, z.shape[1] - 1)] - level) for k in (0, 1))
    falling = (v[1] > rail + 12.0 * c.noise) & (np.maximum(z0, z1) < 4.0 * sigma)
    return np.where(at_rail, from_above | falling, carried > mark)


def is_contact(c: Crossings, length: Ints, tau: float) -> Bools:
    """True for the short runs in the closed band that a contact made, not a passing ring.

    A ring that just reaches closed and turns is a parabola there: how long it stays bounds how far
    away it was two intervals before.
    """
    rail = low_rail(c)
    column, level, found = steady_from(c, tau, length)
    z = undo(c.window, tau)
    rows = np.arange(len(c))
    band = _band(c, tau)
    flat = np.abs(z - level[:, None]) <= 0.5 * band[:, None]
    leaves = ~flat & (np.arange(z.shape[1]) >= column[:, None])
    stays = np.where(leaves.any(axis=1), leaves.argmax(axis=1), z.shape[1]) - column
    stays = np.maximum(stays, np.where(length < LONG_RUN, STEADY_SHORT, STEADY))
    far = np.abs(z[rows, np.maximum(column - 2, 0)] - level) > band * (1.0 + 4.0 / stays) ** 2
    inside = column <= PRE + length
    return np.asarray(found & inside & far & jumps(c, tau, column, level, rail))


# --- fit of course and fall ---------------------------------------------------------------------


@lru_cache(maxsize=64)
def _models(tau: float, ring: float, back: int, terms: int, step: float) -> tuple[Floats, Floats]:
    """(instants, orthonormal models): for each instant the columns that course and fall can take.

    Shapes (C,) and (C, back + 1 + AFTER, terms). Columns are counted from the first steady interval.
    The course is a straight line and a sine of ``ring`` radians a sample with free phase; as that
    goes to zero it becomes a cubic. After the instant it falls to zero by exp(-t / tau).
    """
    at = np.arange(FROM, UPTO + 1e-9, step)
    columns = np.arange(-back, AFTER + 1.0)
    w = max(ring, 0.03)

    def course(t: Floats) -> Floats:
        shapes = [np.ones_like(t), t, (1.0 - np.cos(w * t)) / w**2, (w * t - np.sin(w * t)) / w**3]
        return np.stack(shapes[:terms], axis=-1)

    late = columns > at[:, None]
    fall = np.exp(-np.where(late, columns - at[:, None], 0.0) / max(tau, 1e-3))
    models = course(np.where(late, at[:, None], columns)) * fall[..., None]
    return at, np.linalg.qr(models)[0]


def _cut_out(c: Crossings, column: Ints, back: int) -> tuple[Floats, Ints]:
    """Samples around the first steady interval, (n, back + 1 + AFTER), and the column used."""
    column = np.clip(column, back, c.window.shape[1] - AFTER - 1)
    return c.window[
        np.arange(len(c))[:, None], column[:, None] + np.arange(-back, AFTER + 1)
    ], column


def _errors(y: Floats, models: Floats) -> Floats:
    """Squared error of every row of ``y`` with every model, (n, C)."""
    count, width, terms = models.shape
    share = y @ models.transpose(1, 0, 2).reshape(width, count * terms)
    explained = (share.reshape(len(y), count, terms) ** 2).sum(axis=2)
    return np.asarray(np.maximum((y**2).sum(axis=1)[:, None] - explained, 0.0))


def _masked_errors(y: Floats, use: Bools, models: Floats) -> Floats:
    """The same with only the samples ``use`` of each row counting."""
    count, width, terms = models.shape
    pairs = models[:, :, :, None] * models[:, :, None, :]
    flat = pairs.transpose(1, 0, 2, 3).reshape(width, -1)
    normal = (use.astype(float) @ flat).reshape(len(y), count, terms, terms)
    normal += 1e-9 * np.eye(terms)
    seen = np.where(use, y, 0.0)
    right = (seen @ models.transpose(1, 0, 2).reshape(width, -1)).reshape(len(y), count, terms)
    answer = np.linalg.solve(normal, right[..., None])[..., 0]
    left = (seen**2).sum(axis=1)[:, None] - (answer * right).sum(axis=2)
    return np.asarray(np.maximum(left, 0.0))


def _posterior(at: Floats, error: Floats, variance: Floats) -> tuple[Floats, Floats]:
    """Mean and standard deviation of the instant, every one being as likely beforehand.

    Where the minimum is sharp, the parabola through it; else the moments over the grid.
    """
    rows = np.arange(len(error))
    best = error.argmin(axis=1)
    inner = np.clip(best, 1, len(at) - 2)
    left, low, right = (error[rows, inner + k] for k in (-1, 0, 1))
    bend = left + right - 2.0 * low
    step = float(at[1] - at[0])
    good = (bend > 1e-30) & (best == inner)
    shift = np.where(good, 0.5 * (left - right) / np.where(good, bend, 1.0), 0.0)
    sharp = step * np.sqrt(2.0 * variance / np.maximum(bend, 1e-30))
    weight = np.exp(-0.5 * (error - error.min(axis=1, keepdims=True)) / variance[:, None])
    weight /= weight.sum(axis=1, keepdims=True)
    mean = weight @ at
    spread = np.sqrt(np.maximum(weight @ at**2 - mean**2, 0.0))
    use = good & (spread < 0.75 * step)
    return np.where(use, at[best] + shift * step, mean), np.where(use, sharp, spread)


def _fit(
    c: Crossings, column: Ints, level: Floats, tau: float, ring: float, shape: tuple[int, int],
    use: Bools | None = None,
) -> tuple[Floats, Floats, Floats]:  # fmt: skip
    """(instant in columns of the window, u, reduced chi squared) with one length of course."""
    back, terms = shape
    y, column = _cut_out(c, column, back)
    y = y - level[:, None]
    at, models = _models(tau, ring, back, terms, GRID)
    if use is None:
        error = _errors(y, models)
        dof = np.full(len(c), y.shape[1] - terms - 1.0)
    else:
        kept = np.take_along_axis(use, column[:, None] + np.arange(-back, AFTER + 1), axis=1)
        error = _masked_errors(y, kept, models)
        dof = np.maximum(kept.sum(axis=1) - terms - 1.0, 1.0)
    chi = error.min(axis=1) / dof / c.noise**2
    variance = c.noise**2 * np.maximum(chi, 1.0)
    t, u = _posterior(at, error, variance)
    fine = u < 2.0 * GRID
    if use is None and fine.any():
        rows = np.flatnonzero(fine)
        near, models = _models(tau, ring, back, terms, FINE)
        ratio = round(GRID / FINE)
        middle = np.clip(error[rows].argmin(axis=1) * ratio, ratio, len(near) - 1 - ratio)
        some = middle[:, None] + np.arange(-ratio, ratio + 1)
        share = np.einsum("nw,ncwt->nct", y[rows], models[some])
        small = np.maximum((y[rows] ** 2).sum(axis=1)[:, None] - (share**2).sum(axis=2), 0.0)
        t_fine, u_fine = _posterior(near[: 2 * ratio + 1] - near[ratio], small, variance[rows])
        t[rows], u[rows] = near[middle] + t_fine, np.maximum(u_fine, u[rows] * 0.5)
        chi[rows] = small.min(axis=1) / dof[rows] / c.noise[rows] ** 2
    return t + column, u, chi


def fit_falls(
    c: Crossings, column: Ints, level: Floats, tau: float, ring: float
) -> tuple[Floats, Floats, Floats]:
    """(instant in columns of the window, u, reduced chi squared) of every touch.

    A long course tells most; where it is no single ring (a burn line that has just ended), the short
    one fits better and is taken.
    """
    t, u, chi = _fit(c, column, level, tau, ring, LONG_COURSE)
    bad = np.flatnonzero(chi > 3.0)
    if len(bad):
        t2, u2, chi2 = _fit(c.take(bad), column[bad], level[bad], tau, ring, SHORT_COURSE)
        better = chi2 < 0.7 * chi[bad]
        some = bad[better]
        t[some], u[some], chi[some] = t2[better], u2[better], chi2[better]
    return t, u, chi


# --- learning -------------------------------------------------------------------------------------


def learn_ring(c: Crossings, top: float, bottom: float) -> float:
    """Angular frequency of the ring before touches, radians a sample; 0 where nothing rings.

    Of a sine about any level the second difference is -(2 - 2 cos w) times the distance from it. The
    noise, which stands on both sides of that, is taken off.
    """
    w = c.window[:, : PRE - 5]
    middle = w[:, 1:-1]
    bend = w[:, 2:] - 2.0 * middle + w[:, :-2]
    away = middle - middle.mean(axis=1, keepdims=True)
    whole = ((w < 0.98 * top) & (w > 0.98 * bottom)).all(axis=1)
    if int(whole.sum()) < 4:
        return 0.0
    noise = c.noise[whole, None] ** 2
    power = float((away[whole] ** 2 - noise).sum())
    product = float((away[whole] * bend[whole] + 2.0 * noise).sum())
    if power <= 0.1 * float(np.sum(noise)) * away.shape[1] or product >= 0.0:
        return 0.0
    return float(np.arccos(np.clip(1.0 + 0.5 * product / power, -0.5, 1.0)))


def learn_tail(
    c: Crossings, top: float = np.inf, bottom: float = -np.inf
) -> tuple[float, float, bool]:
    """(time constant of the fall to closed in samples, level it falls to, cut off?), a first look.

    Whatever rang before a touch, on the fall each sample stands exp(-1/tau) as far from closed as the
    one before, and so do the steps between samples; these also tell the level it falls to where the
    converter cuts off above that. tau is 0 where the sampling is too slow to show the fall.
    """
    if not len(c):
        return 0.0, 0.0, False
    late = c.window[:, PRE + 8 : PRE + 20]
    settled = np.ptp(late, axis=1) <= 9.0 * c.noise + 0.02 * c.swing
    floor = np.median(late, axis=1)
    at_rail = (late <= low_rail(c)[:, None] + 1e-3).mean(axis=1)
    cut = bool(np.median(at_rail[settled]) > CUT_SHARE) if settled.any() else False
    w = c.window[:, PRE - 8 : PRE + 14]
    rows = np.arange(len(c))
    columns = np.arange(w.shape[1])
    # The last sample well clear of the floor, and the one after it: nearly always on the fall.
    clear = (6.0 if cut else 30.0) * c.noise
    over = np.abs(w - floor[:, None]) > np.maximum(clear, 0.02 * c.swing)[:, None]
    last = np.where(over & (columns < w.shape[1] - 2), columns, -1).max(axis=1)
    good = settled & (last >= 2)
    here = np.maximum(last, 2)
    good &= (w[rows, here] < 0.98 * top) & (w[rows, here] > 0.98 * bottom)
    if int(good.sum()) < 6:
        return 0.0, 0.0, cut
    if cut:
        # The floor is not the level it falls to, so that is fitted too.
        x = np.concatenate([w[rows, here - k][good] for k in (1, 2)])
        y = np.concatenate([w[rows, here + 1 - k][good] for k in (1, 2)])
        some = (x < 0.98 * top) & (y < 0.95 * x - 4.0 * float(np.median(c.noise)))
        ratio, level = _line_of_most(x[some], y[some], float(np.median(c.noise)))
        return (float(-1.0 / np.log(ratio)) if ratio > 0.001 else 0.0), level, True
    x, y = w[rows, here] - floor, w[rows, here + 1] - floor
    ratio = float(np.median((y / np.where(x == 0.0, 1.0, x))[good]))
    # What bounced away at once, and what the touch came after, lies off that line.
    for _ in range(2):
        close = good & (np.abs(y - ratio * x) < 0.1 * np.abs(x) + 4.0 * c.noise)
        if int(close.sum()) >= 6:
            ratio = float((x * y)[close].sum() / (x[close] ** 2).sum())
    # Less than the noise is no fall: the sampling is too slow to show one.
    least = 3.0 * float(np.median((c.noise / np.maximum(np.abs(x), 1e-9))[good]))
    if not max(0.001, least / np.sqrt(len(c))) < ratio < 0.98:
        return 0.0, 0.0, cut
    return float(-1.0 / np.log(ratio)), 0.0, cut


def _line_of_most(x: Floats, y: Floats, noise: float) -> tuple[float, float]:
    """(slope, fixed point) of the line y - level = slope (x - level) that most points lie on.

    Only points whose fall ends clear of the rail count, or the cut would bend the line. (0, 0) where
    no line gathers a fair share of the points.
    """
    best, found = 0.0, (0.0, 0.0)
    for slope in np.exp(-1.0 / np.geomspace(0.2, 6.0, 80)):
        use = x > 10.0 * noise / slope
        rest = np.sort(y[use] - slope * x[use])
        if len(rest) < max(6, len(x) // 5):
            continue
        # The greatest share of rests within a window of six noises.
        count = np.searchsorted(rest, rest + 6.0 * noise, side="right") - np.arange(len(rest))
        most = int(count.max())
        if most / len(rest) > best:
            best = most / len(rest)
            first = int(count.argmax())
            middle = float(rest[first : first + most].mean())
            inlier = use & (np.abs(y - slope * x - middle) < 4.0 * noise)
            found = (float(slope), middle)
            if float(np.ptp(x[inlier])) > 20.0 * noise:
                fitted = np.polyfit(x[inlier], y[inlier], 1)
                found = (float(fitted[0]), float(fitted[1]))
    slope, rise = found
    if best < 0.2 or not 0.001 < slope < 0.9:
        return 0.0, 0.0
    return slope, rise / (1.0 - slope)


def refine_tail(c: Crossings, tau: float, ring: float, top: float, bottom: float) -> float:
    """Time constant with which touches are fitted best, near ``tau`` where that is known."""
    whole = c.window[:, PRE - 12 :].max(axis=1) < 0.98 * top
    whole &= c.window.min(axis=1) > 0.98 * bottom
    whole &= ~held_at(c.window, low_rail(c)).any(axis=1)
    low, high = (0.6 * tau, 1.6 * tau) if tau > 0.0 else (0.05, 6.0)

    def cost(value: float) -> float:
        column, level, found = steady_from(c, value)
        use = found & whole
        if int(use.sum()) < 6:
            return float("inf")
        some = c.take(use)
        chi = _fit(some, column[use], level[use], value, ring, LONG_COURSE)[2]
        return float(np.median(np.log1p(chi)))

    grid = np.geomspace(low, high, 13)
    costs = [cost(float(v)) for v in grid]
    best = int(np.argmin(costs))
    if not np.isfinite(costs[best]):
        return tau
    for _ in range(2):
        left, right = grid[max(best - 1, 0)], grid[min(best + 1, len(grid) - 1)]
        grid = np.geomspace(left, right, 7)
        costs = [cost(float(v)) for v in grid]
        best = int(np.argmin(costs))
    return float(grid[best]) if grid[best] > COARSE else _share_on_edge(c, top)


def _share_on_edge(c: Crossings, top: float) -> float:
    """Time constant from how often a sample lies on the fall at all, where few do."""
    column, level, found = steady_from(c, 0.0)
    rows = np.arange(len(c))
    v = [c.window[rows, np.maximum(column - k, 0)] - level for k in range(4)]
    # The edge lies on the last sample before the steady ones, or right after it.
    course = 2.0 * v[1] - v[2]
    clear = np.abs(course) > np.maximum(0.5 * c.swing, 20.0 * c.noise)
    good = found & clear & (np.abs(v[1] - 2.0 * v[2] + v[3]) < 0.2 * np.abs(course))
    good &= np.max(v, axis=0) < 0.98 * top
    if int(good.sum()) < 6:
        return 0.0
    share = np.abs(v[0] / np.where(course == 0.0, 1.0, course))[good]
    on_edge = float(((share > 0.1) & (share < 0.8)).mean())
    return on_edge / float(np.log(0.8 / 0.1))


# --- placing --------------------------------------------------------------------------------------


def place_touches(c: Crossings, r: Response) -> Placed:
    """Place touches of a coil's points; u is NaN where a touch left no sign in the trace."""
    rows = np.arange(len(c))
    rail = low_rail(c)
    column, level, found, unseen = _located(c, r.tau, rail)
    hidden = c.window[rows, np.minimum(column + 6, c.window.shape[1] - 1)] <= rail + 1e-3
    level = np.where(hidden & r.cut_closed, np.minimum(r.closed, level), level)
    place = np.arange(c.window.shape[1])
    low = c.window <= rail[:, None] + 1e-3
    if low.any():
        # Cut off after the touch is as good as closed; cut off before it tells nothing.
        settled = low & (place >= column[:, None])
        c = replace(c, window=np.where(settled, level[:, None], c.window))
        low &= ~settled
    t, u, _ = fit_falls(c, column, level, r.tau, r.ring)
    cut = (c.window >= 0.98 * r.top) | (c.window <= 0.98 * r.bottom) | low
    span = (place >= column[:, None] - LONG_COURSE[0]) & (place <= column[:, None] + AFTER)
    masked = np.flatnonzero((cut & span).any(axis=1))
    if len(masked):
        some = (c.take(masked), column[masked], level[masked])
        t[masked], u[masked], _ = _fit(*some, r.tau, r.ring, SHORT_COURSE, ~cut[masked])
        t[masked], u[masked] = _from_beyond(*some, r, cut[masked], t[masked], u[masked])
    u = np.where(found, np.maximum(u, 0.02), np.maximum(u, 0.5))
    return Placed(c.at - PRE + t + r.tau * LN2, np.where(unseen, np.nan, u))


def _located(c: Crossings, tau: float, rail: Floats) -> tuple[Ints, Floats, Bools, Bools]:
    """(column, level, found, unseen) of the first steady interval of each touch.

    A ring below closed may be cut off at what looks like closed. Then the touch is where the signal
    comes up from there to a closed level that lies clear of it; where it does not, it left no sign.
    """
    length = run_length(c)
    column, level, found = steady_from(c, tau, length)
    unseen = np.zeros(len(c), bool)
    doubt = np.flatnonzero(np.isfinite(rail) & found)
    if len(doubt):
        some = c.take(doubt)
        doubt = doubt[~jumps(some, tau, column[doubt], level[doubt], rail[doubt])]
        some = c.take(doubt)
        later, height, seen = steady_from(some, tau, length[doubt], rail[doubt])
        clear = seen & ((later == column[doubt]) | (height - rail[doubt] > 4.0 * some.noise))
        column[doubt] = np.where(clear, later, column[doubt])
        level[doubt] = np.where(clear, height, level[doubt])
        unseen[doubt] = ~clear
    return column, level, found, unseen


def _from_beyond(
    c: Crossings, column: Ints, level: Floats, r: Response, cut: Bools, t: Floats, u: Floats
) -> tuple[Floats, Floats]:
    """Touches that came from where the converter cuts off: t and u for these, the rest unchanged.

    The fall tells when it passed the rail, not from how far beyond: later by tau ln(V / rail).
    """
    tau = r.tau
    rows = np.arange(len(c))
    place = np.arange(c.window.shape[1])
    before = cut & (place <= column[:, None] + 1) & (place >= column[:, None] - 6)
    last = np.where(before, place, -1).max(axis=1)
    first = np.minimum(last + 1, c.window.shape[1] - 2)
    edge = c.window[rows, np.maximum(last, 0)] - level
    side = np.sign(edge)
    size = np.maximum((c.window[rows, first] - level) * side, 1e-9)
    after = (c.window[rows, np.minimum(first + 1, c.window.shape[1] - 1)] - level) * side
    a = float(np.exp(-1.0 / max(tau, 1e-3)))
    falls = np.abs(after - a * size) < 0.1 * size + 5.0 * c.noise
    size_before = size / max(a, 1e-6)
    beyond = (last >= 0) & falls & (size_before >= 0.95 * np.abs(edge)) & (np.abs(edge) > 0.0)
    passed = first - tau * np.log(np.maximum(np.abs(edge) / size, 1.0))
    # How far beyond is not seen: most rings and burn lines stand at 1.2 to 2.7 times a rail that
    # cuts them off (from memory), and at any height against one that is as near as the noise.
    near = np.abs(edge) < 0.5 * c.swing
    most = np.where(near, np.log(4.0 * c.swing / np.maximum(np.abs(edge), c.noise)), 1.2)
    t = np.where(beyond, passed - 0.5 * tau * most, t)
    u = np.where(beyond, np.hypot(0.33 * tau * most, 0.05), u)
    # Not on the fall yet, so the touch came after it.
    before_it = (last >= 0) & ~beyond & (t < last)
    return np.where(before_it, last + 0.5, t), np.where(before_it, 0.3, u)
