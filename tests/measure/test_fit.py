"""Fits alone: exact data, coverage of what they state, and data that determine nothing.

Certified data sets are in tests/outside.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from breakerbench.measure.fit import FitError, linear_fit, nonlinear_fit, straight_line
from breakerbench.measure.uncertainty import COVERAGE, Estimate


@given(st.floats(-1e6, 1e6), st.floats(-1e3, 1e3), st.floats(-1e4, 1e4))
def test_exact_line(intercept: float, slope: float, at: float) -> None:
    x = np.linspace(0.0, 10.0, 7)
    line = straight_line(x, intercept + slope * (x - at), at=at)
    size = abs(intercept) + abs(slope * at) + abs(slope) * 10.0 + 1e-9
    assert line.predict(4.0).value == pytest.approx(intercept + slope * (4.0 - at), abs=1e-9 * size)
    assert line.slope.value == pytest.approx(slope, abs=1e-8 * size)


def test_coverage_of_line_and_reading_back() -> None:
    """The line, and an x read back, lie within their U in 95.45 % of 4,000 noisy lines."""
    rng = np.random.default_rng(3)
    x = np.linspace(1.0, 9.0, 8)
    held = np.zeros(2)
    for _ in range(4000):
        line = straight_line(x, 2.0 + 3.0 * x + rng.normal(0.0, 0.1, 8))
        reading = 2.0 + 3.0 * 7.5 + rng.normal(0.0, 0.1, 3)
        back = line.inverse_of_readings(float(np.mean(reading)), 3)
        held += [
            abs(line.predict(7.5).value - 24.5) <= line.predict(7.5).U,
            abs(back.value - 7.5) <= back.U,
        ]
    assert held / 4000 == pytest.approx(COVERAGE, abs=4.0 * math.sqrt(COVERAGE * 0.0455 / 4000))


def test_known_uncertainty_is_not_scaled() -> None:
    """Twice the stated u is twice the u of the parameters, whatever the scatter."""
    x, y = np.arange(4.0), np.array([0.0, 1.1, 1.9, 3.0])
    one, two = straight_line(x, y, 0.1), straight_line(x, y, 0.2)
    assert two.slope.u == pytest.approx(2.0 * one.slope.u)
    assert one.slope.dof == math.inf
    with pytest.raises(FitError, match="scatter"):
        one.predict_observation(2.0)


def test_two_points_with_known_uncertainty() -> None:
    line = straight_line([0.0, 1.0], [0.0, 2.0], 0.1)
    assert line.slope.u == pytest.approx(0.1 * math.sqrt(2.0))
    assert math.isnan(line.fit.residual_sd)


BAD = {
    "too few": (np.ones((1, 2)), [1.0], None, "need 3 observations"),
    "no scatter left": (np.eye(2), [1.0, 2.0], None, "need 3 observations"),
    "shape": (np.ones((3, 1)), [1.0, 2.0], None, "one row an observation"),
    "not finite": (np.ones((3, 1)), [1.0, math.nan, 2.0], None, "not finite"),
    "design not finite": (np.full((3, 1), math.inf), [1.0, 1.5, 2.0], None, "not finite"),
    "columns alike": (np.ones((4, 2)), [1.0, 2.0, 3.0, 4.0], None, "tell two parameters apart"),
    "column of nothing": (np.zeros((3, 1)), [1.0, 2.0, 3.0], None, "no effect"),
    "u of 0": (np.ones((3, 1)), [1.0, 2.0, 3.0], [0.1, 0.0, 0.1], "above 0"),
}


@pytest.mark.parametrize("case", BAD)
def test_what_determines_nothing_is_refused(case: str) -> None:
    design, observed, u, message = BAD[case]
    with pytest.raises(FitError, match=message):
        linear_fit(design, observed, u)


def test_a_flat_line_cannot_be_read_back() -> None:
    line = straight_line(np.arange(6.0), [1.0, 1.1, 0.9, 1.0, 1.1, 0.9])
    with pytest.raises(FitError, match="slope"):
        line.inverse(Estimate(1.0, 0.1, math.inf))


def _charge(t: np.ndarray, b: np.ndarray) -> np.ndarray:
    return b[0] * (1.0 - np.exp(-t / b[1]))


def test_nonlinear_coverage() -> None:
    """A charging curve in ordinary units, time constant 4 ms: its U holds the truth."""
    rng = np.random.default_rng(5)
    t = np.linspace(0.0, 0.02, 40)
    truth = np.array([12.0, 4e-3])
    held = 0
    for _ in range(400):
        seen = _charge(t, truth) + rng.normal(0.0, 0.05, t.size)
        found = nonlinear_fit(lambda b: _charge(t, b), seen, [10.0, 1e-3]).estimate(1)
        held += abs(found.value - truth[1]) <= found.U
    assert held / 400 == pytest.approx(COVERAGE, abs=4.0 * math.sqrt(COVERAGE * 0.0455 / 400))


def test_nonlinear_with_its_own_derivatives() -> None:
    t = np.linspace(0.0, 0.02, 40)
    seen = _charge(t, np.array([12.0, 4e-3])) + 0.01 * np.sin(40.0 * np.arange(40))

    def derivatives(b: np.ndarray) -> np.ndarray:
        fall = np.exp(-t / b[1])
        return np.column_stack([1.0 - fall, -b[0] * fall * t / b[1] ** 2])

    by_hand = nonlinear_fit(lambda b: _charge(t, b), seen, [10.0, 1e-3], jacobian=derivatives)
    by_steps = nonlinear_fit(lambda b: _charge(t, b), seen, [10.0, 1e-3])
    assert by_hand.parameters == pytest.approx(by_steps.parameters, rel=1e-7)
    assert by_hand.u == pytest.approx(by_steps.u, rel=1e-6)


def test_nonlinear_refusals() -> None:
    t = np.linspace(0.0, 1.0, 10)
    with pytest.raises(FitError, match="tell two parameters apart"):
        nonlinear_fit(lambda b: (b[0] + b[1]) * t, 2.0 * t + 0.01 * np.cos(9.0 * t), [1.0, 0.5])
    with pytest.raises(FitError, match="bound"):
        nonlinear_fit(lambda b: b[0] * t, -t, [1.0], bounds=([0.0], [5.0]))
    with pytest.raises(FitError, match="could not be made"):
        nonlinear_fit(lambda b: b[0] * t, t, [9.0], bounds=([0.0], [5.0]))
    with pytest.raises(FitError, match="need 2"):
        nonlinear_fit(lambda b: b[0] * t[:1], t[:1], [1.0])
    with pytest.raises(FitError, match="no effect"):
        nonlinear_fit(lambda b: b[0] * t + 0.0 * b[1], t + 0.01 * t**2, [1.0, 1.0])
