"""One charge of a condenser: its time constant from the rise through the resistor.

v = a + b exp(-t / tau), all three fitted, so that gain and zero of the channel fall out of tau. The
fit begins when the front end has followed, and is over after twelve time constants.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from breakerbench.measure.condenser_fit import charge, rate_fit, rates_for
from breakerbench.measure.condenser_trace import HIGH, LOW, Levels, Run, Stretch
from breakerbench.measure.fit import Fit, FitError

Floats = NDArray[np.float64]

#: Why a rise was not used.
CLIPPED, FAST, SHORT, MISFIT = "clipped", "fast", "short", "misfit"
#: Time constants that are fitted; fewest that tell one.
MOST_TAUS, LEAST_TAUS = 12.0, 0.8
#: Values that a time constant must have, and how many times the front end's.
LEAST_VALUES, LEAST_LAGS = 3.0, 2.5
#: Means in a fit, and in a time constant at least.
SPANS, SPANS_A_TAU = 240, 16
#: Time constants of the front end until nothing is left of it, and until it is fitted beside.
LAGS_GONE, LAGS_FITTED = 8.0, 2.0
#: Later beginnings that are tried where the feed did not come on cleanly (a switch that bounces), in
#: time constants; the misfit from which they are, and that no fit may have, share of the rise.
LATER, UNCLEAN, NO_FIT = (0.25, 0.6, 1.0, 1.5), 0.003, 0.01
#: What must be left of a rise where its fit begins, share of the top: else a step passes for one.
LEAST_LEFT = 0.1
#: Smallest uncertainty of a time constant, share of it: what rounding leaves of values without noise.
LEAST_U = 1e-6
#: Largest uncertainty of one charge, share of its time constant.
MOST_U = 0.1


@dataclass(frozen=True, slots=True, eq=False)
class Charge:
    """A rise that was fitted.

    tau_s, u_tau_s, dof   time constant, standard uncertainty, degrees of freedom
    asymptote_v   what it rises to;  u_asymptote_v by the fit
    base_v        level before; None: none to be seen;  u_base_v
    amplitude_v   b at the onset: below 0;  u_onset_v: of the fitted curve there
    onset         where the curve leaves the base, in values of the stretch
    stretch, run  which
    time_s, volts, left_v   means that were fitted, s from the onset, and what the fit leaves of them
    lag_moves     change of tau for a front end slower by a tenth, share
    """

    tau_s: float
    u_tau_s: float
    dof: float
    asymptote_v: float
    u_asymptote_v: float
    base_v: float | None
    u_base_v: float
    amplitude_v: float
    u_onset_v: float
    onset: float
    stretch: int
    run: Run
    time_s: Floats
    volts: Floats
    left_v: Floats
    misfit: float
    lag_moves: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class _Fitted:
    """A fit over values begin..end of a stretch, times in values from ``begin``."""

    fit: Fit
    begin: int
    end: int
    x: Floats
    y: Floats
    misfit: float

    @property
    def tau(self) -> float:
        return 1.0 / float(self.fit.parameters[-1])

    def at(self, level: float) -> float | None:
        """Where the curve, taken back, has this level; in values of the stretch."""
        a, b = (float(each) for each in self.fit.parameters[:2])
        share = (level - a) / b if b else 0.0
        return self.begin - self.tau * math.log(share) if share > 0.0 else None


def top_of(s: Stretch, run: Run, levels: Levels) -> int | None:
    """End of what a run stays at its top for; None where it is cut off there.

    From the span in which the voltage is highest on as long as it is as high, to before it falls.
    """
    assert run.risen is not None
    begin, end = run.risen[0], run.fallen[0] + 1 if run.fallen else len(s)
    last, fine = end, max(1, (run.risen[1] - run.risen[0]) // 8)
    wide = max(1, (end - begin) // 128)
    while True:  # closer and closer about the highest span
        at, means = s.means(begin, last, wide)
        if not len(means):
            return end
        place = int(np.argmax(means))
        if not np.isfinite(means[place]):
            return None
        if wide <= fine or place + 2 >= len(means):
            break
        last = int(at[place] + 1.5 * wide)
        wide = max(fine, wide // 16)
    at, means = s.means(begin, min(end, begin + wide * (1 << 16)), wide)
    last = end
    if run.fallen:
        # an exponential fall begins 0.69 of its time constant before it comes to HIGH
        last = end - math.ceil(1.5 * (run.fallen[1] - run.fallen[0]) / math.log(HIGH / LOW)) - 3
    good = means[place:] >= means[place] - 6.0 * levels.noise / math.sqrt(wide)
    good &= at[place:] + 0.5 * wide <= last
    place += max(int(np.argmin(good)) if not good.all() else len(good), 1) - 1
    return int(at[place] + 0.5 * (wide + 1))


def charge_of(
    s: Stretch, run: Run, levels: Levels, lag_s: float, end: int | None = None
) -> Charge | str:
    """The charge at the beginning of a run, or why there is none: CLIPPED, FAST, SHORT, MISFIT.

    end  of what is charged, where that is known (a hold begins)
    """
    assert run.risen is not None
    low, high = run.risen
    top, lag = top_of(s, run, levels) if end is None else end, lag_s / s.step_s
    if top is None or levels.cut_off:
        return CLIPPED
    least = max(LEAST_VALUES, LEAST_LAGS * lag)
    quick = high - low <= least
    begin, end = low + 1, min(top, low + 30 * max(high - low, 3))
    found: _Fitted | None = None
    onset, base, u_base = float(low), None, 0.0
    try:
        for _ in range(6):
            before = (begin, end)
            found = _fitted(s, begin, end, 0.0, levels, found)
            if not math.isfinite(found.tau) or found.tau < 0.3:
                return FAST
            onset, base, u_base = _onset(s, run, found, lag, levels)
            begin, end = _window(onset, found.tau, lag, top)
            begin = max(begin, run.before)
            if end - begin < 6:
                break
            if abs(begin - before[0]) <= 0.02 * found.tau and abs(end - before[1]) <= found.tau:
                break
        assert found is not None
        if end - begin < 6 or found.tau < least:
            return FAST if quick or found.tau < least else SHORT
        best = _best(s, begin, end, lag, levels, found)
    except FitError:
        return FAST if quick else SHORT
    if best.tau < least or abs(float(best.fit.parameters[1])) < LEAST_LEFT * levels.top:
        return FAST
    if best.misfit > NO_FIT:
        return MISFIT
    u = float(best.fit.u[-1]) * best.tau
    if best.end - best.begin < LEAST_TAUS * best.tau or not u < MOST_U:
        return SHORT
    return _charge(s, run, best, (onset, base, u_base), lag)


def _charge(
    s: Stretch, run: Run, best: _Fitted, found: tuple[float, float | None, float], lag: float
) -> Charge:
    _, base, u_base = found
    onset = best.at(0.0 if base is None else base)
    onset = float(best.begin) if onset is None else onset
    a, b = (float(each) for each in best.fit.parameters[:2])
    moved = 0.0
    if len(best.fit.parameters) > 3:
        columns = charge(best.x, 1.1 * lag)
        other = rate_fit(columns, best.y, np.array([1.0 / best.tau]))
        moved = abs(1.0 / float(other.parameters[-1]) / best.tau - 1.0)
    return Charge(
        tau_s=best.tau * s.step_s,
        u_tau_s=max(float(best.fit.u[-1]) * best.tau, LEAST_U) * best.tau * s.step_s,
        dof=best.fit.dof,
        asymptote_v=a,
        u_asymptote_v=max(float(best.fit.u[0]), LEAST_U * abs(a)),
        base_v=base,
        u_base_v=u_base,
        amplitude_v=b * math.exp((best.begin - onset) / best.tau),
        u_onset_v=_u_at(best, onset - best.begin),
        onset=onset,
        stretch=run.stretch,
        run=run,
        time_s=(best.x + best.begin - onset) * s.step_s,
        volts=best.y,
        left_v=best.fit.residuals,
        misfit=best.misfit,
        lag_moves=moved,
    )


def _u_at(best: _Fitted, x: float) -> float:
    """Standard uncertainty of the fitted curve, what the front end leaves taken off."""
    e = math.exp(-x / best.tau)
    row = np.zeros(len(best.fit.parameters))
    row[0], row[1], row[-1] = 1.0, e, -x * float(best.fit.parameters[1]) * e
    return math.sqrt(max(float(row @ best.fit.covariance @ row), 0.0))


def _window(onset: float, tau: float, lag: float, top: int) -> tuple[int, int]:
    """First value that is fitted, and the end."""
    # A front end that nobody stated may still be there: two values are left to it.
    lead = (1.0 if lag else 2.0) + LAGS_FITTED * lag
    if tau > 5.0 * LAGS_GONE * lag:
        lead += (LAGS_GONE - LAGS_FITTED) * lag + 0.01 * tau
    return math.ceil(onset + lead), min(top, math.ceil(onset + MOST_TAUS * tau))


def _fitted(
    s: Stretch, begin: int, end: int, lag: float, levels: Levels, near: _Fitted | None
) -> _Fitted:
    wide = max((end - begin) // SPANS, 1)
    if near is not None:
        wide = max(1, min(wide, int(near.tau / SPANS_A_TAU)))
    x, y = s.means(begin, end, wide)
    if len(x) < 5:
        raise FitError("too few values")
    if not np.all(np.isfinite(y)):
        raise FitError("cut off")
    x = x - begin
    rates = rates_for(x) if near is None else np.array([0.7, 1.0, 1.4]) / near.tau
    fit = rate_fit(charge(x, lag), y, rates)
    # What the fit leaves beyond the noise; twice that is allowed for noise that is not white.
    over = fit.residual_sd**2 - 4.0 * levels.noise**2 / wide
    b = abs(float(fit.parameters[1]))
    misfit = math.sqrt(max(over, 0.0)) / b if b > 0.0 else math.inf
    return _Fitted(fit, begin, end, x, y, misfit)


def _best(s: Stretch, begin: int, end: int, lag: float, levels: Levels, near: _Fitted) -> _Fitted:
    """The fit from ``begin``, or from later where the beginning is not clean."""
    beside = lag if near.tau <= 5.0 * LAGS_GONE * lag else 0.0
    best = _fitted(s, begin, end, beside, levels, near)
    for later in LATER:
        if best.misfit <= UNCLEAN:
            break
        start = begin + round(later * near.tau)
        if end - start < 2.0 * near.tau:
            break
        try:
            trial = _fitted(s, start, end, 0.0, levels, near)
        except FitError:
            break
        if trial.misfit < 0.5 * best.misfit:
            best = trial
    return best


def _onset(
    s: Stretch, run: Run, found: _Fitted, lag: float, levels: Levels
) -> tuple[float, float | None, float]:
    """Where the curve leaves the level before, that level, and its standard uncertainty."""
    assert run.risen is not None
    low = float(run.risen[0])
    onset = found.at(0.0)
    onset = low if onset is None else min(onset, low)
    base: float | None = None
    u = 0.0
    for _ in range(2):
        many = int(np.clip(0.2 * found.tau, 32, 4096))
        end = math.floor(onset - 1.0 - 1.5 * lag)
        x = s.volts(max(end - many, run.before), end)
        if len(x) < 2 or not np.all(np.isfinite(x)):
            break
        base = float(x.mean())
        u = max(levels.noise, float(x.std()), LEAST_U * levels.top) / math.sqrt(len(x))
        at = found.at(base)
        onset = onset if at is None else min(at, low)
    return onset, base, u
