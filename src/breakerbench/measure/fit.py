"""Least-squares fits with their covariance: linear, straight line, nonlinear.

Sources: linear and straight line by ISO/TS 28037:2010 and GUM H.3; covariance of a nonlinear fit by
linearising at its minimum. Checked against the NIST Statistical Reference Datasets.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from breakerbench.measure.uncertainty import Component, Estimate, effective_dof

Floats = NDArray[np.float64]


#: A misfit that stands for "not a number"; its square still is one.
_FAR_OFF = 1e150


class FitError(ValueError):
    """The data do not determine what was asked of them; the message says why."""


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """Parameters of a least-squares fit.

    parameters    shape (p,), in the units of the model
    covariance    shape (p, p)
    dof           degrees of freedom of the covariance: n - p where the scatter about the fit gave
                  it, infinite where the observations came with known uncertainties
    residuals     observed less fitted, shape (n,), in the unit of the observations
    residual_sd   sqrt(sum of weighted squared residuals / (n - p)): in the unit of the observations
                  without weights, a pure number near 1 with known uncertainties; NaN for n = p
    chi_squared   sum of weighted squared residuals
    residual_dof  n - p
    """

    parameters: Floats
    covariance: Floats
    dof: float
    residuals: Floats
    residual_sd: float
    chi_squared: float
    residual_dof: int

    @property
    def u(self) -> Floats:
        """Standard uncertainties of the parameters."""
        return np.sqrt(np.diag(self.covariance))

    @property
    def correlation(self) -> Floats:
        """Correlation matrix of the parameters."""
        u = self.u
        scale = np.outer(u, u)
        return np.divide(self.covariance, scale, out=np.eye(len(u)), where=scale > 0.0)

    def estimate(self, place: int) -> Estimate:
        """Parameter number ``place`` with its standard uncertainty."""
        return Estimate(float(self.parameters[place]), float(self.u[place]), self.dof)


def linear_fit(design: ArrayLike, observed: ArrayLike, u: ArrayLike | None = None) -> Fit:
    """Fit ``observed = design @ parameters``, linear in its parameters.

    design    shape (n, p), one column a parameter, n >= p (n > p without ``u``)
    observed  shape (n,)
    u         known standard uncertainties of the observations, one for all or shape (n,); each
              observation is weighted with 1/u^2 and the covariance follows from them (ISO/TS 28037
              clause 6). None: equal weights, the covariance from the scatter about the fit.

    By QR of the design with its columns brought to one length, which keeps designs whose columns
    are of very different size (Longley's, years beside millions) to ten digits.

    Raises FitError for too few observations, values that are not finite, and columns that cannot
    be told apart.
    """
    design = np.asarray(design, dtype=np.float64)
    observed = np.asarray(observed, dtype=np.float64)
    if design.ndim != 2 or observed.shape != design.shape[:1]:
        raise FitError("the design needs one row an observation and one column a parameter")
    weight = _checked_weight(observed, u, design.shape[1])
    if not np.all(np.isfinite(design)):
        raise FitError("the design holds values that are not finite")
    weighted = design * weight[:, np.newaxis]
    length = np.linalg.norm(weighted, axis=0)
    if not np.all(length > 0.0):
        raise FitError("a parameter has no effect on any observation")
    q, r = np.linalg.qr(weighted / length)
    diagonal = np.abs(np.diag(r))
    if np.min(diagonal) < len(observed) * np.finfo(np.float64).eps * np.max(diagonal):
        raise FitError("the observations cannot tell two parameters apart")
    inverse = np.linalg.inv(r)
    parameters = (inverse @ (q.T @ (observed * weight))) / length
    spread = inverse @ inverse.T / np.outer(length, length)
    return _fit(parameters, spread, observed - design @ parameters, weight, u is not None)


def _checked_weight(observed: Floats, u: ArrayLike | None, parameters: int) -> Floats:
    """1/u of each observation (1 without u), after checking that the fit is determined."""
    count = len(observed)
    if count < parameters or (u is None and count == parameters):
        least = parameters if u is not None else parameters + 1
        raise FitError(f"{parameters} parameters need {least} observations or more, not {count}")
    if not np.all(np.isfinite(observed)):
        raise FitError("the observations hold values that are not finite")
    if u is None:
        return np.ones(count)
    known = np.broadcast_to(np.asarray(u, dtype=np.float64), (count,))
    if not (np.all(known > 0.0) and np.all(np.isfinite(known))):
        raise FitError("uncertainties of observations must be finite and above 0")
    return 1.0 / known


def _fit(
    parameters: Floats, spread: Floats, residuals: Floats, weight: Floats, known_u: bool
) -> Fit:
    """Put a fit together; ``spread`` is the covariance for observations of unit uncertainty."""
    residual_dof = len(residuals) - len(parameters)
    chi_squared = float(np.sum((residuals * weight) ** 2))
    residual_sd = math.sqrt(chi_squared / residual_dof) if residual_dof > 0 else math.nan
    return Fit(
        parameters=parameters,
        covariance=spread if known_u else spread * residual_sd**2,
        dof=math.inf if known_u else float(residual_dof),
        residuals=residuals,
        residual_sd=residual_sd,
        chi_squared=chi_squared,
        residual_dof=residual_dof,
    )


# --- straight line --------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class StraightLine:
    """y = intercept + slope (x - at), with what follows from it.

    ``at`` is the x at which the intercept is meant (GUM H.3 takes 20 degrees).
    """

    fit: Fit
    at: float = 0.0

    @property
    def intercept(self) -> Estimate:
        return self.fit.estimate(0)

    @property
    def slope(self) -> Estimate:
        return self.fit.estimate(1)

    def predict(self, x: float) -> Estimate:
        """The line itself at ``x`` (GUM H.3.4)."""
        row = np.array([1.0, x - self.at])
        variance = float(row @ self.fit.covariance @ row)
        return Estimate(
            float(row @ self.fit.parameters), math.sqrt(max(0.0, variance)), self.fit.dof
        )

    def predict_observation(self, x: float) -> Estimate:
        """One further observation at ``x``, of the same scatter (NBS Handbook 91, 5-4.1).

        For a fit with equal weights only; raises FitError otherwise.
        """
        line = self.predict(x)
        return Estimate(line.value, math.hypot(line.u, self._scatter()), line.dof)

    def inverse(self, y: Estimate) -> Estimate:
        """The x that belongs to an observed ``y`` with an uncertainty of its own.

        ISO/TS 28037 clause 11: u(x)^2 = (u(y)^2 + the line's variance at x) / slope^2. Raises
        FitError for a slope that cannot be told from 0: x would be anything.
        """
        intercept, slope = (float(value) for value in self.fit.parameters)
        if abs(slope) <= 2.0 * self.slope.u:
            raise FitError("the line has no slope to be told from none; it cannot be read back")
        x = self.at + (y.value - intercept) / slope
        line = self.predict(x)
        u = math.hypot(y.u, line.u) / abs(slope)
        parts = (Component("reading", y.u, y.dof), Component("line", line.u, line.dof))
        return Estimate(x, u, effective_dof(parts))

    def inverse_of_readings(self, mean: float, readings: int) -> Estimate:
        """The x that belongs to the mean of ``readings`` readings of the line's own scatter.

        EURACHEM/CITAC QUAM, A5 (equation E3.3); equal weights only.
        """
        reading = Estimate(mean, self._scatter() / math.sqrt(readings), self.fit.dof)
        x = self.inverse(reading)
        # both u come from one residual scatter: its degrees of freedom are those of the fit
        return Estimate(x.value, x.u, self.fit.dof)

    def _scatter(self) -> float:
        if self.fit.dof == math.inf:
            raise FitError("the scatter of one reading is not known from a fit with given u")
        return self.fit.residual_sd


def straight_line(
    x: ArrayLike, y: ArrayLike, u: ArrayLike | None = None, at: float = 0.0
) -> StraightLine:
    """Fit y = intercept + slope (x - at); ``u`` as in `linear_fit`."""
    x = np.asarray(x, dtype=np.float64) - at
    return StraightLine(linear_fit(np.column_stack([np.ones_like(x), x]), y, u), at)


# --- nonlinear ------------------------------------------------------------------------------


def nonlinear_fit(
    model: Callable[[Floats], ArrayLike],
    observed: ArrayLike,
    start: Sequence[float],
    u: ArrayLike | None = None,
    bounds: tuple[Sequence[float], Sequence[float]] | None = None,
    jacobian: Callable[[Floats], ArrayLike] | None = None,
) -> Fit:
    """Fit ``observed = model(parameters)`` by least squares.

    model     parameters of shape (p,) to fitted values of shape (n,)
    start     where to begin, shape (p,); the minimum found is the one this valley leads to
    u         known standard uncertainties of the observations, as in `linear_fit`
    bounds    lowest and highest parameters; None: free
    jacobian  parameters to d fitted / d parameter, shape (n, p); None: by central differences

    The covariance is that of the model linearised at its minimum. It is too small for a model
    that bends much within a parameter's own uncertainty.

    Raises FitError where no minimum was reached, where a parameter ended on its bound (no
    covariance holds there), and where parameters cannot be told apart.
    """
    from scipy.optimize import least_squares  # noqa: PLC0415  measured: 0.4 s to import

    observed = np.asarray(observed, dtype=np.float64)
    weight = _checked_weight(observed, u, len(start))

    def weighted_residuals(parameters: Floats) -> Floats:
        # a trial step far off may overflow; the optimiser is told so by a huge, finite misfit
        with np.errstate(over="ignore", invalid="ignore"):
            misfit: Floats = (np.asarray(model(parameters), np.float64) - observed) * weight
        misfit[~(np.abs(misfit) < _FAR_OFF)] = _FAR_OFF
        return misfit

    def weighted_jacobian(parameters: Floats) -> Floats:
        assert jacobian is not None
        return np.asarray(jacobian(parameters), dtype=np.float64) * weight[:, np.newaxis]

    # a relative step: the optimiser's own is relative to 1 for parameters below 1 (1e-4 farad)
    step = float(np.cbrt(np.finfo(np.float64).eps))
    try:
        found = least_squares(
            weighted_residuals,
            np.asarray(start, dtype=np.float64),
            jac="3-point" if jacobian is None else weighted_jacobian,
            method="trf",  # from far starts it arrives where Levenberg-Marquardt does not (BoxBOD)
            bounds=(-np.inf, np.inf) if bounds is None else bounds,
            max_nfev=2000 * (len(start) + 1),
            ftol=1e-14,
            xtol=1e-14,
            gtol=1e-14,
            x_scale="jac",
            diff_step=step,
        )
    except (ValueError, np.linalg.LinAlgError) as error:
        raise FitError(f"the fit could not be made: {error}") from error
    if not found.success:
        raise FitError(f"no minimum was reached: {found.message}")
    if np.any(found.active_mask):
        raise FitError("a parameter ended on its bound")
    length = np.linalg.norm(found.jac, axis=0)
    if not np.all(length > 0.0):
        raise FitError("a parameter has no effect on any observation")
    _, singular, v = np.linalg.svd(found.jac / length, full_matrices=False)
    # derivatives by differences are good to some ten digits; below that a column is noise
    if singular[-1] < 1e-9 * singular[0]:
        raise FitError("the observations cannot tell two parameters apart")
    half = v.T / singular / length[:, np.newaxis]
    residuals = -found.fun / weight
    return _fit(np.asarray(found.x), half @ half.T, residuals, weight, u is not None)
