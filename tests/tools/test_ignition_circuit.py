"""The closed forms of the coil's circuit against a numeric solution of its equations."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from breakerbench.tools.ignition_circuit import (
    current_a,
    energy_j,
    mean_a,
    period_s,
    rms_a,
    secondary_v,
    winding_20c_ohm,
    winding_ohm,
)

VOLTS, OHMS, HENRIES = st.floats(4, 30), st.floats(0.3, 12), st.floats(5e-4, 0.05)
SECONDS = st.floats(1e-5, 0.2)


@pytest.mark.parametrize(
    ("volts", "ohm", "henry", "closed"),
    [(12, 3.0, 8e-3, 3e-3), (12, 1.5, 3e-3, 0.03), (6, 1.8, 12e-3, 8e-4), (14, 4.0, 6e-3, 2e-5)],
)
def test_against_a_numeric_solution(volts: float, ohm: float, henry: float, closed: float) -> None:
    """L di/dt = V - R i from rest, its integral and that of its square (scipy's solve_ivp)."""

    def slopes(_: float, state: np.ndarray) -> list[float]:
        i = state[0]
        return [(volts - ohm * i) / henry, i, i * i]

    solved = solve_ivp(slopes, (0.0, closed), [0.0, 0.0, 0.0], rtol=1e-10, atol=1e-14)
    i, charge, square = solved.y[:, -1]
    every = 1.7 * closed
    told = (volts, ohm, henry, closed)
    assert current_a(*told) == pytest.approx(i, rel=1e-7)
    assert mean_a(*told, every) == pytest.approx(charge / every, rel=1e-7)
    assert rms_a(*told, every) == pytest.approx(math.sqrt(square / every), rel=1e-7)


@given(VOLTS, OHMS, HENRIES, st.floats(1e-7, 2.0))
def test_means_of_a_very_short_and_a_very_long_dwell(
    volts: float, ohm: float, henry: float, share: float
) -> None:
    """Neither cancels: a short dwell is a ramp, a long one the settled current."""
    tau = henry / ohm
    short, long = share * 1e-5 * tau, 1e6 * tau
    ramp = volts / henry * short
    assert mean_a(volts, ohm, henry, short, short) == pytest.approx(ramp / 2, rel=1e-4)
    assert rms_a(volts, ohm, henry, short, short) == pytest.approx(ramp / 3**0.5, rel=1e-4)
    settled = volts / ohm
    for mean in (mean_a, rms_a):
        assert mean(volts, ohm, henry, long, long) == pytest.approx(settled, rel=1e-5)


def test_the_root_mean_square_has_no_step_where_its_form_changes() -> None:
    tau, x = 2e-3, np.array([0.9999999e-3, 1.0000001e-3])
    low, high = rms_a(12.0, 3.0, 6e-3, x * tau, 1.0)
    assert low == pytest.approx(high, rel=1e-6)
    assert low < high


@given(VOLTS, OHMS, HENRIES, SECONDS, st.floats(1.001, 3.0))
def test_more_ohms_more_henries_and_less_time_give_no_more_current(
    volts: float, ohm: float, henry: float, closed: float, more: float
) -> None:
    now = current_a(volts, ohm, henry, closed)
    assert now <= volts / ohm
    slack = 1.0 + 1e-12
    for other in (
        current_a(volts, ohm * more, henry, closed),
        current_a(volts, ohm, henry * more, closed),
        current_a(volts, ohm, henry, closed / more),
        current_a(volts / more, ohm, henry, closed),
    ):
        assert other <= now * slack
    assert current_a(volts, ohm * more, henry, closed) < now
    every = 2.0 * closed
    mean, rms = (each(volts, ohm, henry, closed, every) for each in (mean_a, rms_a))
    assert mean <= rms * slack  # of any current
    assert rms <= now * slack


@pytest.mark.parametrize("ratio", [60.0, 100.0])
def test_the_secondary_without_loss_against_a_numeric_ring(ratio: float) -> None:
    """Coil of 8 mH with 4 A, perfect coupling, condenser and secondary as one capacitance."""
    henry, condenser, secondary, start = 8e-3, 0.22e-6, 60e-12, 4.0
    farad = condenser + ratio**2 * secondary  # seen from the primary

    def slopes(_: float, state: np.ndarray) -> list[float]:
        i, v = state
        return [-v / henry, i / farad]

    quarter = 0.5 * math.pi * math.sqrt(henry * farad)
    solved = solve_ivp(
        slopes, (0.0, 1.5 * quarter), [start, 0.0], rtol=1e-10, max_step=quarter / 500
    )
    peak = ratio * solved.y[1].max()
    ours = secondary_v(energy_j(henry, start), condenser, secondary, ratio, 0.0)
    assert ours == pytest.approx(peak, rel=1e-5)
    lossy = secondary_v(energy_j(henry, start), condenser, secondary, ratio, 0.75)
    assert lossy == pytest.approx(0.5 * peak, rel=1e-5)


@given(st.floats(0.1, 50), st.floats(-40, 150))
def test_winding_there_and_back(ohm: float, celsius: float) -> None:
    assert winding_20c_ohm(winding_ohm(ohm, celsius), celsius) == pytest.approx(ohm)
    if abs(celsius - 20.0) > 1e-6:
        assert bool(winding_ohm(ohm, celsius) > ohm) is (celsius > 20.0)


def test_no_copper_below_its_zero() -> None:
    with pytest.raises(ValueError, match="copper"):
        winding_ohm(3.0, -240.0)


def test_arrays_broadcast() -> None:
    speeds, ohms = np.array([300.0, 600.0, 1200.0]), np.array([[1.5], [3.0]])
    every = period_s(speeds, 4)
    assert every == pytest.approx([0.05, 0.025, 0.0125])
    assert current_a(12.0, ohms, 6e-3, 0.6 * every).shape == (2, 3)
