"""Touches of points that switch a coil: what is learned from them, and their place between samples.

See ``steady`` for how a touch is told from a ring, ``fall`` for how it is fitted.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from breakerbench.edges.crossings import PRE, Crossings
from breakerbench.edges.faint import fit_faint, is_faint
from breakerbench.edges.fall import AFTER, LONG_COURSE, SHORT_COURSE, fit, fit_falls
from breakerbench.edges.jump import brief_touch, stay_at
from breakerbench.edges.shapes import LN2, Placed, Response
from breakerbench.edges.steady import (
    COARSE,
    LONG_RUN,
    LONG_STAY,
    first_touch,
    held_at,
    jumps,
    last_stay,
    low_rail,
    run_length,
    steady_from,
)

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

#: Closed is cut off where this share of its samples stands at the rail.
CUT_SHARE = 0.3

#: A time constant so many times the stated one, or so small a share of it, is doubted.
FAR_TAU = 1.6
#: No more than so many times the noise a long course may leave where some of it is cut off.
MOST_DEEP = 10.0
#: Samples out of the band between a ring and the touch that ends it.
OUT = 2


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
    settled &= cut | (at_rail < 0.5)
    w = c.window[:, PRE - 8 : PRE + 17]
    rows = np.arange(len(c))
    columns = np.arange(w.shape[1])
    # The last sample well clear of the floor, and the one after it: nearly always on the fall.
    clear = (6.0 if cut else 30.0) * c.noise
    over = np.abs(w - floor[:, None]) > np.maximum(clear, 0.02 * c.swing)[:, None]
    last = np.where(over & (columns < w.shape[1] - 5), columns, -1).max(axis=1)
    good = settled & (last >= 2)
    here = np.maximum(last, 2)
    good &= (w[rows, here] < 0.98 * top) & (w[rows, here] > 0.98 * bottom)
    if int(good.sum()) < 6:
        return 0.0, 0.0, cut
    # Four neighbours about there: where the first two are on the fall, so are the others.
    first = np.maximum(here[:, None] - np.arange(3), 0)
    x, y, z, then = (np.take_along_axis(w, first + k, axis=1) for k in range(4))
    swing = float(np.median(c.swing))
    noise = np.broadcast_to(np.maximum(c.noise, 2e-4 * swing)[:, None], x.shape)
    if cut:
        # The floor is not the level it falls to, so that is fitted too.
        rail = np.broadcast_to(low_rail(c)[:, None], x.shape)
        rail = np.where(np.isfinite(rail), rail, floor[:, None])
        whole = good[:, None] & (x < 0.98 * top) & (y > rail + 2.0 * noise)
        whole &= x > rail + 10.0 * noise
        x, y, z, noise, rail = (v[whole] for v in (x, y, z, noise, rail))
        return *_line_of_most(x, y, z, noise, rail, swing), True
    whole = (x < 0.98 * top) & (x > 0.98 * bottom) & good[:, None]
    x, y, z, then = ((v - floor[:, None]) * np.sign(x) for v in (x, y, z, then))
    whole &= x > 10.0 * noise
    x, y, z, then, noise = (v[whole] for v in (x, y, z, then, noise))
    ratios = np.exp(-1.0 / np.geomspace(0.1, 9.0, 200))[:, None]
    wide = 2.5 * noise * np.sqrt(1.0 + ratios**2)
    near = np.abs(y - ratios * x) < wide
    near &= (np.abs(z - ratios * y) < wide) & (np.abs(then - ratios * z) < wide)
    # What lies on it by chance counts for little: the wider the band looks from zero, the more.
    weight = np.minimum(x, 0.5 * swing)
    ratio = float(ratios[int((near * weight).sum(axis=1).argmax()), 0])
    for _ in range(2):
        wide = 3.0 * noise * np.sqrt(1.0 + ratio**2)
        close = (np.abs(y - ratio * x) < wide) & (np.abs(z - ratio * y) < wide)
        close &= np.abs(then - ratio * z) < wide
        if int(close.sum()) < 6:
            return 0.0, 0.0, cut
        ratio = float((x * y)[close].sum() / (x[close] ** 2).sum())
    # Less than the noise is no fall: the sampling is too slow to show one.
    least = 3.0 * float(np.median(noise / x)) if len(x) else 1.0
    if not max(0.001, least / np.sqrt(len(c))) < ratio < 0.98:
        return 0.0, 0.0, cut
    return float(-1.0 / np.log(ratio)), 0.0, cut


def _line_of_most(
    x: Floats, y: Floats, z: Floats, noise: Floats, rail: Floats, swing: float
) -> tuple[float, float]:
    """(time constant, level) of the fall on which most of x, y, z, one sample apart, lie.

    The fall ends at a level below ``rail``, where the converter cuts off. (0, 0) where no such fall
    gathers a fair share of them.
    """
    if len(x) < 6:
        return 0.0, 0.0
    step = max(float(np.median(noise)), 0.005 * swing)
    levels = rail.min() + np.arange(-0.15 * swing, 8.0 * step, step)[:, None]
    weight = np.minimum(x, 0.5 * swing)
    likely = 1.0 - np.abs(levels[:, 0] - rail.min()) / swing
    best, found = 0.0, (0.0, 0.0)
    for a in np.exp(-1.0 / np.geomspace(0.2, 6.0, 60)):
        wide = 2.5 * noise * np.sqrt(1.0 + a * a)
        near = np.abs(y - levels - a * (x - levels)) < wide
        near &= np.abs(z - np.maximum(levels + a * (y - levels), rail)) < wide
        # Levels far below the rail fit by chance; offsets are small against what is measured.
        score = (near * weight).sum(axis=1) * likely
        if score.max() > best:
            best, found = float(score.max()), (float(a), float(levels[score.argmax(), 0]))
    a, level = found
    for _ in range(2):
        wide = 3.0 * noise * np.sqrt(1.0 + a * a)
        near = np.abs(y - level - a * (x - level)) < wide
        near &= np.abs(z - np.maximum(level + a * (y - level), rail)) < wide
        if int(near.sum()) < max(6, 0.15 * len(x)):
            return 0.0, 0.0
        if float(np.ptp(x[near])) > 60.0 * step:
            slope, rise = (float(v) for v in np.polyfit(x[near], y[near], 1))
            if slope < 0.9 and levels[0, 0] < rise / (1.0 - slope) < levels[-1, 0]:
                a, level = slope, rise / (1.0 - slope)
    if not 0.001 < a < 0.9:
        return 0.0, 0.0
    return float(-1.0 / np.log(a)), level


def learn_front(
    c: Crossings, top: float, bottom: float, told: float = 0.0, rounds: int = 2
) -> tuple[float, float, bool, float]:
    """(time constant, level the fall leads to, is that cut off, ring) from some tens of touches.

    told  time constant as stated, samples: taken where noise hides the fall, looked at where the one
          found is far from it; 0 where it is not stated
    """
    if told > 0.0 and is_faint(c):
        return told, 0.0, False, learn_ring(c, top, bottom)
    tau, closed, cut = learn_tail(c, top, bottom)
    ring = learn_ring(c, top, bottom)
    if cut or tau < 2.0 * COARSE:
        tau = refine_tail(c, tau, ring, top, bottom, rounds)
    if told > 0.0 and not told / FAR_TAU < tau < told * FAR_TAU:
        # A ring may fall to closed much as a slow front end would.
        near = refine_tail(c, told, ring, top, bottom, rounds)
        if misfit(c, near, ring, top, bottom) < misfit(c, tau, ring, top, bottom):
            tau = near
    return tau, closed, cut, ring


def seen_rail(c: Crossings, side: float) -> float:
    """Distance from closed at which one side of windows is cut off to the digit; inf if none is."""
    if not len(c):
        return np.inf
    w = side * c.window
    top = w.max(axis=1)
    # The closed level is taken off and moves: the converter's own count is what repeats.
    raw = np.round(top + side * c.closed, 6)
    values, hits = np.unique(raw, return_counts=True)
    many = int(np.argmax(hits))
    flat = ((w >= top[:, None] - 1e-9).sum(axis=1) >= 2) & (raw == values[many])
    far = bool(flat.any()) and float(np.median(top[flat])) > 0.5 * float(np.median(c.swing))
    return float(np.median(top[flat])) if far and flat.mean() > 0.1 else np.inf


def misfit(c: Crossings, tau: float, ring: float, top: float, bottom: float) -> float:
    """How badly touches are fitted with this time constant; inf where hardly one can be."""
    rail = low_rail(c)
    whole = c.window[:, PRE - 12 :].max(axis=1) < 0.98 * top
    whole &= c.window.min(axis=1) > 0.98 * bottom
    whole &= ~held_at(c.window, rail).any(axis=1)
    column, level, found = steady_from(c, tau, rail)
    use = found & whole
    if int(use.sum()) < 6:
        return float("inf")
    chi = fit(c.take(use), column[use], level[use], tau, ring, LONG_COURSE)[2]
    return float(np.median(np.log1p(chi)))


def refine_tail(
    c: Crossings, tau: float, ring: float, top: float, bottom: float, rounds: int
) -> float:
    """Time constant with which touches are fitted best, near ``tau`` where that is known."""
    low, high = (0.6 * tau, 1.6 * tau) if tau > 0.0 else (0.05, 6.0)

    def cost(value: float) -> float:
        return misfit(c, value, ring, top, bottom)

    grid = np.geomspace(low, high, 9 if tau > 0.0 else 13)
    costs = [cost(float(v)) for v in grid]
    best = int(np.argmin(costs))
    if not np.isfinite(costs[best]):
        return tau
    for _ in range(rounds):
        left, right = grid[max(best - 1, 0)], grid[min(best + 1, len(grid) - 1)]
        grid = np.geomspace(left, right, 7)
        costs = [cost(float(v)) for v in grid]
        best = int(np.argmin(costs))
    return float(grid[best]) if grid[best] > COARSE else _share_on_edge(c, top)


def _share_on_edge(c: Crossings, top: float) -> float:
    """Time constant from how often a sample lies on the fall at all, where few do."""
    column, level, found = steady_from(c, 0.0, low_rail(c))
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
    if is_faint(c):
        t, u, _, good = fit_faint(c, run_length(c), r.tau, r.ring, r.top)
        return Placed(c.at - PRE + t + r.tau * LN2, np.where(good, np.hypot(u, 0.02), np.nan))
    rows = np.arange(len(c))
    rail = low_rail(c)
    column, level, found, unseen = _located(c, r.tau, rail, r.closed, r.ring, r.top)
    hidden = c.window[rows, np.minimum(column + 6, c.window.shape[1] - 1)] <= rail + 1e-3
    level = np.where(hidden & r.cut_closed, np.minimum(r.closed, level), level)
    place = np.arange(c.window.shape[1])
    low = c.window <= rail[:, None] + 1e-3
    if low.any():
        # Cut off after the touch is as good as closed; cut off before it tells nothing.
        settled = low & (place >= column[:, None])
        c = replace(c, held=np.where(settled, level[:, None], c.window), row=None)
        low &= ~settled
    t, u, _ = fit_falls(c, column, level, r.tau, r.ring)
    # A contact lost again soon tells up to then.
    stays, height = stay_at(c, r.tau, column)
    level = np.where(found & (stays < LONG_STAY) & ~low.any(axis=1), height, level)
    soon = (stays < AFTER) & found & ~low.any(axis=1)
    before = (place <= (column + stays)[:, None]) | ~soon[:, None]
    lost = np.flatnonzero(soon)
    if len(lost):
        some = (c.take(lost), column[lost], level[lost])
        t[lost], u[lost], _ = fit_falls(*some, r.tau, r.ring, before[lost])
    cut = (c.window >= 0.98 * r.top) | (c.window <= 0.98 * r.bottom) | low
    span = (place >= column[:, None] - LONG_COURSE[0]) & (place <= column[:, None] + AFTER)
    masked = np.flatnonzero((cut & span).any(axis=1))
    if len(masked):
        some = (c.take(masked), column[masked], level[masked])
        whole = ~cut & before
        t[masked], u[masked], _ = fit(*some, r.tau, r.ring, SHORT_COURSE, whole[masked])
        deep = np.flatnonzero(soon & (cut & span).any(axis=1))
        if len(deep):
            # Of a ring cut off that far from closed, and a fall not yet over, every sample tells.
            of = (c.take(deep), column[deep], level[deep])
            t2, u2, chi = fit(*of, r.tau, r.ring, LONG_COURSE, whole[deep])
            better = (u2 < u[deep]) & (chi < MOST_DEEP)
            t[deep[better]], u[deep[better]] = t2[better], u2[better]
        t[masked], u[masked] = _from_beyond(*some, r, cut[masked], t[masked], u[masked])
    # Where hardly a sample lies on the fall its time constant is badly known.
    u = np.hypot(u, 0.1 if 0.0 < r.tau < 2.0 * COARSE else 0.0)
    u = np.where(found, np.maximum(u, 0.02), np.maximum(u, 0.5))
    return Placed(c.at - PRE + t + r.tau * LN2, np.where(unseen, np.nan, u))


def _located(
    c: Crossings, tau: float, rail: Floats, closed: float, ring: float, top: float
) -> tuple[Ints, Floats, Bools, Bools]:
    """(column, level, found, unseen) of the first steady interval of each touch.

    A ring below closed may be cut off at what looks like closed. Then the touch is where the signal
    comes up from there to a closed level that lies clear of it; where it does not, it left no sign.
    """
    length = run_length(c)
    column, level, found, sure = first_touch(c, length, tau, rail, closed)
    unseen = np.zeros(len(c), bool)
    # Lost again soon, it may have touched for no more than a few samples, before that even; or after a
    # ring that went through closed, up and back into the touch.
    lasts = length >= c.window.shape[1] - PRE
    brief = np.flatnonzero(((length < LONG_RUN) | ~(sure | lasts)) & ~np.isfinite(rail))
    if len(brief):
        until = length[brief] + np.where(sure[brief], 0, OUT)
        at, height, touched = brief_touch(c.take(brief), until, tau, ring, top)
        better = touched & ((at < column[brief]) | ~sure[brief])
        rows = brief[better]
        column[rows], level[rows], found[rows], sure[rows] = at[better], height[better], True, True
    # A ring may have turned in the band before the touch came: closed is where it stays in the end.
    vague = np.flatnonzero(~sure & ~np.isfinite(rail) & lasts)
    if len(vague):
        column[vague], level[vague], settled = last_stay(
            c.take(vague), tau, column[vague], level[vague]
        )
        found[vague] |= settled
    doubt = np.flatnonzero(np.isfinite(rail) & found & ~sure)
    if len(doubt):
        some = c.take(doubt)
        doubt = doubt[~jumps(some, tau, column[doubt], level[doubt], rail[doubt], closed)]
        some = c.take(doubt)
        later, height, seen = steady_from(some, tau, rail[doubt], held=False)
        clear = seen & (height - rail[doubt] > 4.0 * some.noise)
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
    # The fall must lead to closed at once, or it is a ring on its way to the other side.
    beyond = (
        (last >= 0)
        & (np.abs(first - column) <= 2)
        & falls
        & (size_before >= 0.95 * np.abs(edge))
        & (np.abs(edge) > 0.0)
    )
    passed = first - tau * np.log(np.maximum(np.abs(edge) / size, 1.0))
    # How far beyond is not seen: most rings and burn lines stand at 1.2 to 2.7 times a rail that
    # cuts them off (from memory), and at any height against one that is as near as the noise.
    near = np.abs(edge) < 0.5 * c.swing
    most = np.where(near, np.log(4.0 * c.swing / np.maximum(np.abs(edge), c.noise)), 1.2)
    t = np.where(beyond, passed - 0.5 * tau * most, t)
    u = np.where(beyond, np.hypot(0.33 * tau * most, 0.05), u)
    # A course of so few samples bends through the fall as well.
    course = ~cut & (place >= column[:, None] - SHORT_COURSE[0]) & (place < t[:, None])
    u = np.where(course.sum(axis=1) < SHORT_COURSE[1] + 1, np.maximum(u, 0.7), u)
    # Not on the fall yet, so the touch came after it.
    next_to = (last >= column - 1) & ~beyond & (np.abs(t - last - 0.5) > 0.5)
    between = next_to | ((last >= 0) & ~beyond & (t < last))
    return np.where(between, last + 0.5, t), np.where(between, 0.3, u)
