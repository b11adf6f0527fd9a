"""Damped modes and rings: against closed forms, textbooks and SciPy; changes against a reference."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from breakerbench.measure.ring import TOO_STEEP, compare_rings, rise_of
from breakerbench.measure.ring_modes import (
    Mode,
    mode_of,
    poles_of_rings,
    rest_of_rings,
    seen_at_start,
    seen_through,
)
from breakerbench.measure.spark_openings import Window

from .modes import rates

RATE = 250e3
T = np.arange(600) / RATE * 1e3


@given(d=st.floats(0.05, 40.0), w2=st.floats(1.0, 3e4))
def test_shapes_are_the_two_solutions(d: float, w2: float) -> None:
    t = np.linspace(0.0, 1.0, 5)
    shapes = Mode(d, w2).shapes(t)
    for k, begin in enumerate(([1.0, -d], [0.0, 1.0])):
        out = solve_ivp(
            lambda _, y: [y[1], -2.0 * d * y[1] - w2 * y[0]],
            (0.0, 1.0), begin, t_eval=t, rtol=1e-9, atol=1e-11, method="DOP853",
        )  # fmt: skip
        assert shapes[:, k] == pytest.approx(out.y[0], abs=2e-6)


@given(d=st.floats(0.1, 30.0), hz=st.floats(1e3, 4e4), tau=st.floats(1e-3, 2e-2))
def test_seen_through_a_front_end(d: float, hz: float, tau: float) -> None:
    """y + tau y' = f, by finite differences of what is seen."""
    mode = mode_of(hz, d * 1e3)
    t = np.linspace(0.0, 0.2, 9)
    h = 1e-6
    seen = seen_through(mode, tau, t)
    slope = (seen_through(mode, tau, t + h) - seen_through(mode, tau, t - h)) / (2.0 * h)
    scale = 1.0 + np.abs(rates(mode)).max() * tau
    assert seen + tau * slope == pytest.approx(mode.shapes(t), abs=1e-5 * scale)
    seen_0, joint = seen_at_start(mode, tau)
    assert seen_0 == pytest.approx(seen[0])
    assert joint[0] == pytest.approx(mode.shapes(np.zeros(1))[0])
    assert joint[1] == pytest.approx(rates(mode) @ joint[0])
    assert joint[2] == pytest.approx(rates(mode) @ joint[1])


def test_textbook_circuits() -> None:
    """OpenStax University Physics 2: LC of 20 mH and 8.0 uF is 2500 rad/s; RLC of 10 mH, 1.5 uF and
    2.0 ohm is down to half after 6.9 ms."""
    lc = Mode(1e-9, 1.0 / (20e-3 * 8.0e-6) * 1e-6)
    assert lc.hz * 2.0 * math.pi == pytest.approx(2500.0, rel=1e-6)
    rlc = Mode(2.0 / (2.0 * 10e-3) * 1e-3, 1.0 / (10e-3 * 1.5e-6) * 1e-6)
    assert math.log(2.0) / rlc.d == pytest.approx(6.9, abs=0.05)
    assert rlc.decay == pytest.approx(math.exp(-rlc.d / rlc.hz * 1e3))


@pytest.mark.parametrize(("hz", "fall", "fast_hz", "fast_fall"), [
    (2300.0, 1400.0, 12500.0, 2800.0),
    (1650.0, 4500.0, 10300.0, 4500.0),
    (4500.0, 2600.0, 22000.0, 5900.0),
])  # fmt: skip
def test_poles_of_noisy_rings(hz: float, fall: float, fast_hz: float, fast_fall: float) -> None:
    rng = np.random.default_rng(5)
    slow, fast = mode_of(hz, fall), mode_of(fast_hz, fast_fall)
    rings = []
    for _ in range(12):
        a = rng.normal(0.0, 1.0, 2) * [20.0, 20.0 * slow.d + 60.0]
        b = rng.normal(0.0, 1.0, 2) * [8.0, 300.0]
        ring = slow.shapes(T) @ a + fast.shapes(T) @ b
        rings.append(ring + rng.normal(0.0, 0.1, len(T)))
    found = poles_of_rings(rings, RATE, 7000.0)
    assert found is not None
    assert found.slow.hz == pytest.approx(hz, rel=0.005)
    assert found.slow.d * 1e3 == pytest.approx(fall, rel=0.03)
    assert found.fast is not None
    assert found.fast.hz == pytest.approx(fast_hz, rel=0.02)
    assert found.noise == pytest.approx(0.1, rel=0.1)


def test_noise_alone_has_no_poles() -> None:
    rng = np.random.default_rng(6)
    assert poles_of_rings([rng.normal(0.0, 1.0, 600) for _ in range(20)], RATE, 7000.0) is None
    assert poles_of_rings([], RATE, 7000.0) is None
    assert poles_of_rings([np.ones(10)], RATE, 7000.0) is None


def test_level_that_rings_swing_about() -> None:
    rng = np.random.default_rng(7)
    slow = mode_of(1900.0, 900.0)
    rings = [
        3.4 + slow.shapes(T[:300]) @ (rng.normal(0.0, 1.0, 2) * [20.0, 240.0])
        + rng.normal(0.0, 0.1, 300)
        for _ in range(10)
    ]  # fmt: skip
    level = rest_of_rings(rings, RATE, 7000.0)
    assert level == pytest.approx(3.4, abs=0.2)
    still = rest_of_rings([rng.normal(0.0, 0.1, 300) for _ in range(10)], RATE, 7000.0)
    assert still is None or abs(still) < 0.05
    assert rest_of_rings([np.ones(20)], RATE, 7000.0) is None


def _result(hz: float | None, rise: float | None, amps: float | None) -> dict[str, object]:
    return {
        "condenser": {
            "ring_hz": hz, "u_ring_hz": None if hz is None else 10.0,
            "rise_v_per_s": rise, "u_rise_v_per_s": None if rise is None else 1e5,
        },
        "coil": {"current_a": amps, "u_current_a": 0.02},
    }  # fmt: skip


def test_change_against_a_reference() -> None:
    change = compare_rings(_result(2200.0, 12e6, 3.0), _result(2000.0, 10e6, 2.5))
    assert change["ring_change"] == pytest.approx(0.1)
    # sqrt((10/2200)^2 + (10/2000)^2) * 1.1
    assert change["u_ring_change"] == pytest.approx(1.1 * math.hypot(10 / 2200, 10 / 2000))
    # Four million volts a second an ampere both times.
    assert change["rise_change"] == pytest.approx(0.0, abs=1e-12)
    assert change["u_rise_change"] > 0.01


@pytest.mark.parametrize("then", [
    {}, {"condenser": None}, _result(None, None, None), {"condenser": {"ring_hz": True}},
])  # fmt: skip
def test_nothing_to_compare(then: dict[str, object]) -> None:
    assert set(compare_rings(_result(2200.0, 12e6, 3.0), then).values()) == {None}


def test_a_rise_without_its_current_is_not_compared() -> None:
    change = compare_rings(_result(2200.0, 12e6, None), _result(2000.0, 10e6, 2.5))
    assert change["rise_change"] is None
    assert change["ring_change"] is not None


def test_a_ring_that_has_turned_is_no_rise() -> None:
    """Found on a coil sampled too slowly: the mean slope came out negative, and its budget failed."""
    falling = -100.0 * np.arange(12.0)
    windows = [Window(falling, np.ones(12, bool), 0.5, 0.0) for _ in range(20)]
    assert rise_of(windows, 250e3, 0.0) == TOO_STEEP
