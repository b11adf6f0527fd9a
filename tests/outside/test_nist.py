"""NIST/ITL Statistical Reference Datasets through our fits and our pooled standard deviation.

The data are public domain; each file in ``data`` says where it was read and whether its certified
values are V (read), C (recomputed with 30 digits) or M (from memory).
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import curve_fit

from breakerbench.measure.fit import linear_fit, nonlinear_fit, straight_line
from breakerbench.measure.spread import pooled_standard_deviation
from outside.nist import analysis_of_variance, certified


def test_scatter_is_the_certified_within_group_deviation() -> None:
    """SiRstv, analysis of variance (V): its residual deviation is how we define scatter."""
    groups, residual_sd = analysis_of_variance("sirstv_anova")
    assert [len(group) for group in groups] == [5] * 5
    pooled = pooled_standard_deviation(groups)
    assert pooled.value == pytest.approx(residual_sd, rel=1e-12)
    assert pooled.dof == 20


def test_straight_line_norris() -> None:
    """Norris (V), least squares of lower difficulty; also numpy's own line."""
    file = certified("norris")
    y, x = file.observations.T
    line = straight_line(x, y)
    assert line.fit.parameters == pytest.approx(file.parameters, rel=1e-12)
    assert line.fit.u == pytest.approx(file.sd, rel=1e-12)
    assert line.fit.residual_sd == pytest.approx(file.residual_sd, rel=1e-12)
    assert line.slope.dof == len(x) - 2
    assert line.fit.parameters[::-1] == pytest.approx(np.polyfit(x, y, 1), rel=1e-11)


def test_parabola_pontius() -> None:
    """Pontius, calibration of a load cell (C): columns of sizes 1, 1e6 and 1e13."""
    file = certified("pontius")
    y, x = file.observations.T
    fit = linear_fit(np.column_stack([np.ones_like(x), x, x**2]), y)
    assert fit.parameters == pytest.approx(file.parameters, rel=1e-11)
    assert fit.u == pytest.approx(file.sd, rel=1e-11)
    assert fit.residual_sd == pytest.approx(file.residual_sd, rel=1e-11)


def test_longley() -> None:
    """Longley, of higher difficulty (certified values M, recomputed C)."""
    file = certified("longley")
    y = file.observations[:, 0]
    fit = linear_fit(np.column_stack([np.ones_like(y), file.observations[:, 1:]]), y)
    assert fit.parameters == pytest.approx(file.parameters, rel=1e-9)
    assert fit.u == pytest.approx(file.sd, rel=1e-9)
    assert fit.residual_sd == pytest.approx(file.residual_sd, rel=1e-10)


def _misra1a(x, b):
    return b[0] * (1.0 - np.exp(-b[1] * x))


def _misra1b(x, b):
    return b[0] * (1.0 - (1.0 + b[1] * x / 2.0) ** -2)


def _mgh17(x, b):
    return b[0] + b[1] * np.exp(-x * b[3]) + b[2] * np.exp(-x * b[4])


def _lanczos3(x, b):
    return b[0] * np.exp(-b[1] * x) + b[2] * np.exp(-b[3] * x) + b[4] * np.exp(-b[5] * x)


def _enso(x, b):
    turn = 2.0 * np.pi * x
    return (
        b[0]
        + b[1] * np.cos(turn / 12.0)
        + b[2] * np.sin(turn / 12.0)
        + b[4] * np.cos(turn / b[3])
        + b[5] * np.sin(turn / b[3])
        + b[7] * np.cos(turn / b[6])
        + b[8] * np.sin(turn / b[6])
    )


MODELS = {
    "misra1a": _misra1a,  # the form of a coil's current and of a condenser's charge
    "boxbod": _misra1a,
    "misra1b": _misra1b,
    "mgh17": _mgh17,
    "lanczos3": _lanczos3,
    "enso": _enso,
}


@pytest.mark.parametrize("start", [0, 1], ids=["far start", "near start"])
@pytest.mark.parametrize("name", MODELS)
def test_nonlinear(name: str, start: int) -> None:
    """Certified values V, from both starting points that NIST gives."""
    file = certified(name)
    y, x = file.observations.T
    fit = nonlinear_fit(lambda b: MODELS[name](x, b), y, file.starts[start])
    # held to a hundred thousandth of each parameter's own uncertainty
    assert np.all(np.abs(fit.parameters - file.parameters) < 1e-5 * file.sd)
    assert fit.u == pytest.approx(file.sd, rel=1e-5)
    assert fit.residual_sd == pytest.approx(file.residual_sd, rel=1e-8)
    assert fit.dof == len(x) - len(file.parameters)


def test_nonlinear_with_known_uncertainties_as_scipy() -> None:
    """Weighted, against SciPy's curve_fit (MINPACK's Levenberg-Marquardt, another algorithm)."""
    file = certified("misra1a")
    y, x = file.observations.T
    u = 0.05 + 0.002 * y
    fit = nonlinear_fit(lambda b: _misra1a(x, b), y, file.starts[1], u=u)
    theirs, covariance = curve_fit(
        lambda x, *b: _misra1a(x, b), x, y, p0=file.starts[1], sigma=u, absolute_sigma=True
    )
    assert fit.parameters == pytest.approx(theirs, rel=1e-6)
    # their Jacobian is by one-sided differences; a few digits are all it has
    assert fit.covariance == pytest.approx(covariance, rel=1e-3)
    assert fit.dof == np.inf
