"""The series resistance of a condenser: the step with which its charges begin.

A resistance r in series lets the voltage jump by r / (R + r) of the rise at once. Through a front end
of first order a jump and a beginning a little earlier look alike but for the first microseconds:

    v(t) = late(t) + (z - late(t0)) exp(-(t - t0) / lag),

late the fitted curve, z the level before, t0 the instant at which the feed came on, which follows from
the step. One step for all charges is sought by least squares over their first values. How well the
front end's own time constant is known decides: a tenth of it is worth some ohms, whatever the resistor.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from breakerbench.measure.condenser_charge import Charge
from breakerbench.measure.condenser_trace import Levels, Stretch

Floats = NDArray[np.float64]

#: How well the time constant of a front end is known from its delay, share; from memory.
U_LAG = 0.1
#: What the first values may differ from the model, times the noise: the feed did not come on cleanly.
CLEAN = 2.0
_PLACES = 301


@dataclass(frozen=True, slots=True)
class Step:
    """share: of the whole rise;  u_share: its standard uncertainty."""

    share: float
    u_share: float


def step_of(
    stretches: list[Stretch], charges: list[Charge], levels: Levels, lag_s: float
) -> Step | None:
    """The step at the beginning of these charges; None where it cannot be seen."""
    usable = [c for c in charges if c.base_v is not None]
    if not usable:
        return None
    found = _sought(stretches, usable, levels, lag_s)
    if found is None:
        return None
    share, u = found
    curve = [
        math.hypot(c.u_base_v, c.u_onset_v) / (c.asymptote_v - (c.base_v or 0.0)) for c in usable
    ]
    parts = [u, float(np.sqrt(np.mean(np.square(curve)) / len(curve)))]
    if lag_s:
        other = _sought(stretches, usable, levels, (1.0 + U_LAG) * lag_s)
        if other is None:
            return None
        parts.append(abs(other[0] - share))
    else:  # nothing is known of the front end: a value either way
        steps = [stretches[c.stretch].step_s / c.tau_s for c in usable]
        parts.append(float(np.mean(steps)) / math.sqrt(3.0))
    return Step(share, math.hypot(*parts))


def _sought(
    stretches: list[Stretch], charges: list[Charge], levels: Levels, lag_s: float
) -> tuple[float, float] | None:
    step_s = stretches[charges[0].stretch].step_s
    tau, lag = float(np.median([c.tau_s for c in charges])) / step_s, lag_s / step_s
    places = np.linspace(-(1.5 + 1.5 * lag) / tau, max(0.3, 8.0 / tau), _PLACES)
    u = 0.0
    for _ in range(2):  # coarse, then fine
        square, many = np.zeros(_PLACES), 0
        for c in charges:
            each = _squares(stretches[c.stretch], c, lag, places)
            if each is not None:
                square, many = square + each[0], many + each[1]
        best = int(np.argmin(square))
        if not many or best in (0, _PLACES - 1):
            return None
        found, wide = float(places[best]), float(places[1] - places[0])
        # the sum is no parabola: the widest of what one, two, three deviations tell
        for k in (1.0, 2.0, 3.0):
            inside = places[square <= square[best] + (k * levels.noise) ** 2]
            u = max(u, 0.5 * float(np.ptp(inside)) / k, wide)
        places = np.linspace(found - 4.0 * wide, found + 4.0 * wide, _PLACES)
    if square[best] > CLEAN**2 * many * levels.noise**2:
        return None
    return found, u


def _squares(s: Stretch, c: Charge, lag: float, shares: Floats) -> tuple[Floats, int] | None:
    """Sums of squares over the first values of a charge for every step, and how many values."""
    assert c.base_v is not None
    tau, z = c.tau_s / s.step_s, c.base_v
    begin = math.floor(c.onset - 3.0 - 3.0 * lag)
    v = s.volts(begin, math.ceil(c.onset + 4.0 + 8.0 * lag))
    if begin < 0 or len(v) < 6 or not np.all(np.isfinite(v)):
        return None
    x = np.arange(len(v), dtype=np.float64) + (begin - c.onset)
    # before the front end the curve is less far from its end, by (tau - lag) / tau
    b_in = c.amplitude_v * (1.0 - lag / tau)
    ahead = (z + shares * (c.asymptote_v - z) - c.asymptote_v) / b_in
    t0 = -tau * np.log(np.maximum(ahead, 1e-9))[:, None]

    def late(t: Floats) -> Floats:
        return c.asymptote_v + c.amplitude_v * np.exp(-t / tau)

    after = np.maximum(x - t0, 0.0)
    gone = np.exp(-after / lag) if lag else np.zeros_like(after)
    left = v - np.where(x >= t0, late(x) + (z - late(t0)) * gone, z)
    return np.asarray(np.einsum("ij,ij->i", left, left)), len(v)
