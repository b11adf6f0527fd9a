"""Exponentials with their rate: least squares with the linear parameters taken out.

The model is ``columns(k) @ linear``: for a given rate k the rest is linear, so that only k is sought
(variable projection: Golub and Pereyra 1973, from memory, in the short form of Kaufman 1975).
Observations are means over equal spans; the mean of an exponential over a span is the exponential at
its middle times a constant, so the rate does not feel how wide the spans are.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from breakerbench.measure.distributions import chi2_quantile
from breakerbench.measure.fit import Fit, FitError
from breakerbench.measure.uncertainty import Estimate

Floats = NDArray[np.float64]
#: A rate to (columns, their derivatives by the rate), each of shape (n, p).
Columns = Callable[[float], tuple[Floats, Floats]]

#: Rates are sought first on so many places from one over REACH spans of all to one over a step.
PLACES, REACH = 48, 60.0
_STEPS = 60


def charge(x: Floats, lag: float = 0.0) -> Columns:
    """a + b exp(-k x); with ``lag`` also c exp(-x / lag), what a front end of first order leaves."""
    fixed = [np.ones_like(x)] + ([np.exp(-x / lag)] if lag else [])
    none = np.zeros_like(x)

    def columns(k: float) -> tuple[Floats, Floats]:
        e = np.exp(-k * x)
        rest = [none] * (len(fixed) - 1)
        return np.column_stack([fixed[0], e, *fixed[1:]]), np.column_stack([none, -x * e, *rest])

    return columns


def rise(x: Floats) -> Columns:
    """b (1 - exp(-k x))."""

    def columns(k: float) -> tuple[Floats, Floats]:
        e = np.exp(-k * x)
        return (1.0 - e)[:, None], (x * e)[:, None]

    return columns


def decay(x: Floats) -> Columns:
    """b exp(-k x)."""

    def columns(k: float) -> tuple[Floats, Floats]:
        e = np.exp(-k * x)
        return e[:, None], (-x * e)[:, None]

    return columns


def rate_fit(columns: Columns, y: Floats, rates: Floats) -> Fit:
    """Least squares over the rate and the linear parameters; the rate comes last.

    y      shape (n,), observations of one weight
    rates  where to begin: the best of these

    The covariance is by the scatter about the fit, made wider where neighbouring residuals go
    together: by (1 + r) / (1 - r), r their correlation, where it is plain (two of 1 / sqrt n).

    Raises FitError for too few observations and where nothing settles.
    """
    found = min((_linear(columns(float(k))[0], y)[1], float(k)) for k in rates)
    square, k = found
    for _ in range(_STEPS):
        design, slopes = columns(k)
        linear, square, left = _linear(design, y)
        jacobian = np.column_stack([design, slopes @ linear])
        step = _solve(jacobian, left)[-1]
        if not math.isfinite(step):
            raise FitError("the curve gives no rate")
        while abs(step) > 1e-13 * k:
            trial = k + step
            if trial > 0.0 and _linear(columns(trial)[0], y)[1] <= square:
                break
            step *= 0.5
        if abs(step) <= 1e-13 * k:
            break
        k += step
    design, slopes = columns(k)
    linear, square, left = _linear(design, y)
    jacobian = np.column_stack([design, slopes @ linear])
    n, p = jacobian.shape
    if n <= p:
        raise FitError(f"{p} parameters need more than {n} observations")
    length = np.linalg.norm(jacobian, axis=0)
    if not (np.all(length > 0.0) and np.all(np.isfinite(length))):
        raise FitError("a parameter has no effect on any observation")
    _, singular, v = np.linalg.svd(jacobian / length, full_matrices=False)
    if singular[-1] < 1e-9 * singular[0]:
        raise FitError("the observations cannot tell two parameters apart")
    half = v.T / singular / length[:, None]
    variance = square / (n - p)
    return Fit(
        parameters=np.append(linear, k),
        covariance=half @ half.T * variance * _together(left),
        dof=float(n - p),
        residuals=left,
        residual_sd=math.sqrt(variance),
        chi_squared=square,
        residual_dof=n - p,
    )


def rates_for(x: Floats) -> Floats:
    """Rates to begin with, for observations at ``x``."""
    span = float(x[-1] - x[0])
    return np.geomspace(1.0 / (REACH * span), 1.0 / float(x[1] - x[0]), PLACES)


def _linear(design: Floats, y: Floats) -> tuple[Floats, float, Floats]:
    linear = _solve(design, y)
    left = y - design @ linear
    return linear, float(left @ left), left


def _solve(design: Floats, y: Floats) -> Floats:
    length = np.linalg.norm(design, axis=0)
    length[length == 0.0] = 1.0
    return np.asarray(np.linalg.lstsq(design / length, y, rcond=None)[0] / length)


def _together(left: Floats) -> float:
    """How much wider the covariance is where neighbouring residuals go together."""
    total = float(left @ left)
    if total <= 0.0 or len(left) < 8:
        return 1.0
    r = float(left[1:] @ left[:-1]) / total
    return (1.0 + r) / (1.0 - r) if r > 2.0 / math.sqrt(len(left)) and r < 1.0 else 1.0


@dataclass(frozen=True, slots=True)
class Joined:
    """Several values of one quantity made one.

    spread  their standard deviation, 0 of one
    """

    estimate: Estimate
    spread: float


def joined(values: Floats, u: Floats, dof: Floats) -> Joined:
    """Mean weighted by 1 / u^2; by their own spread where that is plainly wider than their u.

    Plainly: chi-square of the values about their mean above its 95 % quantile (Birge 1932, from
    memory, for the ratio by which u is then widened).
    """
    weight = 1.0 / u**2
    mean = float(weight @ values / weight.sum())
    n = len(values)
    inner = Estimate(mean, float(weight.sum() ** -0.5), float(dof.sum()))
    if n < 2:
        return Joined(inner, 0.0)
    spread = float(np.std(values, ddof=1))
    square = float(weight @ (values - mean) ** 2)
    if square <= chi2_quantile(n - 1.0, 0.95):
        return Joined(inner, spread)
    return Joined(Estimate(mean, inner.u * math.sqrt(square / (n - 1)), n - 1.0), spread)
