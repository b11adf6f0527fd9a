"""Budgets, coverage and rounding alone; published examples are in tests/outside."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from breakerbench.measure.uncertainty import (
    COVERAGE,
    Budget,
    Component,
    coverage_factor,
    effective_dof,
    mean_from_moments,
    propagate,
    resolution,
    round_for_print,
    type_a_mean,
    welch_satterthwaite,
)


def test_coverage_factor_of_an_array() -> None:
    dof = np.array([[1.0, 16.0], [16.75, np.inf]])
    k = coverage_factor(dof)
    assert k.shape == dof.shape
    one_by_one = [[coverage_factor(float(each)) for each in row] for row in dof]
    assert k == pytest.approx(np.array(one_by_one), rel=1e-6)


@pytest.mark.parametrize("dof", [0.0, -1.0, math.nan])
def test_no_coverage_without_degrees_of_freedom(dof: float) -> None:
    with pytest.raises(ValueError, match="above 0"):
        coverage_factor(dof)
    with pytest.raises(ValueError, match="above 0"):
        coverage_factor(np.array([5.0, dof]))


def test_coverage_of_means_of_few_values() -> None:
    """Means of 3, 5 and 20 normal values hold the truth in 95.45 % of 20,000 cases each."""
    rng = np.random.default_rng(20)
    for count in (3, 5, 20):
        values = rng.normal(1.0, 0.3, (20000, count))
        u = values.std(axis=1, ddof=1) / math.sqrt(count)
        held = np.mean(np.abs(values.mean(axis=1) - 1.0) <= coverage_factor(count - 1.0) * u)
        assert held == pytest.approx(COVERAGE, abs=4.0 * math.sqrt(COVERAGE * 0.0455 / 20000))


def test_welch_satterthwaite_over_columns() -> None:
    u = np.array([[1.0, 0.0, 3e-90], [1.0, 0.0, 0.0]])
    dof = np.array([[4.0], [4.0]])
    assert welch_satterthwaite(u, dof) == pytest.approx([8.0, math.inf, 4.0])


@given(
    st.lists(
        st.tuples(st.floats(0.0, 1e6), st.one_of(st.floats(1.0, 1e6), st.just(math.inf))),
        min_size=1,
        max_size=8,
    )
)
def test_effective_dof_lies_between(parts: list[tuple[float, float]]) -> None:
    """At least the smallest that counts, at most the sum of all (GUM G.4.1 note 2)."""
    components = [Component("x", u, dof) for u, dof in parts]
    dof = effective_dof(components)
    counting = [each.dof for each in components if each.u > 0.0]
    if not counting:
        assert dof == math.inf
    else:
        assert min(counting) * (1.0 - 1e-9) <= dof <= sum(counting) * (1.0 + 1e-9)


def test_correlation_moves_u_between_difference_and_sum() -> None:
    parts = (Component("a", 3.0, 7.0), Component("b", 4.0, 9.0))

    def u(r: float) -> float:
        return Budget(0.0, "V", parts, ((1.0, r), (r, 1.0))).u_c

    assert (u(1.0), u(0.0), u(-1.0)) == pytest.approx((7.0, 5.0, 1.0))
    assert Budget(0.0, "V", parts, ((1.0, 0.3), (0.3, 1.0))).dof == 7.0


@pytest.mark.parametrize(
    "matrix",
    [
        ((1.0,),),
        ((1.0, 0.5), (0.4, 1.0)),
        ((0.9, 0.0), (0.0, 1.0)),
        ((1.0, 1.2), (1.2, 1.0)),
    ],
    ids=["too small", "lopsided", "no diagonal of 1", "beyond 1"],
)
def test_bad_correlation(matrix: tuple[tuple[float, ...], ...]) -> None:
    with pytest.raises(ValueError, match="correlation"):
        Budget(0.0, "V", (Component("a", 1.0), Component("b", 1.0)), matrix)


@pytest.mark.parametrize(
    "bad", [{"u": -1.0}, {"u": math.nan}, {"dof": 0.0}, {"sensitivity": math.inf}]
)
def test_bad_component(bad: dict[str, float]) -> None:
    with pytest.raises(ValueError, match="gap"):
        Component(**{"name": "gap", "u": 1.0, **bad})


def test_rows_read_as_the_budget() -> None:
    budget = Budget(52.0, "deg", (Component("sampling", 0.3), Component("noise", 0.2, 9.0, -2.0)))
    rows = budget.rows()
    assert [row.name for row in rows] == ["sampling", "noise"]
    assert [row.contribution for row in rows] == pytest.approx([0.3, 0.4])
    assert [row.share for row in rows] == pytest.approx([0.36, 0.64])
    assert budget.u_c == pytest.approx(0.5)
    assert budget.dof == pytest.approx(9.0 * (0.5 / 0.4) ** 4)
    assert coverage_factor(budget.dof) * 0.5 == pytest.approx(budget.U)


def test_an_empty_budget_is_certain() -> None:
    budget = Budget(1.0, "V", ())
    assert (budget.u_c, budget.dof, budget.U) == (0.0, math.inf, 0.0)


def test_propagate_leaves_out_what_is_certain() -> None:
    budget = propagate(
        lambda a, b: a / b, [6.0, 2.0], [Component("a", 0.0), Component("b", 0.1)], ""
    )
    assert [row.contribution for row in budget.rows()] == pytest.approx([0.0, 0.15], rel=0.01)
    with pytest.raises(ValueError, match="one component"):
        propagate(lambda a: a, [1.0, 2.0], [Component("a", 0.1)], "")


@pytest.mark.parametrize("values", [[], [1.0]])
def test_one_value_tells_nothing_of_its_scatter(values: list[float]) -> None:
    with pytest.raises(ValueError, match="two observations"):
        type_a_mean(values)
    with pytest.raises(ValueError, match="two observations"):
        mean_from_moments(len(values), 1.0, 0.0)


def test_moments_as_values() -> None:
    values = np.array([1.0, 2.0, 4.0])
    from_moments = mean_from_moments(3, 7.0 / 3.0, float(np.sum((values - 7.0 / 3.0) ** 2)))
    assert from_moments == type_a_mean(values)


def test_resolution_is_a_rectangle_of_half_a_step() -> None:
    values = np.linspace(-0.5, 0.5, 100001)
    assert resolution(1.0) == pytest.approx(float(np.std(values)), rel=1e-4)


@pytest.mark.parametrize(
    ("value", "expanded", "printed"),
    [
        (52.3456, 0.0996, ("52.35", "0.10")),
        (52.3456, 0.996, ("52.3", "1.0")),  # 100 hundredths are 10 tenths: two figures again
        (-0.004, 0.11, ("0.00", "0.11")),
        (-123.4, 99.7, ("-120", "100")),
        (1234.0, 1234.0, ("1200", "1300")),
        (2.2e-7, 1.3e-9, ("0.0000002200", "0.0000000013")),
        (12.5, 0.0, ("12.5", "0")),
        (1.0, 10.05, ("1", "10")),  # half a percent less is common sense
    ],
)
def test_rounding(value: float, expanded: float, printed: tuple[str, str]) -> None:
    assert round_for_print(value, expanded) == printed


@given(st.floats(-1e9, 1e9), st.floats(1e-9, 1e9))
def test_rounding_loses_little(value: float, expanded: float) -> None:
    """U never shrinks by more than 2 % nor grows past one step; the value moves half a step."""
    shown_value, shown = round_for_print(value, expanded)
    assert 0.98 * expanded * (1.0 - 1e-12) <= float(shown) <= 1.101 * expanded
    digits = shown.strip("0.").replace(".", "")
    assert len(digits) <= 2
    assert abs(float(shown_value) - value) <= 0.0501 * float(shown) * 1.0001 + 1e-9 * abs(value)


@pytest.mark.parametrize("pair", [(math.nan, 1.0), (1.0, math.inf), (1.0, -1.0)])
def test_nothing_odd_is_printed(pair: tuple[float, float]) -> None:
    with pytest.raises(ValueError, match="cannot print"):
        round_for_print(*pair)
