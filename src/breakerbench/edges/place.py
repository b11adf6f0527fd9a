"""Placing edges between samples.

Every edge is reported as the instant at which an ideal step through the front end would stand at
half its height: the convention of ``Channel.delay_s``. Three shapes are known:

step   closing, and opening of a dry feed: v = V_to + (V_from - V_to) exp(-t / tau)
rise   opening of a dry feed with a condenser across it: two time constants in a row
ramp   opening of a coil's current into its condenser: a straight rise through the front end

tau (front end) is learned from the closings, which are always steps; the rise's own time constant
from the openings. Both are closed forms of first-order circuits (any textbook on linear circuits).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from breakerbench.edges.coil import learn_coil, place_ramps
from breakerbench.edges.crossings import POST, PRE, Crossings, middle_level, quiet_level
from breakerbench.edges.dips import lasting
from breakerbench.edges.levels import band_low
from breakerbench.edges.shapes import LN2, Placed, Response
from breakerbench.edges.touch import learn_tail, place_touches

Floats = NDArray[np.float64]
# Times in this module are in samples, counted from the first sample in the new state.
COLUMNS = np.arange(PRE + POST) - PRE
#: A sample this near to where the edge ends is no longer worth its noise.
FLOOR = 0.02
#: A condenser's rise shorter than this share of a sample is not believed.
SHORTEST_RISE = 0.08
#: Nor one that no ignition condenser makes: 0.15 microfarad behind 10 ohm is the least of them, s.
SHORTEST_RISE_S = 1.5e-6
#: A rise longer than so many samples is fitted over many of them; its end may lie past the window.
LONG_RISE = 2.0
#: A closed level is taken to lie below the converter's reach from so many times the noise on.
HIDDEN_NOISES = 4.0
#: A rise of so many samples or more begins before the window of its crossing.
BEFORE_WINDOW = 25.0
#: Samples before the new state that may still lie on the edge.
BACK = 4
#: Behind a front end faster than this, in samples, brief touches may hide between two of them.
COARSE_TAU = 0.6
#: Of fewer closings than this nothing is learned.
FEW = 6


# --- steps ---------------------------------------------------------------------------------------


def _settling(tau: float) -> int:
    """Samples to wait longer than usual until an edge of this time constant is over."""
    return min(int(np.ceil(4.0 * max(tau - 1.4, 0.0))), POST - 17)


def closing_levels(c: Crossings, tau: float = 0.0) -> tuple[Floats, Floats]:
    """(from, to) of closings of a dry feed: the open level just before, the closed one just after.

    After a first touch that bounces there is no plateau; the tracked closed level (zero) stands in.
    """
    later = _settling(tau)
    to = quiet_level(c, PRE + 4 + later, PRE + 13 + later)
    # Nor is the open level closed, where the contact was lost again by then.
    to = np.where(to > band_low(c.swing, c.noise), 0.0, to)
    return middle_level(c, PRE - 10, PRE - 3), to


def opening_levels(c: Crossings, tau: float) -> tuple[Floats, Floats]:
    """(from, to) of openings of a dry feed without a condenser."""
    start = quiet_level(c, PRE - 12, PRE - 3)
    later = _settling(tau)
    return start, middle_level(c, PRE + 8 + later, PRE + 17 + later)


def remaining(window: Floats, start: Floats, end: Floats) -> Floats:
    """Share of the edge still to go, one row an edge: 1 before it, 0 after it."""
    span = end - start
    span = np.where(np.abs(span) < 1e-12, 1e-12, span)
    return np.asarray((end[:, None] - window) / span[:, None])


class EdgeShape:
    """How the share still to go falls with time after an edge begins, and its inverse.

    Two first-order stages in a row, in samples: the front end ``tau`` and a condenser's ``rise``
    (either may be 0; both 0 is an ideal step).
    """

    def __init__(self, tau: float, rise: float = 0.0) -> None:
        slow, fast = max(tau, rise), min(tau, rise)
        self.sharp = slow <= 0.0
        #: One stage alone falls exponentially: no table needed. 0 where there are two.
        self._alone = slow if fast <= 1e-3 * slow else 0.0
        if self.sharp or self._alone:
            return
        reach = np.concatenate([np.linspace(0.0, 4.0, 2000), np.linspace(4.0, 30.0, 2000)[1:]])
        self._t = reach * max(slow + fast, 1e-9)
        self._share = 1.0 - rise_shape(self._t, fast, slow)[0]
        self._slope = -np.gradient(self._share, self._t)

    def since(self, share: Floats) -> Floats:
        """Time since the edge began, at which this share (above 0) is still to go."""
        if self._alone:
            return np.asarray(-self._alone * np.log(share))
        return np.interp(-share, -self._share, self._t)

    def since_and_slope(self, share: Floats) -> tuple[Floats, Floats]:
        """``since``, and how much of the share goes in one sample at that time."""
        t = self.since(share)
        if self._alone:
            return t, np.asarray(share / self._alone)
        return t, np.asarray(np.interp(t, self._t, self._slope))


def place_steps(c: Crossings, start: Floats, end: Floats, shape: EdgeShape, tau: float) -> Placed:
    """Place edges of a known shape that go all the way within the window.

    Each sample on the edge tells its beginning; they are joined with weights 1/variance. Where no
    sample lies on the edge it began between its neighbours, and the uncertainty is a rectangle's.
    tau: of the front end, by which the result is that of a step at half height.
    """
    # Only the columns about the edge: the last sample above a quarter, and a few to either side.
    begin = PRE - 1 - BACK
    share = remaining(c.columns(begin, PRE + 8), start, end)
    n = len(c)
    rows = np.arange(n)
    low = np.argmax(share[:, BACK:] <= 0.25, axis=1) + BACK
    sigma = c.noise / np.maximum(np.abs(end - start), 1e-12)
    floor = np.maximum(FLOOR, 3.0 * sigma)
    if shape.sharp:
        # Half-way between two samples where it is sharp, in proportion where it is a straight slope.
        here, before = share[rows, low], share[rows, low - 1]
        drop = np.maximum(before - here, 1e-9)
        cross = low - 1 + np.clip((before - 0.5) / drop, 0.0, 1.0)
        middle = np.asarray(c.at + cross + begin - PRE, np.float64)
        return Placed(middle, np.full(n, 1.0 / np.sqrt(12.0)))
    # Without a sample on the edge: after the sample before it, and so early that it is over by now.
    width = np.clip(1.0 - shape.since(floor), 0.0, 1.0)
    blind = low - 1.0 + 0.5 * width
    u_blind = np.maximum(width, 1e-3) / np.sqrt(12.0)
    column = low - np.arange(BACK)[:, None]
    value = np.minimum(np.maximum(share[rows, column], 1e-6), 1.0)
    since, slope = shape.since_and_slope(value)
    told = column - since
    weight = np.where(value > floor, slope**2, 0.0)
    weights, times = np.zeros(n), np.zeros(n)
    with np.errstate(invalid="ignore", divide="ignore"):
        for back in range(BACK):
            # A sample before the edge has begun carries nothing: it lies ahead of the joined time.
            ahead = column[back] * weights > times
            begun = ahead | ((weights == 0.0) & (value[back] < 0.97))
            fresh = weight[back] * begun
            weights += fresh
            times += fresh * told[back]
        known = weights > 0.0
        t0 = np.where(known, times / weights, blind)
        u = np.where(known, sigma / np.sqrt(weights), u_blind)
    at = np.asarray(c.at + t0 + begin - PRE + tau * LN2, np.float64)
    return Placed(at, np.maximum(u, 0.01))


def learn_tau(c: Crossings, start: Floats, end: Floats) -> float:
    """Time constant of the edges, in samples; 0 where they show none.

    Pairs of neighbours on the edge fall by exp(-1/tau). Where samples are too coarse for pairs, the
    share of edges with a sample between 85 % and 30 % tells the same.
    """
    share = remaining(c.window[:, PRE - BACK : PRE + 4], start, end)
    first, second = share[:, :-1], share[:, 1:]
    on_edge = (first > 0.3) & (first < 0.85)
    count = int(on_edge.sum())
    if count < 4:
        return 0.0
    ratio = float((first * second)[on_edge].sum() / (first[on_edge] ** 2).sum())
    sigma = float(np.median(c.noise / np.maximum(np.abs(end - start), 1e-12)))
    if ratio > max(0.05, 5.0 * sigma):
        return float(-1.0 / np.log(min(ratio, 0.98)))
    return count / len(c) / float(np.log(0.85 / 0.3))


# --- rise through a condenser ---------------------------------------------------------------------


def rise_shape(t: Floats, tau: float, rise: float) -> tuple[Floats, Floats]:
    """Unit step through two first-order stages in a row, and its derivative; zero before t = 0."""
    late = np.maximum(t, 0.0)
    slow = np.exp(-late / rise)
    if tau <= 0.0:
        return 1.0 - slow, np.where(t > 0, slow / rise, 0.0)
    if abs(rise - tau) < 1e-3 * tau:
        rise = tau * 1.001
        slow = np.exp(-late / rise)
    fast = np.exp(-late / tau)
    value = 1.0 - (rise * slow - tau * fast) / (rise - tau)
    return value, np.where(t > 0, (slow - fast) / (rise - tau), 0.0)


RISE_COLUMNS = slice(PRE - 8, PRE + 24)


def fit_rises(
    c: Crossings,
    level: Floats,
    tau: float,
    rise: float,
    rounds: int = 6,
    begin: Floats | None = None,
) -> tuple[Floats, Floats, Floats]:
    """Instants of rises by least squares (Gauss-Newton): t0, its u, and the squared error of each.

    Only samples up to three quarters of the level count; the closed level before counts too.
    begin: instants to begin from, where they are nearly known.
    """
    y = c.window[:, RISE_COLUMNS] / level[:, None]
    # A slow rise begins before the window: the tracked closed level (zero) then stands for closed.
    if rise < BEFORE_WINDOW:
        y = y - c.window[:, PRE - 14 : PRE - 8].mean(axis=1, keepdims=True) / level[:, None]
    columns = COLUMNS[RISE_COLUMNS].astype(float)
    # No sample past the first one above three quarters: what follows may be the next closing.
    use = np.logical_and.accumulate(y < 0.75, axis=1)
    use[:, : 8 + 2] = True
    if begin is None:
        crossing = np.minimum(np.maximum(y[:, 8], 0.02), 0.9)
        begin = -(tau if tau > 0 else 0.0) + rise * np.log(1.0 - crossing)
    t0 = begin
    for _ in range(rounds):
        value, slope = rise_shape(columns - t0[:, None], tau, rise)
        error = np.where(use, y - value, 0.0)
        slope = np.where(use, slope, 0.0)
        power = np.maximum((slope**2).sum(axis=1), 1e-12)
        step = (error * slope).sum(axis=1) / power
        t0 = t0 - np.clip(step, -4.0, 4.0)
    value, _ = rise_shape(columns - t0[:, None], tau, rise)
    error = np.where(use, y - value, 0.0)
    sigma = c.noise / level
    return t0, np.asarray(sigma / np.sqrt(power)), np.asarray((error**2).sum(axis=1))


def search_rise(c: Crossings, level: Floats, tau: float) -> tuple[float, float]:
    """Time constant (samples) with which edges rise to ``level`` behind a front end of ``tau``.

    One-dimensional search on a logarithmic scale for the least squared error; its curvature there
    gives the standard uncertainty, the second figure.
    """

    # A few edges and rounds tell roughly where the least error is.
    few, some = c.take(slice(None, None, 4)), level[::4]
    grid = np.log(np.geomspace(0.02, 2000.0, 18))
    costs = [float(np.median(fit_rises(few, some, tau, float(np.exp(g)), 4)[2])) for g in grid]
    best = int(np.argmin(costs))
    low, high = grid[max(best - 1, 0)], grid[min(best + 1, len(grid) - 1)]
    near = fit_rises(c, level, tau, float(np.exp(grid[best])))[0]

    def errors(log_rise: float) -> Floats:
        nonlocal near
        near, _, error = fit_rises(c, level, tau, float(np.exp(log_rise)), 3, near)
        return error

    # A median over the edges keeps out those that a bounce spoils.
    def cost(log_rise: float) -> float:
        return float(np.median(errors(log_rise)))

    ratio = (np.sqrt(5.0) - 1.0) / 2.0
    a, b = high - ratio * (high - low), low + ratio * (high - low)
    fa, fb = cost(a), cost(b)
    for _ in range(6):
        if fa < fb:
            high, b, fb = b, a, fa
            a = high - ratio * (high - low)
            fa = cost(a)
        else:
            low, a, fa = a, b, fb
            b = low + ratio * (high - low)
            fb = cost(b)
    # The median of so few is rough near its least: the sum over all edges but the odd ones is not.
    place = 0.5 * (low + high)
    for step in (0.05, 0.02, 0.01):
        below, here, above = errors(place - step), errors(place), errors(place + step)
        kept = here <= 4.0 * np.median(here) + 1e-12
        bend = float((below + above - 2.0 * here)[kept].sum()) / step**2
        slope = float((above - below)[kept].sum()) / (2.0 * step)
        if bend > 0.0:
            place -= min(max(slope / bend, -4.0 * step), 4.0 * step)
    # Some ten samples of each edge carry its shape.
    variance = float(np.median(here)) / 10.0
    rise = float(np.exp(place))
    if bend <= 0.0:
        return rise, rise
    return rise, rise * float(np.sqrt(2.0 * variance / bend))


def turned(c: Crossings, start: Floats) -> Crossings:
    """Closings turned over, so that they rise from the open level like openings."""
    return Crossings(c.at, c.out, start[:, None] - c.window, c.closed, c.swing, c.noise)


def place_rises(c: Crossings, r: Response) -> Placed:
    level = np.full(len(c), r.open_level)
    t0, u, _ = fit_rises(c, level, r.tau, r.rise)
    if r.rise >= BEFORE_WINDOW:
        # Where the closed level stood just then, with hum on it, is not in the window.
        u = np.hypot(u, r.u_closed * r.rise / r.open_level)
    return Placed(c.at + t0 + r.tau * LN2, np.maximum(u, 0.01))


# --- closed out of the converter's reach ----------------------------------------------------------


def hidden_closed(touch: Crossings, top: float) -> float:
    """Level that touches of a dry feed fall to where the converter cuts off above it, else 0.

    Counts from the tracked closed level, which is then the lowest that the converter shows.
    """
    tau, level, cut = learn_tail(touch, top)
    plain = cut and tau > 0.0 and level < -HIDDEN_NOISES * float(np.median(touch.noise))
    return level if plain else 0.0


def with_closed(c: Crossings, closed: float) -> Crossings:
    """Crossings with what was cut off at closed put where it stands."""
    if closed >= 0.0:
        return c
    window = c.window
    rail = window.min(axis=1, keepdims=True)
    return Crossings(
        c.at, c.out, np.where(window <= rail + 1e-6, closed, window), c.closed, c.swing, c.noise
    )


# --- all together ---------------------------------------------------------------------------------


def learn_response(
    touch: Crossings, leave: Crossings, coil: bool, top: float,
    sample_s: float = np.inf, back: Crossings | None = None, told_tau: float = 0.0,
) -> Response:  # fmt: skip
    """Edge shapes of a trace from some tens of first contacts; back: closings that lasted, if bounced.

    told_tau  time constant of the front end as stated, samples; 0 where it is not
    """
    if coil:
        return learn_coil(touch, leave, top, told_tau, back)
    if back is not None:
        held = lasting(back, middle_level(touch, PRE - 10, PRE - 3))
        touch = held if len(held) >= FEW else touch
    closed = hidden_closed(touch, top)
    touch, leave = with_closed(touch, closed), with_closed(leave, closed)
    start, end = closing_levels(touch)
    open_level = float(np.median(start))
    if open_level <= 0.0:
        return Response(learn_tau(touch, start, end))
    # What closed levels differ by, beyond the noise of the nine samples of each.
    u_closed = float(np.sqrt(max(end.var() - float((touch.noise**2).mean()) / 9.0, 0.0)))
    # Closings are steps: how they fall shows the front end alone.
    tau, u_tau = search_rise(turned(touch, start), np.maximum(start - end, 1e-9), 0.0)
    for _ in range(2 if _settling(tau) else 0):
        # A slow front end had not come to closed yet.
        start, end = closing_levels(touch, tau)
        tau, u_tau = search_rise(turned(touch, start), np.maximum(start - end, 1e-9), 0.0)
    if u_tau > 0.2 * tau:
        # Hardly a sample falls on an edge: how often one does tells more than where.
        tau = learn_tau(touch, start, end)
        u_tau = max(0.3 * tau, 0.1)
    if back is not None or tau < COARSE_TAU:
        # A loss between two samples makes a fall look slower, a condenser a rise: the faster one is true.
        quick, u_quick = search_rise(leave, np.full(len(leave), open_level), 0.0)
        if u_quick > 0.2 * quick:
            quick = learn_tau(leave, *opening_levels(leave, 0.0))
            u_quick = max(0.3 * quick, 0.1)
        if tau - quick > float(np.hypot(u_tau, u_quick)):
            tau, u_tau = quick, u_quick
    # The least error is sharper than the truth of it: noise of the levels moves all edges alike.
    u_tau = max(u_tau, 0.05 * tau)
    rise, u_rise = search_rise(leave, np.full(len(leave), open_level), tau)
    u_rise = float(np.hypot(u_rise, u_tau))
    shortest = SHORTEST_RISE if tau > 0.35 else (1.5 if tau > 0.25 else 2.5) * SHORTEST_RISE
    if rise < 2.5 * u_rise or rise < max(shortest, SHORTEST_RISE_S / sample_s):
        # Too short to tell from the front end: the doubt goes into the budget.
        rise, u_rise = 0.0, max(min(u_rise, rise), 0.5 * rise)
    return Response(
        tau, rise=rise, u_rise=u_rise, u_closed=u_closed, open_level=open_level,
        closed=closed, cut_closed=closed < 0.0,
    )  # fmt: skip


def place_closings(c: Crossings, r: Response) -> Placed:
    if r.coil:
        return place_touches(c.take(slice(None)), r)
    c = with_closed(c, r.closed)
    return place_steps(c, *closing_levels(c, r.tau), EdgeShape(r.tau), r.tau)


def place_openings(c: Crossings, r: Response) -> Placed:
    if r.coil:
        return place_ramps(c.take(slice(None)), r)
    c = with_closed(c, r.closed)
    if r.rise > LONG_RISE:
        return place_rises(c.take(slice(None)), r)
    return place_steps(c, *opening_levels(c, r.tau + r.rise), EdgeShape(r.tau, r.rise), r.tau)
