"""Zeros of the channels and the feed's voltage, from what the open and the closed contact show.

While the contact is open and all has settled no current flows: the current probe shows its zero, and
supply and points stand on one node, at the voltage E of the source. While a spark still burns that is
not so: the points stand above E by the burn line. Times of both kinds are told apart here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from breakerbench.measure.closed_sums import slope_over_current, sums_of
from breakerbench.measure.closings import CURRENT, AtOpening, Closed
from breakerbench.trace import Channel, Header

Floats = NDArray[np.float64]

#: A channel whose scale nobody stated an uncertainty of: limits of error as a share, rectangular;
#: common practice, no source.
UNSTATED_GAIN = 0.01
#: And its zero: limits as a share of the range of the converter, or of the largest reading.
UNSTATED_ZERO = 0.001
#: The settled end of the open time is rough by less than this share of E, beside so much noise.
SETTLED_SHARE, SETTLED_NOISE = 0.03, 0.5
#: Cycles that tell what the channels show at one of them: so many about it.
COURSE = 15
#: Where fewer of the open times than this share look settled, those may be chance.
SETTLED_OFTEN = 0.4
#: Condensers at the points are smaller, F; common range, from memory.
LARGE_CONDENSER_F = 0.3e-6
#: Points this share of E above the others at the end, or as high as soon after the opening, still burn.
BURNS_SHARE = 0.06
#: On a dry feed the points still rise at the end where they are rougher there than this share of what
#: they stand at, beside so much noise: after five time constants the last fifth has a third of a percent.
RISING_SHARE, RISING_NOISE = 0.003, 0.1
RISING = (
    "the points close before their voltage has risen to the feed's: a condenser lies across them. Take "
    "it off, or turn more slowly"
)
UNSETTLED = (
    "the points close before the spark and its ring are over, so the feed never settles: turn more "
    "slowly, or record supply_v at the coil's feed terminal too, or tell --supply-v"
)
#: Rougher than this share of the level soon after the opening it is no burn line, but a ring without one.
RINGS_SHARE = 0.4
#: Less than this share of the current channel's range is no current.
NO_CURRENT_SHARE = 0.005
#: More than this share of the feed's voltage over the closed points is no contact's drop.
NO_DROP_SHARE = 0.5
#: Share of readings that may show another polarity before it is said to have changed.
CHANGED_SHARE = 0.02


@dataclass(frozen=True, slots=True)
class Zeros:
    """What the columns of `Closed` show at nothing, and the feed.

    zero     (1 + v,) by which each column is shifted: current at no current, voltages at E; medians
    course   (n, 1 + v) the same of each cycle, by those about it: a battery tires, a probe warms
    u        (1 + v,) standard uncertainty of their mean, by scatter
    open_v   what points_v shows of E, with its own zero; NaN where it never settles
    sign     +1, or -1 with positive ground
    sign_a   the same of the current probe, which may point either way
    quiet    (n,) cycles that told it: all had settled before the next touch
    """

    zero: Floats
    course: Floats
    u: Floats
    open_v: float
    sign: float
    sign_a: float
    quiet: NDArray[np.bool_]

    @property
    def settled(self) -> int:
        return max(int(self.quiet.sum()), 2)


def u_gain(c: Channel) -> float:
    """Standard uncertainty of a channel's scale, as a share (limits: JCGM 100, 4.3.7)."""
    return UNSTATED_GAIN / math.sqrt(3.0) if c.u_gain is None else c.u_gain


def u_zero(c: Channel, largest: float) -> float:
    """Standard uncertainty of a channel's zero, in its unit; ``largest``: greatest magnitude seen."""
    if c.u_zero is not None:
        return c.u_zero
    span = 2.0 * largest
    if c.rail_counts is not None:
        span = abs(c.scale) * (c.rail_counts[1] - c.rail_counts[0])
    return UNSTATED_ZERO * span / math.sqrt(3.0)


def zeros_of(closed: Closed, at: AtOpening, header: Header, coil: bool) -> Zeros | str:
    """Zeros and feed of a trace, or the reason why they cannot be told."""
    points = closed.settled[:, 1]
    there = np.isfinite(points)
    if not there.any():
        return "the points are never open long enough for the feed to settle: turn more slowly"
    # A ring swings through zero, the feed does not.
    shows = (
        closed.settled[there, closed.names.index("supply_v")]
        if "supply_v" in closed.names
        else (points[there])
    )
    sign = 1.0 if np.median(shows) >= 0 else -1.0
    level, noise = sign * points, np.sqrt(closed.noise[:, 1])
    settled = there & (closed.rough <= SETTLED_SHARE * np.abs(level) + SETTLED_NOISE * noise)
    if coil and "supply_v" in closed.names:
        # A burning spark holds the points above the feed.
        fed = sign * closed.settled[:, closed.names.index("supply_v")]
        settled &= np.abs(level - fed) < BURNS_SHARE * np.abs(fed) + SETTLED_NOISE * noise
    elif coil:
        # Without the feed: it holds them as steady as the feed does, but higher.
        wide = BURNS_SHARE * np.abs(level) + SETTLED_NOISE * noise
        burns = (np.abs(sign * closed.early - level) < wide) & (
            closed.early_rough < RINGS_SHARE * np.abs(level) + 1.5 * noise
        )
        settled &= ~burns
        if settled.any():
            low = np.quantile(level[settled], 0.1)
            settled &= level < low + BURNS_SHARE * abs(low) + 4.0 * noise
    elif float(np.median(closed.rough[there] - RISING_NOISE * noise[there])) > RISING_SHARE * float(
        np.median(level[there])
    ):
        return RISING
    if settled.sum() > SETTLED_OFTEN * there.sum():
        course, u = _course(closed, settled)
        open_v = float(abs(np.median(course[:, 1])))
    elif "supply_v" in closed.names:
        # No current flows while a spark burns either, but what charges a condenser that rings: the feed
        # shows E, the points do not.
        course, u = _course(closed, there)
        u[0] = math.hypot(u[0], _of_ring(closed, there))
        feed = closed.names.index("supply_v")
        channel = header.channels[header.position("supply_v") or 0]
        open_v = float(abs(np.median(course[:, feed])))
        reads, scatter = _at_no_current(closed, course)
        course[:, 1], u[1] = reads + course[:, feed], math.hypot(u_zero(channel, open_v), scatter)
    elif header.supply_v:
        course, u = _course(closed, there)
        u[0] = math.hypot(u[0], _of_ring(closed, there))
        open_v = abs(header.supply_v)
        share = (
            UNSTATED_GAIN / math.sqrt(3.0)
            if header.u_supply_share is None
            else header.u_supply_share
        )
        reads, scatter = _at_no_current(closed, course)
        course[:, 1], u[1] = reads + sign * open_v, math.hypot(share * open_v, scatter)
    else:
        return UNSETTLED
    zero = np.median(course, axis=0)
    flowing = at.values[:, 0] - zero[0]
    sign_a = 1.0
    if np.isfinite(flowing).any():
        sign_a = 1.0 if np.nanmedian(flowing) >= 0 else -1.0
    return Zeros(zero, course, u, open_v, sign, sign_a, settled)


def _course(closed: Closed, rows: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """What all channels show at the end of the open times, (n, 1 + v), and u of the mean by scatter.

    rows  cycles that tell it; each takes the mean of COURSE of them about it, others lie between
    """
    shown, number = closed.settled[rows], closed.number[rows]
    n, width = shown.shape
    if n < 2:
        return np.repeat(shown, len(closed), axis=0), np.sqrt(closed.noise[rows][0])
    sums = np.concatenate([np.zeros((1, width)), np.cumsum(shown, axis=0)])
    place = np.arange(n)
    left, right = np.maximum(place - COURSE // 2, 0), np.minimum(place + COURSE // 2 + 1, n)
    smooth = (sums[right] - sums[left]) / (right - left)[:, None]
    course = np.stack([np.interp(closed.number, number, each) for each in smooth.T], axis=1)
    # Of neighbours, since what changes slowly is no scatter.
    spread = np.sqrt(0.5 * (np.diff(shown, axis=0) ** 2).mean(axis=0))
    return course, spread / math.sqrt(n)


def _of_ring(closed: Closed, rows: NDArray[np.bool_]) -> float:
    """Mean current, A, that may charge a condenser at points that still ring, in so short a time."""
    each = math.sqrt(2.0) * LARGE_CONDENSER_F * closed.rough[rows] / closed.settled_s[rows]
    return float(np.median(each))


def _at_no_current(closed: Closed, course: Floats) -> tuple[float, float]:
    """What points_v reads at no current through the closed contact, and its scatter."""
    from_current = course.copy()
    from_current[:, 1:] = 0.0
    sums = sums_of(closed, from_current, np.ones(course.shape[1]))
    slope = slope_over_current(sums, slice(None), "points_v")
    means = np.average(sums.means, axis=0, weights=sums.samples)
    reads = float(means[sums.value("points_v")] - slope * means[sums.value("current_a")])
    scatter = 4.0 * math.sqrt(float(np.median(closed.noise[:, 1])) / float(sums.samples.sum()))
    return reads, scatter


def swing_v(closed: Closed, zeros: Zeros) -> tuple[float, float]:
    """E as the points show it from closed, no current flowing, to open: their zero drops out; its u."""
    reads, scatter = _at_no_current(closed, zeros.course)
    return abs(float(zeros.course[:, 1].mean()) - reads), math.hypot(float(zeros.u[1]), scatter)


def nonsense(closed: Closed, at: AtOpening, zeros: Zeros, header: Header) -> str:
    """Why no electrical figure may be made of this trace; empty where one may."""
    drops = np.abs(at.values[:, 1][np.isfinite(at.values[:, 1])])
    if len(drops) and float(np.median(drops)) > NO_DROP_SHARE * zeros.open_v:
        return (
            "the voltage over the closed points is a large part of the feed's: no contact in working "
            "order, or not the points that the probe is on"
        )
    points = closed.settled[:, 1]
    # Of the points only what stands still: a ring goes to either side.
    still = closed.rough <= SETTLED_SHARE * np.abs(points)
    other = (still & (zeros.sign * points < -0.5 * zeros.open_v)).sum()
    flowing = zeros.sign_a * (at.values[:, 0] - zeros.zero[0])
    if other > CHANGED_SHARE * len(points):
        return "the polarity changed in the middle of the trace: measure each part by itself"
    flow = flowing[np.isfinite(flowing)]
    if not len(flow):
        return ""
    usual = float(np.median(np.abs(flow)))
    channel = header.channels[header.position(CURRENT) or 0]
    if usual < _least_current(channel, closed):
        return "no current to speak of flows through the closed points: is the probe on and closed?"
    if (flow < -0.5 * usual).sum() > CHANGED_SHARE * len(flow):
        return "the current turned round in the middle of the trace: measure each part by itself"
    return ""


def _least_current(c: Channel, closed: Closed) -> float:
    span = 0.0
    if c.rail_counts is not None:
        span = abs(c.scale) * (c.rail_counts[1] - c.rail_counts[0])
    noise = float(np.sqrt(np.nanmedian(closed.noise[:, 0]))) if len(closed) else 0.0
    return max(NO_CURRENT_SHARE * span, noise)
