"""Exponentials by variable projection: recovered, weighed, widened; against SciPy."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import curve_fit

from breakerbench.measure.condenser_fit import charge, decay, joined, rate_fit, rates_for
from breakerbench.measure.fit import FitError


@given(
    st.floats(-50.0, 50.0),
    st.floats(0.5, 50.0),
    st.floats(np.log(3.0), np.log(200.0)),
    st.booleans(),
)
def test_a_curve_without_noise_is_found(a: float, b: float, log_tau: float, falls: bool) -> None:
    tau = float(np.exp(log_tau))
    x = np.arange(240.0)
    y = a + (b if falls else -b) * np.exp(-x / tau)
    fit = rate_fit(charge(x), y, rates_for(x))
    assert 1.0 / fit.parameters[-1] == pytest.approx(tau, rel=1e-6)
    assert fit.parameters[0] == pytest.approx(a, abs=1e-5 * b)


def test_as_scipy_says_covariance_and_all() -> None:
    rng = np.random.default_rng(1)
    x = np.arange(300.0)
    y = 12.0 - 12.0 * np.exp(-x / 55.0) + 0.04 * rng.standard_normal(300)
    fit = rate_fit(charge(x), y, rates_for(x))
    theirs, covariance = curve_fit(
        lambda x, a, b, k: a + b * np.exp(-k * x), x, y, p0=(11.0, -11.0, 0.01)
    )
    assert fit.parameters == pytest.approx(theirs, rel=1e-7)
    assert fit.covariance == pytest.approx(covariance, rel=1e-4)


def test_means_over_spans_have_the_same_rate() -> None:
    x = np.arange(1200.0)
    y = 5.0 - 5.0 * np.exp(-x / 100.0)
    for wide in (2, 10, 40):
        means = y.reshape(-1, wide).mean(axis=1)
        at = x.reshape(-1, wide).mean(axis=1)
        fit = rate_fit(charge(at), means, rates_for(at))
        assert 1.0 / fit.parameters[-1] == pytest.approx(100.0, rel=1e-9)


def test_the_lag_of_a_front_end_does_not_move_the_rate() -> None:
    lag, tau = 4.0, 30.0
    x = np.arange(1.0, 300.0)
    y = 12.0 * (1.0 - (tau * np.exp(-x / tau) - lag * np.exp(-x / lag)) / (tau - lag))
    plain = rate_fit(charge(x), y, rates_for(x))
    beside = rate_fit(charge(x, lag), y, rates_for(x))
    assert 1.0 / beside.parameters[-1] == pytest.approx(tau, rel=1e-6)
    assert abs(1.0 / plain.parameters[-1] / tau - 1.0) > 0.01


def test_residuals_that_go_together_widen_the_uncertainty() -> None:
    rng = np.random.default_rng(2)
    x = np.arange(240.0)
    clean = 10.0 * np.exp(-x / 80.0)
    noise = rng.standard_normal(240)
    slow = np.convolve(rng.standard_normal(260), np.ones(12) / np.sqrt(12.0), "valid")[:240]
    white = rate_fit(decay(x), clean + 0.01 * noise, rates_for(x))
    waves = rate_fit(decay(x), clean + 0.01 * slow, rates_for(x))
    assert waves.u[-1] > 2.0 * white.u[-1]


def test_too_few_values_and_no_curve() -> None:
    with pytest.raises(FitError):
        rate_fit(charge(np.arange(3.0)), np.array([1.0, 2.0, 3.0]), np.array([1.0]))
    x = np.arange(50.0)
    with pytest.raises(FitError):
        rate_fit(charge(x), np.zeros(50), rates_for(x))


def test_values_are_joined_by_their_weight_and_widened_by_their_spread() -> None:
    alike = joined(np.array([1.0, 1.1]), np.array([0.1, 0.2]), np.array([9.0, 9.0]))
    assert alike.estimate.value == pytest.approx((1.0 * 100 + 1.1 * 25) / 125)
    assert alike.estimate.u == pytest.approx(125**-0.5)
    assert alike.estimate.dof == 18.0
    apart = joined(np.array([1.0, 2.0, 3.0]), np.full(3, 0.1), np.full(3, 9.0))
    assert apart.estimate.u == pytest.approx(1.0 / np.sqrt(3.0))
    assert apart.estimate.dof == 2.0
    assert apart.spread == pytest.approx(1.0)
    one = joined(np.array([4.0]), np.array([0.3]), np.array([5.0]))
    assert (one.estimate.value, one.estimate.u, one.spread) == (4.0, pytest.approx(0.3), 0.0)
