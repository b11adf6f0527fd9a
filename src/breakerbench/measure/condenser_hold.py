"""The hold: the feed taken off a charged condenser, and how slowly its voltage falls.

v = z + B exp(-t / tau), z the level of the empty condenser, which the same trace shows. Before it the
voltage may stand at its top for a while, the feed still on; where the fall begins is found as the
break of a level and an exponential. A fall of less than a twentieth is taken for no hold: a feed that
sinks looks the same.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from breakerbench.measure.condenser_charge import LEAST_U
from breakerbench.measure.condenser_fit import decay, rate_fit
from breakerbench.measure.condenser_trace import HIGH, LOW, Levels, Run, Stretch
from breakerbench.measure.fit import Fit, FitError

Floats = NDArray[np.float64]

#: A fall is one from this share of the voltage on, and from so many times its noise.
LEAST_FALL, LEAST_NOISE = 0.05, 6.0
#: A fall this many times as slow as the charge is no discharge through a resistor.
SLOWER = 2.5
#: Means in a fit; fewest of them after the break.
SPANS, LEAST_SPANS = 400, 12
#: A fall within a span this many times as steep as the rest: something emptied the condenser there.
STEEPER = 3.0
#: The most that a fit may leave, share of the voltage, and the largest uncertainty of the time constant.
NO_FIT, MOST_U = 0.01, 0.3


@dataclass(frozen=True, slots=True, eq=False)
class Hold:
    """A hold that was fitted.

    tau_s, u_tau_s, dof   time constant of the fall; its uncertainty holds that of the zero
    begin         when the fall began, in values of the stretch
    volts         at its beginning, above the zero
    time_s, means_v, left_v   means, s from the beginning of the fall (before it: below 0), above the
                  zero; what the fit leaves of those that were fitted (nan elsewhere)
    """

    tau_s: float
    u_tau_s: float
    dof: float
    begin: float
    volts: float
    time_s: Floats
    means_v: Floats
    left_v: Floats


def hold_of(
    s: Stretch, run: Run, levels: Levels, begin: int, tau: float, zero: tuple[float, float]
) -> Hold | None:
    """The hold within a run, or None where there is none.

    begin  value from which the condenser is charged
    tau    time constant of the charge in values, 0 where not known
    zero   level of the empty condenser and its standard uncertainty, V
    """
    for end in _ends(s, run, levels, tau):
        wide = max(1, (end - begin) // SPANS)
        x, y = s.means(begin, end, wide)
        keep = len(y) if np.all(np.isfinite(y)) else int(np.argmin(np.isfinite(y)))
        x, y = x[:keep], y[:keep] - zero[0]
        if len(y) < 2 * LEAST_SPANS or np.any(y <= 0.0):
            continue
        noise = levels.noise / math.sqrt(wide)
        few = max(len(y) // 20, 1)
        fall = float(y[:few].mean() - y[-few:].mean())
        if fall < max(LEAST_FALL * y[0], LEAST_NOISE * noise / math.sqrt(few)):
            continue
        found = _fall(s, x, y, noise, tau, zero[1])
        if found is not None:
            return found
    return None


def _ends(s: Stretch, run: Run, levels: Levels, tau: float) -> list[int]:
    """Where a hold in this run may end, the likelier first."""
    if run.fallen is None:
        return [len(s)]
    high, low = run.fallen
    fall = (low - high) / math.log(HIGH / LOW)  # its time constant, if it is one exponential
    ends = []
    if fall > SLOWER * max(tau, 1.0):
        ends.append(_steep(s, high, low, levels))
    # before a fall that is quick: that far its beginning reaches back, from the top
    ends.append(high - math.ceil(1.5 * fall) - 3)
    return ends


def _steep(s: Stretch, high: int, low: int, levels: Levels) -> int:
    """End of the even part of a fall from ``high`` to ``low``."""
    wide = max(1, (low - high) // 32)
    at, y = s.means(high, low, wide)
    drop = -np.diff(y)
    usual = math.log(HIGH / LOW) / 32.0 * y[:-1]
    steep = drop > STEEPER * usual + LEAST_NOISE * levels.noise * math.sqrt(2.0 / wide)
    first = np.flatnonzero(steep)
    return int(at[first[0]] - wide) if len(first) else low


def _fall(s: Stretch, x: Floats, y: Floats, noise: float, tau: float, u_zero: float) -> Hold | None:
    place = _break(x, y)
    # the means beside the break hold some of both
    first = place + 2 if place else 0
    if len(y) - first < LEAST_SPANS:
        return None
    at, volts = x[first:] - x[first], y[first:]
    rate = math.log(volts[0] / volts[-1]) / (at[-1] - at[0])
    if rate <= 0.0:
        return None
    try:
        fit = rate_fit(decay(at), volts, np.array([0.8, 1.0, 1.25]) * rate)
        moved = rate_fit(decay(at), volts - u_zero, np.array([1.0 / _tau(fit)]))
    except FitError:
        return None
    slow, u = _tau(fit), float(fit.u[-1]) * _tau(fit) ** 2
    u = math.hypot(u, _tau(moved) - slow)
    over = fit.residual_sd**2 - 4.0 * noise**2
    if (
        math.sqrt(max(over, 0.0)) > NO_FIT * volts[0]
        or not u < MOST_U * slow
        or slow <= SLOWER * tau
    ):
        return None
    begin = float(x[0])
    if place:  # where the exponential has the level
        level = float(y[:place].mean())
        back = float(x[first]) - slow * math.log(level / float(fit.parameters[0]))
        begin = min(max(back, float(x[place - 1])), float(x[place + 1]))
    left = np.full(len(y), np.nan)
    left[first:] = fit.residuals
    b = float(fit.parameters[0]) * math.exp((x[first] - begin) / slow)
    return Hold(
        tau_s=slow * s.step_s,
        u_tau_s=max(u, LEAST_U * slow) * s.step_s,
        dof=fit.dof,
        begin=begin,
        volts=b,
        time_s=(x - begin) * s.step_s,
        means_v=y,
        left_v=left,
    )


def _tau(fit: Fit) -> float:
    return 1.0 / float(fit.parameters[-1])


def _break(x: Floats, y: Floats) -> int:
    """Span in which a level turns into an exponential fall; 0: it falls from the first on.

    By least squares over every place: the level by its mean, the fall as a line through the
    logarithms, weighted by the square of the voltage (which makes their noise alike).
    """
    n = len(y)
    w, z, t = y**2, np.log(y), (x - x[0]) / (x[-1] - x[0])
    # sums over the spans from each place to the end; over those before it
    tails = [np.cumsum((w * each)[::-1])[::-1] for each in (np.ones(n), t, t * t, z, t * z, z * z)]
    s0, st, stt, sz, stz, szz = tails
    with np.errstate(divide="ignore", invalid="ignore"):
        xx, xz = stt - st**2 / s0, stz - st * sz / s0
        fall = np.maximum(szz - sz**2 / s0 - xz**2 / xx, 0.0)
    before = np.concatenate([[0.0], np.cumsum(y)])
    square = np.concatenate([[0.0], np.cumsum(y**2)])
    count = np.arange(n + 1)
    with np.errstate(divide="ignore", invalid="ignore"):
        level = np.where(count > 0, np.maximum(square - before**2 / count, 0.0), 0.0)
    places = np.arange(0, n - LEAST_SPANS)
    # the span at the place itself belongs to neither
    cost = level[places] + np.where(places > 0, fall[places + 1], fall[places])
    return int(places[np.argmin(cost)])
