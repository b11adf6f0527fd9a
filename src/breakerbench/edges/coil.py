"""Placing the edges of points that switch a coil.

Before a touch the open contact may still ring: the edge is where that course meets the exponential
fall to the closed level, whose time constant is the front end's. After an opening the coil's current
charges the condenser: a straight rise through the front end, met by the closed level.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from breakerbench.edges.crossings import PRE, Crossings
from breakerbench.edges.shapes import LN2, Placed, Response

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
#: Samples in a row that must be calm for a touch to have settled.
CALM = 8
#: Samples of the course before a touch that are carried on to it, and their weights.
COURSE = 6


# --- touches -------------------------------------------------------------------------------------


def settled_at(c: Crossings) -> tuple[NDArray[np.int64], Floats]:
    """Column of each window where the signal has become flat at closed, and its level there.

    Where it never does (a bounce follows at once) the column is that of the crossing, the level zero.
    """
    pieces = np.lib.stride_tricks.sliding_window_view(c.window[:, PRE:], CALM, axis=1)
    level = pieces.mean(axis=2)
    calm = np.ptp(pieces, axis=2) <= (7.0 * c.noise + 0.01 * c.swing)[:, None]
    calm &= np.abs(level) <= 0.2 * c.swing[:, None]
    first = calm.argmax(axis=1)
    found = calm.any(axis=1)
    # One column on: the tail may still show in the first calm piece.
    later = np.minimum(first + 2, level.shape[1] - 1)
    to = np.where(found, level[np.arange(len(c)), later], 0.0)
    return np.where(found, first, 2) + PRE, to


def learn_tail(c: Crossings) -> tuple[float, float, bool]:
    """(time constant of the fall to closed in samples, level it falls to, cut off?).

    Whatever rang before a touch, the steps from sample to sample after the largest one are on the
    fall and shrink by exp(-1/tau) each, and that does not depend on the level it falls to. That level
    is asked for since a converter may cut the fall off above it. tau is 0 where the sampling is too
    slow to show the fall.
    """
    settled, to = settled_at(c)
    w = c.window[:, PRE - 8 : PRE + 24]
    drop = w[:, :-1] - w[:, 1:]
    near = np.arange(drop.shape[1]) < (settled - PRE + 8)[:, None]
    most = np.where(near, np.abs(drop), -1.0).argmax(axis=1)
    most = np.minimum(most, drop.shape[1] - 3)
    rows = np.arange(len(c))
    first, second = drop[rows, most + 1], drop[rows, most + 2]
    end = w[rows, most + 3] - to
    mark = np.maximum(6.0 * c.noise, 0.01 * c.swing)
    calm = np.ptp(c.window[rows[:, None], settled[:, None] + np.arange(CALM)], axis=1)
    cut = bool((calm <= 0.01 * c.noise).mean() > 0.3) or bool((calm == 0.0).mean() > 0.3)
    good = (np.abs(first) > 15.0 * c.noise) & (first * drop[rows, most] > 0.0)
    if cut:
        good &= np.abs(end) > mark
    if int(good.sum()) < 6:
        return 0.0, 0.0, False
    # The median keeps out touches that bounced away at once.
    ratio = float(np.median((second / np.where(first == 0.0, 1.0, first))[good]))
    close = good & (np.abs(second - ratio * first) < 0.15 * np.abs(first) + 5.0 * c.noise)
    if int(close.sum()) >= 6:
        ratio = float((first * second)[close].sum() / (first[close] ** 2).sum())
    if not 0.01 < ratio < 0.98:
        return 0.0, 0.0, False
    level = float(np.median((w[rows, most + 1] - first / (1.0 - ratio))[good]))
    return float(-1.0 / np.log(ratio)), level, cut and level < -float(np.median(mark)) / 2.0


def is_fall(touch: Crossings) -> Bools:
    """True where the way into the band is that of a step through the front end.

    Such a fall slows down from sample to sample by a fixed ratio; a ring passes zero at an even pace,
    also one so large that the converter cuts off where it comes from.
    """
    w = touch.window[:, PRE - 5 : PRE + 3]
    drop = w[:, :-1] - w[:, 1:]
    # The sample a drop leads to must not be at the bottom yet, where every pace ends.
    bottom = np.maximum(6.0 * touch.noise, 0.03 * touch.swing)[:, None]
    usable = (np.abs(drop) > 6.0 * touch.noise[:, None]) & (np.abs(w[:, 1:]) > bottom)
    pair = usable[:, :-1] & usable[:, 1:]
    ratio = np.where(pair, drop[:, 1:] / np.where(drop[:, :-1] == 0, 1.0, drop[:, :-1]), np.inf)
    slowing = ((ratio > 0.0) & (ratio < 0.75)).any(axis=1)
    # Too fast for the sampling to show: nothing speaks against a step.
    return slowing | ~pair.any(axis=1)


def place_touches(c: Crossings, r: Response) -> Placed:
    """Place touches of a coil's points: the course before meets the exponential fall after.

    With no sample on the fall (slow sampling) a touch lies half-way between two samples.
    """
    n, tau = len(c), r.tau
    rows = np.arange(n)
    settled, to = settled_at(c)
    calm = np.ptp(c.window[rows[:, None], settled[:, None] + np.arange(CALM)], axis=1)
    seen = c.window - to[:, None]
    if r.cut_closed:
        to = np.where(calm == 0.0, r.closed, to)
    fall = c.window - to[:, None]
    mark = np.maximum(np.maximum(5.0 * c.noise, 0.01 * c.swing), 1.2 * calm)
    columns = np.arange(fall.shape[1])
    # The last sample before the calm that still stands out of the noise lies on the fall, if any.
    out = (np.abs(seen) > mark[:, None]) & (columns < settled[:, None] + CALM)
    tail = fall.shape[1] - 1 - np.argmax(out[:, ::-1], axis=1)
    if tau < 0.25:
        # The fall is over within a sample: this one is the last before the touch.
        return Placed(c.at - PRE + tail + 0.5, np.full(n, 0.29))
    step = float(np.exp(1.0 / tau))
    for _ in range(4):
        before = np.maximum(tail - 1, 0)
        expected = fall[rows, tail] * step
        noise = 3.0 * c.noise * step + 0.02 * c.swing
        # One further back belongs to the same fall where it stands as much higher as tau says.
        same = np.abs(fall[rows, before] - expected) < 0.08 * np.abs(expected) + noise
        tail = np.where(same, before, tail)
    end = np.clip(tail - 1, COURSE + 1, fall.shape[1] - 1)
    t = np.arange(-COURSE + 1.0, 1.0)
    design = np.stack([np.ones(COURSE), t, t**2], axis=1)
    course = (
        fall[rows[:, None], end[:, None] + np.arange(-COURSE + 1, 1)] @ np.linalg.pinv(design).T
    )
    amplitude = fall[rows, tail]
    amplitude = np.where(amplitude == 0.0, 1e-12, amplitude)
    t0 = end + 0.5
    for _ in range(6):
        x = np.clip(t0 - end, -0.5, 1.5)
        level = course[:, 0] + course[:, 1] * x + course[:, 2] * x**2
        ratio = np.clip(level / amplitude, 0.3, 1e4)
        t0 = tail - tau * np.log(ratio)
    odd = (level / amplitude < 0.5) | (t0 < end - 1.0) | (t0 > tail + 0.5)
    t0 = np.where(odd, tail - 0.5, t0)
    sigma = c.noise / np.maximum(np.abs(amplitude), c.noise)
    u = np.where(odd, 0.5, np.maximum(tau * sigma, 0.02))
    # Where the course itself is cut off, the touch came from somewhere above: a burn line or a ring
    # of one to two and a half times what the converter can show, from memory.
    above = c.window[rows, end] >= 0.98 * r.top
    t0 = np.where(above, t0 - 0.45 * tau, t0)
    u = np.where(above, 0.3 * tau, u)
    # Where the converter cuts off at closed and the ring was there already, the touch left no sign.
    unseen = (calm == 0.0) & ~is_fall(c)
    return Placed(c.at - PRE + t0 + tau * LN2, np.where(unseen, np.nan, u))


# --- ramp of a coil ---------------------------------------------------------------------------------


def ramp_shape(t: Floats, tau: float) -> Floats:
    """Unit ramp through the front end: t - tau (1 - exp(-t / tau)); zero before t = 0."""
    late = np.maximum(t, 0.0)
    return late if tau <= 0.0 else late - tau * (1.0 - np.exp(-late / tau))


def place_ramps(c: Crossings, r: Response) -> Placed:
    """Place openings of a coil: the ratio of the first two samples on the ramp tells its beginning.

    Where the second one is cut off by the converter, the first and the typical slope do; where the
    first is cut off too, the middle between the samples does.
    """
    w = c.window
    base = w[:, PRE - 12 : PRE - 3]
    start = np.where(
        np.ptp(base, axis=1) < np.maximum(8 * c.noise, 0.1 * c.swing), base.mean(axis=1), 0.0
    )
    first, second = w[:, PRE] - start, w[:, PRE + 1] - start
    lead = np.linspace(1e-3, 2.0, 2000)
    shape = ramp_shape(lead, r.tau)
    ratios = ramp_shape(lead + 1.0, r.tau) / shape
    whole = second + start < 0.98 * r.top
    ratio = np.where(first > 0, second / np.maximum(first, 1e-9), 1.0)
    by_ratio = np.interp(-ratio, -ratios, lead)
    slope = np.maximum(r.ramp, 1e-9)
    by_slope = np.interp(first / slope, shape, lead)
    cut = first + start >= 0.98 * r.top
    # Cut off at once: later than it takes to reach the top, sooner than one sample after the band.
    low = np.maximum(0.25 * c.swing, 5.0 * c.noise)
    least = np.interp(r.top / slope, shape, lead)
    most = 1.0 + np.interp(low / slope, shape, lead)
    by_limits = 0.5 * (np.minimum(least, most) + most)
    t = np.where(whole, by_ratio, np.where(cut, by_limits, by_slope))
    # The contact was still closed one sample earlier, but for what stays under the band.
    t = np.clip(t, 0.0, 2.0)
    sigma = c.noise / np.maximum(first, 1e-9)
    u = np.where(whole, 1.5 * sigma + 0.02, np.where(cut, 0.29, 0.15))
    return Placed(c.at - t + r.tau * LN2, u)


def learn_ramp(c: Crossings, tau: float, top: float) -> float:
    """Typical slope of the openings' ramp, counts a sample, from those with two good samples.

    Where the converter cuts off nearly all second samples, the spread of the first ones tells: an
    opening falls anywhere between two samples, so the first sample past the band ``low`` comes
    anywhere from u to u + 1 after it, u being the time to reach ``low``.
    """
    first, second = c.window[:, PRE], c.window[:, PRE + 1]
    good = second < 0.98 * top
    if float(good.mean()) > 0.25 and int(good.sum()) >= 4:
        shape = Response(tau, coil=True, top=top)
        t = c.at[good] + tau * LN2 - place_ramps(c.take(good), shape).at
        reach = ramp_shape(t + 1.0, tau)
        return float(np.median(second[good] / np.maximum(reach, 1e-6)))
    low = float(np.median(np.maximum(0.25 * c.swing, 5.0 * c.noise)))
    kept = float((first < 0.98 * top).mean())
    share = min(0.5, 0.6 * kept)
    if share < 0.05:
        return float(top)
    target = float(np.quantile(first, share))
    lead = np.linspace(1e-3, 4.0, 4000)
    shape_of = ramp_shape(lead, tau)
    slopes = np.geomspace(0.1 * low, 100.0 * top, 400)
    begin = np.interp(low / slopes, shape_of, lead)
    reached = slopes * np.interp(begin + share, lead, shape_of)
    return float(np.interp(target, reached, slopes))
