"""Resistance and inductance of the coil and of the whole loop, and the current at the opening.

Integral form of v = R i + L di/dt over each closed time, its first current i0 free:

    i(t) = i0 + (1 / L) S v dt - (R / L) S i dt

fitted by least squares over all cycles at once, i being the noisy one. v is the voltage at the coil's
terminals, feed less points. With the feed's own voltage E in its place the same gives the whole loop:
source, leads, ballast and coil. Both are taken as differences from what the channels show while
nothing flows, so that their zeros drop out. What lies in the feed is the slope of its voltage over
the current. (Any textbook on first-order circuits; least squares: ISO/TS 28037, GUM H.3.)
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from breakerbench.measure.closed_sums import (
    Figure,
    Rows,
    Sums,
    scattered,
    slope_over_current,
    sums_of,
)
from breakerbench.measure.closings import AtOpening, Closed
from breakerbench.measure.feed import Zeros, swing_v, u_gain
from breakerbench.measure.uncertainty import Component, Estimate, effective_dof
from breakerbench.trace import Header

Floats = NDArray[np.float64]

#: A resistance known less well than this share is not told: the dwell is too short against L / R.
MOST_U_SHARE = 0.1
#: What eddy currents, the secondary and the samples between leave in R and L: shares, standard
#: uncertainties. By simulation, see tests/independent/test_ignition_coil.py.
MODEL_R_SHARE, MODEL_L_SHARE = 0.001, 0.003
#: Closings without bounce, after an open time in which all settled, that tell the losses; and how well
#: the touches are placed that they begin at, s.
LEAST_CLEAN, U_TOUCH_S = 4, 1.5e-6
#: What flows at the touch is losses up to this share of the current at the opening; more a spark left.
LEFT_SHARE = 0.12
#: Where none tell: by so much on the mean the losses make an inductance look greater, and u of that.
UNSEEN_LOSSES_SHARE, U_UNSEEN_LOSSES_SHARE = 0.01, 0.012
#: Nor is it told before the current has reached this share of what would flow for good; and one
#: inductance for all then leaves this share of the current at least (circuits with L (1 - a i), solved).
REACHED_SHARE, BENT_SHARE = 0.7, 0.0012
#: Independent readings that what the fit leaves of a closing counts for.
INDEPENDENT = 4.0
#: An inductance that falls by this share up to the current at the opening is said to saturate.
SATURATES_SHARE = 0.1
#: Largest share of the samples that may stand at an end of the converter's range.
CLIPPED_SHARE = 0.001


# --- fits -----------------------------------------------------------------------------------------


def loop_fit(sums: Sums, rows: Rows, coil_only: bool, bends: bool = False) -> tuple[float, float]:
    """(R, L) of the coil, where its feed was measured, or of the whole loop.

    bends  L (1 - a i) in place of L, so that i - a i^2 / 2 stands where i stood; L is then that at
           no current
    """
    found = _solved(_products(sums, rows, coil_only), 3 if bends else 2)
    if not found[0] > 0.0:
        return math.nan, math.nan
    return float(found[1] / found[0]), float(1.0 / found[0])


def _solved(products: Floats, unknowns: int) -> Floats:
    """1 / L, R / L and, of three unknowns, a / 2; NaN where they cannot be told apart."""
    inner = products[1 : unknowns + 1, 1 : unknowns + 1]
    try:
        found = np.linalg.solve(inner, products[1 : unknowns + 1, 0])
    except np.linalg.LinAlgError:
        return np.full(unknowns, np.nan)
    return np.asarray(found, np.float64)


def _products(sums: Sums, rows: Rows, coil_only: bool) -> Floats:
    """(4, 4) products of i, S v, - S i and the square of the current."""
    total = sums.centred[rows].sum(axis=0)
    pick = np.zeros((4, total.shape[0]))
    pick[3, sums.squares] = 1.0
    pick[0, sums.value("current_a")] = 1.0
    pick[1, sums.integral("points_v")] = -1.0
    pick[2, sums.integral("current_a")] = -1.0
    if coil_only:
        pick[1, sums.integral("supply_v")] = 1.0
    return np.asarray(pick @ total @ pick.T)


def current_at_touch(closed: Closed, sums: Sums, zeros: Zeros, ohm: float, henry: float) -> Floats:
    """(n,) current at each first touch, A, along the exponential of the loop back from the first sample.

    NaN where the contact bounced. Only L / R and the current that it rises to count, so that a wrong E
    does not.
    """
    i, si, sp = sums.value("current_a"), sums.integral("current_a"), sums.integral("points_v")
    begins = sums.means[:, i] + (sums.means[:, sp] + ohm * sums.means[:, si]) / henry
    # What the points swing by as they open, no current flowing: the zero of the channel drops out.
    contact_ohm = slope_over_current(sums, slice(None), "points_v")
    full = swing_v(closed, zeros)[0] / (ohm + contact_ohm)
    found: Floats = full + (begins - full) * np.exp(closed.lead_s * ohm / henry)
    return found


def burns_on(closed: Closed, zeros: Zeros, current_a: float) -> bool:
    """Did sparks still burn as the points touched? The current then begins with what was left of it.

    Where supply_v is not there to tell E, a burn line passes for it: the points stand as still.
    """
    sign = np.array([zeros.sign_a] + [zeros.sign] * (len(zeros.zero) - 1))
    sums = sums_of(closed, zeros.course, sign)
    ohm, henry = loop_fit(sums, slice(None), coil_only=False)
    if not math.isfinite(henry) or not ohm > 0.0:
        return False
    at_touch = current_at_touch(closed, sums, zeros, ohm, henry)[zeros.quiet]
    at_touch = at_touch[np.isfinite(at_touch)]
    return bool(len(at_touch) and np.median(at_touch) > LEFT_SHARE * current_a)


def losses_s(
    closed: Closed, sums: Sums, zeros: Zeros, ohm: float, henry: float
) -> tuple[float, float]:
    """Conductance across the winding that stands for the losses of iron and secondary, and its u, S.

    ohm, henry  of the whole loop, as `loop_fit` has them

    Where all of the field was gone before the touch, the current of the winding begins at 0, and what
    flows at once is that of the losses: i(0) = G (E - R i(0)). The touch is reached back to along
    the exponential. NaN where no such closing was seen.
    """
    after_settled = np.isin(closed.number - 1, closed.number[zeros.quiet])
    at_touch = current_at_touch(closed, sums, zeros, ohm, henry)
    at_touch = at_touch[np.isfinite(at_touch) & after_settled]
    if len(at_touch) < LEAST_CLEAN:
        return math.nan, math.nan
    each = at_touch / (zeros.open_v - ohm * at_touch)
    slope = zeros.open_v / henry
    u_place = math.hypot(U_TOUCH_S * slope, float(zeros.u[0])) / zeros.open_v
    spread = float(each.std(ddof=1)) / math.sqrt(len(each))
    return float(np.median(each)), math.hypot(1.25 * spread, u_place)


def residual_a(sums: Sums, coil_only: bool, bends: bool = False) -> float:
    """What the fit leaves of the current, rms, the noise of the samples taken off, A.

    The noise of the voltages, summed up, wanders like a random walk: of n steps a straight line leaves
    n / 15 of a step's variance on the mean.
    """
    products = _products(sums, slice(None), coil_only)
    found = _solved(products, 3 if bends else 2)
    if not found[0] > 0.0:
        return math.nan
    line = np.concatenate([[1.0], -found, np.zeros(3 - len(found))])
    left = float(line @ products @ line) / float(sums.samples.sum())
    noise = np.average(sums.noise, axis=0, weights=sums.samples)
    n = float(np.average(sums.samples, weights=sums.samples))
    step_s = 2.0 * float((sums.means[:, 1] / (sums.samples - 1.0)).mean())
    walking = noise[sums.names.index("points_v")]
    if coil_only:
        walking = walking + noise[sums.names.index("supply_v")]
    wanders = float(walking) * (step_s * float(found[0])) ** 2 * n / 15.0
    return math.sqrt(max(left - float(noise[0]) - wanders, 0.0))


def u_misfit(sums: Sums, left_a: float, ohm: float, henry: float, coil_only: bool) -> Floats:
    """Standard uncertainties of R and L by what the fit leaves: the same in every closing.

    It does not lessen with many cycles: a ring or a fall of the inductance counts as a few independent
    readings of each, INDEPENDENT of them.
    """
    s = _products(sums, slice(None), coil_only)[1:3, 1:3] / float(sums.samples.sum())
    rise, fade = 1.0 / henry, ohm / henry
    # R = fade / rise, L = 1 / rise
    slopes = np.array([[-fade / rise**2, 1.0 / rise], [-1.0 / rise**2, 0.0]])
    covariance = slopes @ np.linalg.inv(s) @ slopes.T * left_a**2 / INDEPENDENT
    return np.sqrt(np.diag(covariance))


def inductance_falls(sums: Sums, current_a: float, coil_only: bool) -> Figure:
    """Share by which the inductance is lower at ``current_a`` than at none."""

    def fall(rows: Rows) -> float:
        return float(2.0 * _solved(_products(sums, rows, coil_only), 3)[2] * current_a)

    value, u, dof = scattered(fall, len(sums.samples))
    if not (math.isfinite(value) and math.isfinite(u)):
        return Figure(why="the closings are too few to tell")
    return Figure(value, Estimate(value, u, dof).U if u > 0 else 0.0)


def is_saturating(
    fall: Figure, reached: float, left_share: float, bent_share: float
) -> bool | None:
    """Does the iron saturate; None where the trace does not tell.

    reached     current at the opening as a share of the one that would flow for good
    left_share  what a fit with one inductance leaves of the current, as a share of it
    bent_share  the same with an inductance that falls
    """
    if not fall or fall.u > SATURATES_SHARE or reached < REACHED_SHARE:
        return None
    if fall.value + fall.u < SATURATES_SHARE:
        return False
    clear = left_share > BENT_SHARE and bent_share < 0.5 * left_share
    return True if fall.value - fall.u > SATURATES_SHARE and clear else None


# --- figures --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class CoilFigures:
    """What the closed times tell.

    ohm, feed_ohm  of the coil alone, of what lies before it; None: the feed was not measured
    fall           share by which the inductance falls up to the current at the opening
    """

    loop_ohm: Figure
    ohm: Figure | None
    henry: Figure
    feed_ohm: Figure | None
    residual_a: float
    fall: Figure
    saturates: bool | None


def coil_figures(closed: Closed, zeros: Zeros, header: Header, current_a: float) -> CoilFigures:
    """R and L of loop and coil with their budgets; ``current_a``: at the opening."""
    has_feed = "supply_v" in closed.names
    zero = zeros.course
    sign = np.array([zeros.sign_a] + [zeros.sign] * (zero.shape[1] - 1))
    channels = {c.name: c for c in header.channels}

    def at(gain: int | None = None, shift: int | None = None) -> Sums:
        factor, moved = sign.copy(), zero.copy()
        if gain is not None:
            factor[gain] *= 1.0 + u_gain(channels[closed.names[gain]])
            # The zero of a voltage is where E shows: it moves with the scale only through the sums.
        if shift is not None:
            moved[:, shift] += zeros.u[shift]
        return sums_of(closed, moved, factor)

    plain = at()
    disturbed = [
        (f"scale of {name}", at(gain=k)) for k, name in enumerate(closed.names) if _counts(name)
    ]
    disturbed += [
        (f"zero of {name}", at(shift=k)) for k, name in enumerate(closed.names) if _counts(name)
    ]

    def figure(of: Callable[[Sums, Rows], float], share: float, misfit: float = 0.0) -> Figure:
        value, u, dof = scattered(lambda rows: of(plain, rows), len(closed))
        if not math.isfinite(value):
            return Figure(why=NO_FIT)
        parts = [Component(name, abs(of(s, slice(None)) - value)) for name, s in disturbed]
        parts.append(Component("what the model leaves out", share * abs(value)))
        parts.append(Component("what the fit leaves", misfit))
        if math.isfinite(u):
            parts.append(Component("scatter", u, dof))
        u_c = math.hypot(*(p.u for p in parts))
        if not u_c < MOST_U_SHARE * abs(value) and share:
            return Figure(why=TOO_SHORT)
        return Figure(value, Estimate(value, u_c, effective_dof(parts)).U)

    def fit(place: int, coil_only: bool) -> Callable[[Sums, Rows], float]:
        # With iron that saturates the resistance is that of the bent fit, the inductance a mean.
        bends = saturates is True and place == 0
        return lambda sums, rows: loop_fit(sums, rows, coil_only, bends)[place]

    whole_ohm, whole_henry = loop_fit(plain, slice(None), False)
    losses, u_losses = math.nan, math.nan
    if math.isfinite(whole_henry):
        losses, u_losses = losses_s(closed, plain, zeros, whole_ohm, whole_henry)
    if not math.isfinite(losses):
        losses = UNSEEN_LOSSES_SHARE / whole_ohm
        u_losses = U_UNSEEN_LOSSES_SHARE / whole_ohm
    more = 1.0 + max(losses, 0.0) * whole_ohm

    def misfits(coil_only: bool) -> tuple[float, Floats]:
        r, h = loop_fit(plain, slice(None), coil_only)
        if not math.isfinite(h):
            return math.nan, np.zeros(2)
        left = residual_a(plain, coil_only)
        return left, u_misfit(plain, left, r, h, coil_only)

    left, misfit = misfits(has_feed)
    fall = inductance_falls(plain, current_a, has_feed)
    reached = current_a * whole_ohm / zeros.open_v
    bent = residual_a(plain, has_feed, bends=True)
    # A current that begins in the ring of the last spark bends too.
    saturates = None
    if zeros.quiet.any():
        saturates = is_saturating(fall, reached, left / current_a, bent / current_a)
    # The contact limits the current too, behind the terminal that the points' voltage is taken at.
    rest = fit(0, False)
    loop = figure(
        lambda s, rows: rest(s, rows) + slope_over_current(s, rows, "points_v"),
        MODEL_R_SHARE,
        float(misfits(False)[1][0]),
    )
    ohm = figure(fit(0, True), MODEL_R_SHARE, float(misfit[0])) if has_feed else None
    # i = i_m + G v_L, and v_L = E - R i: the field follows (1 + G R) i.
    seen = fit(1, has_feed)
    share = math.hypot(MODEL_L_SHARE, u_losses * whole_ohm / more)
    henry = figure(lambda s, rows: seen(s, rows) / more, share, float(misfit[1]) / more)
    feed = None
    if has_feed:
        feed = figure(lambda s, rows: -slope_over_current(s, rows, "supply_v"), 0.0)
    if (loop or ohm) and not henry:
        # Resistance without inductance is no coil's.
        loop = henry = Figure(why=NO_FIT)
        ohm = None if ohm is None else loop
    return CoilFigures(loop, ohm, henry, feed, left, fall, saturates)


def _counts(name: str) -> bool:
    return name != "contact_v"


NO_FIT = (
    "the current does not rise as it does through a coil: look whether the current probe and the points "
    "lead are on the coil that is tested"
)
TOO_SHORT = (
    "the points are closed too briefly to tell resistance from inductance: measure at a lower speed"
)


def at_the_opening(at: AtOpening, zeros: Zeros, rows: NDArray[np.bool_]) -> Floats:
    """Currents at the openings of ``rows``, A."""
    found: Floats = zeros.sign_a * (at.values[rows, 0] - zeros.zero[0])
    return found
