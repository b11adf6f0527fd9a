"""Student's t, chi-square, F and incomplete beta against scipy (cephes and boost underneath)."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import betainc, chdtr, chdtri, fdtrc, stdtrit

from breakerbench.measure.distributions import (
    MANY_DOF_CHI2,
    chi2_below,
    chi2_quantile,
    f_above,
    incomplete_beta,
    t_factor,
)
from breakerbench.measure.uncertainty import COVERAGE

dofs = st.floats(-0.3, 7.0).map(lambda power: 10.0**power)


@given(dofs)
def test_t_factor(dof: float) -> None:
    expected = float(stdtrit(dof, 0.5 * (1.0 + COVERAGE)))
    assert t_factor(dof, COVERAGE, 2.0) == pytest.approx(expected, rel=2e-9)


def test_t_factor_of_infinitely_many() -> None:
    assert t_factor(math.inf, COVERAGE, 2.0) == 2.0


@given(dofs, st.floats(1e-3, 0.999))
def test_chi2(dof: float, probability: float) -> None:
    x = float(chdtri(dof, 1.0 - probability))
    many = dof > MANY_DOF_CHI2
    below = float(chdtr(dof, x))
    assert chi2_below(dof, x) == pytest.approx(below, abs=2e-5 if many else 1e-11)
    assert chi2_quantile(dof, probability) == pytest.approx(x, rel=2e-5 if many else 1e-10)


@pytest.mark.parametrize("x", [0.0, -1.0])
def test_nothing_lies_below_zero(x: float) -> None:
    assert chi2_below(3.0, x) == 0.0


@pytest.mark.parametrize("dof", [0.5, 3.0, 500.0, 1e5])
def test_all_lies_below_much(dof: float) -> None:
    assert chi2_below(dof, 1e6 * dof) == pytest.approx(1.0, abs=1e-12)


@given(st.floats(0.1, 300.0), st.floats(0.1, 300.0), st.floats(0.0, 1.0))
def test_incomplete_beta(a: float, b: float, x: float) -> None:
    assert incomplete_beta(a, b, x, 1.0 - x) == pytest.approx(float(betainc(a, b, x)), abs=1e-11)


@given(st.floats(0.3, 3000.0), st.floats(0.3, 3000.0), st.floats(0.01, 50.0))
def test_f(dof: float, other: float, ratio: float) -> None:
    expected = float(fdtrc(dof, other, ratio))
    assert f_above(dof, other, ratio) == pytest.approx(expected, rel=1e-8, abs=1e-12)
