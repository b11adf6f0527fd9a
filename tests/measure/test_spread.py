"""Standard deviations: the true one lies within the stated U in 95.45 % of cases."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from breakerbench.measure.spread import (
    pooled_from_moments,
    pooled_standard_deviation,
    standard_deviation,
    symmetric_sd_factor,
    without_noise,
)
from breakerbench.measure.uncertainty import COVERAGE

#: Four standard deviations of a share found in 20,000 cases.
SLACK = 4.0 * math.sqrt(COVERAGE * (1.0 - COVERAGE) / 20000)


@pytest.mark.parametrize("dof", [2, 5, 10, 40, 400])
def test_coverage(dof: int) -> None:
    """Drawn from normal values, so that nothing of the chi-square in the code is used here."""
    rng = np.random.default_rng(dof)
    s = np.concatenate(
        [rng.normal(0.0, 0.5, (2000, dof + 1)).std(axis=1, ddof=1) for _ in range(10)]
    )
    factor = symmetric_sd_factor(dof)
    assert np.mean(np.abs(s - 0.5) <= factor * s) == pytest.approx(COVERAGE, abs=SLACK)
    one = standard_deviation(1.0, dof)
    assert np.mean((s * one.low <= 0.5) & (s * one.high >= 0.5)) == pytest.approx(
        COVERAGE, abs=SLACK
    )


@given(st.floats(1.0, 1e7))
def test_u_tends_to_twice_the_usual_approximation(dof: float) -> None:
    found = standard_deviation(2.0, dof)
    assert found.u == 2.0 / math.sqrt(2.0 * dof)
    ratio = found.U / (2.0 * found.u)
    assert 1.0 - 1e-9 <= ratio <= 1.0 + 20.0 / dof
    assert found.low < 2.0 < found.high


def test_known_without_end() -> None:
    found = standard_deviation(2.0, math.inf)
    assert (found.U, found.low, found.high) == (0.0, 2.0, 2.0)


@pytest.mark.parametrize("s", [-1.0, math.nan, math.inf])
def test_bad_deviation(s: float) -> None:
    with pytest.raises(ValueError, match="finite"):
        standard_deviation(s, 5.0)


@pytest.mark.parametrize("dof", [0.0, math.nan, 1e-3])
def test_too_few_degrees_of_freedom(dof: float) -> None:
    with pytest.raises(ValueError, match="degrees of freedom"):
        standard_deviation(1.0, dof)


def test_pooled_leaves_out_single_values() -> None:
    """Groups far apart do not count; neither does a group of one or none."""
    groups = [[1.0, 1.2, 0.8], [101.0, 101.2], [7.0], []]
    pooled = pooled_standard_deviation(groups)
    assert pooled.dof == 3
    assert pooled.value == pytest.approx(math.sqrt((0.08 + 0.02) / 3.0))
    from_moments = pooled_from_moments([3, 2, 1, 0], [0.08, 0.02, 0.0, 0.0])
    assert from_moments.value == pytest.approx(pooled.value)


def test_pooled_needs_two_values_somewhere() -> None:
    with pytest.raises(ValueError, match="two observations"):
        pooled_standard_deviation([[1.0], []])


@pytest.mark.parametrize(("sigma", "noise"), [(0.3, 0.05), (0.3, 0.3), (0.1, 0.3), (0.0, 0.3)])
def test_coverage_with_noise_taken_off(sigma: float, noise: float) -> None:
    """At least 95.45 % less the slack, also where noise is most of what is seen."""
    rng = np.random.default_rng(7)
    dof = 60
    seen = math.hypot(sigma, noise) * np.sqrt(rng.chisquare(dof, 2000) / dof)
    held = 0
    for s in seen:
        rest, expanded = without_noise(standard_deviation(float(s), dof), noise)
        held += abs(rest - sigma) <= expanded
    assert held / len(seen) >= COVERAGE - 4.0 * math.sqrt(COVERAGE * (1.0 - COVERAGE) / len(seen))


def test_doubt_about_the_noise_widens() -> None:
    s = standard_deviation(0.5, 200)
    sigma, sure = without_noise(s, 0.3)
    assert sigma == pytest.approx(0.4)
    assert without_noise(s, 0.3, 0.05)[1] > sure
    # where all seen is noise, U reaches as far as a noise that is 2 u_noise smaller leaves room
    sigma, expanded = without_noise(standard_deviation(0.3, math.inf), 0.3, 0.05)
    assert (sigma, expanded) == pytest.approx((0.0, math.sqrt(0.3**2 - 0.2**2)))
    assert without_noise(s, 0.0) == (0.5, pytest.approx(s.U))
