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
#: Condensers at the points are smaller, F; common range, from memory.
LARGE_CONDENSER_F = 0.3e-6
#: Points this share of E above the others at the end, or as high as soon after the opening, still burn.
BURNS_SHARE = 0.06
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

    zero     (1 + v,) by which each column is shifted: current at no current, voltages at E
    u        (1 + v,) its standard uncertainty by scatter
    open_v   what points_v shows of E, with its own zero; NaN where it never settles
    sign     +1, or -1 with positive ground
    sign_a   the same of the current probe, which may point either way
    quiet    (n,) cycles that told it: all had settled before the next touch
    """

    zero: Floats
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
    if settled.any():
        zero, u = _middle(closed, settled)
        open_v = float(abs(zero[1]))
    elif "supply_v" in closed.names:
        # No current flows while a spark burns either, but what charges a condenser that rings: the feed
        # shows E, the points do not.
        zero, u = _middle(closed, there)
        u[0] = math.hypot(u[0], _of_ring(closed, there))
        feed = closed.names.index("supply_v")
        channel = header.channels[header.position("supply_v") or 0]
        u_feed = u_zero(channel, abs(zero[feed]))
        zero[1], u[1] = _points_by_feed(closed, zero, float(zero[feed]), u_feed)
        open_v = float(abs(zero[feed]))
    elif header.supply_v:
        zero, u = _middle(closed, there)
        u[0] = math.hypot(u[0], _of_ring(closed, there))
        open_v = abs(header.supply_v)
        share = (
            UNSTATED_GAIN / math.sqrt(3.0)
            if header.u_supply_share is None
            else header.u_supply_share
        )
        zero[1], u[1] = _points_by_feed(closed, zero, sign * open_v, share * open_v)
    else:
        return UNSETTLED
    flowing = at.values[:, 0] - zero[0]
    sign_a = 1.0
    if np.isfinite(flowing).any():
        sign_a = 1.0 if np.nanmedian(flowing) >= 0 else -1.0
    return Zeros(zero, u, open_v, sign, sign_a, settled)


def _middle(closed: Closed, rows: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """Medians of what all channels show at the end of these open times, and their u by scatter."""
    shown = closed.settled[rows]
    n = len(shown)
    spread = shown.std(axis=0, ddof=1) if n > 1 else np.sqrt(closed.noise[rows][0])
    # A median scatters 1.25 times as much as a mean.
    return np.median(shown, axis=0), 1.25 * spread / math.sqrt(n)


def _of_ring(closed: Closed, rows: NDArray[np.bool_]) -> float:
    """Mean current, A, that may charge a condenser at points that still ring, in so short a time."""
    each = math.sqrt(2.0) * LARGE_CONDENSER_F * closed.rough[rows] / closed.settled_s[rows]
    return float(np.median(each))


def _points_by_feed(
    closed: Closed, zero: Floats, feed_v: float, u_feed_v: float
) -> tuple[float, float]:
    """What points_v would show at E: its reading at no current, and E by the feed."""
    from_current = zero.copy()
    from_current[1:] = 0.0
    sums = sums_of(closed, from_current, np.ones(len(zero)))
    slope = slope_over_current(sums, slice(None), "points_v")
    means = np.average(sums.means, axis=0, weights=sums.samples)
    reads = float(means[sums.value("points_v")] - slope * means[sums.value("current_a")])
    scatter = math.sqrt(float(np.median(closed.noise[:, 1])) / float(sums.samples.sum()))
    return reads + feed_v, math.hypot(u_feed_v, 4.0 * scatter)


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
