"""Speed and angle of the drive against numerical integration."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from breakerbench.bench.drive import Drive, Ripple, plateaus, rolling_start, steady, wander

DRIVES = [
    steady(150.0, 3.0),
    plateaus((300.0, 900.0, 500.0), 1.0, 0.5),
    rolling_start(1200.0, 0.3, 1.0, 1.0),
    Drive(((0.0, 200.0), (2.0, 1500.0)), (Ripple(0.05, 3.0, 20.0), Ripple(0.02, 0.43, 250.0))),
    Drive(((0.0, 800.0), (2.0, 800.0)), wander(0.01, np.random.default_rng(1))),
]


@pytest.mark.parametrize("drive", DRIVES)
def test_angle_is_the_integral_of_the_speed(drive: Drive) -> None:
    knots = [time for time, _ in drive.points]

    def rates(time: float, state: np.ndarray) -> list[float]:
        # profile and ripple written down once more: smooth angle, shaft angle
        smooth = 6.0 * float(np.interp(time, *np.array(drive.points).T))
        share = 1.0 + sum(
            r.share * np.cos(np.radians(r.order * state[0] + r.phase_deg)) for r in drive.ripples
        )
        return [smooth, smooth * share]

    start = float(drive.angle_deg(np.array([0.0]))[0])
    state = np.array([drive.start_deg, start])
    for begin, end in pairwise(knots):
        solved = solve_ivp(rates, (begin, end), state, rtol=1e-9, atol=1e-9)
        state = solved.y[:, -1]
        assert drive.angle_deg(np.array([end]))[0] == pytest.approx(state[1], abs=1e-4)


@pytest.mark.parametrize("drive", DRIVES)
def test_time_and_angle_are_inverses(drive: Drive) -> None:
    times = np.linspace(0.0, drive.seconds, 1001)[1:-1]
    times = times[drive.speed_rpm(times) > 0.0]
    np.testing.assert_allclose(drive.time_s(drive.angle_deg(times)), times, atol=1e-10)


def test_outside_the_run_there_is_no_time() -> None:
    drive = steady(600.0, 1.0, start_deg=10.0)
    times = drive.time_s(np.array([9.9, 10.0, np.nan, 3610.0, 3610.1]))
    assert times[0] == -np.inf
    assert times[1] == 0.0
    assert np.isnan(times[2])
    assert times[3] == pytest.approx(1.0)
    assert times[4] == np.inf


@given(
    share=st.floats(0.0, 0.3),
    order=st.floats(0.05, 12.0),
    phase=st.floats(0.0, 360.0),
    speed=st.floats(30.0, 3000.0),
)
def test_ripple_never_turns_the_shaft_back(
    share: float, order: float, phase: float, speed: float
) -> None:
    drive = Drive(((0.0, speed), (1.0, speed)), (Ripple(share, order, phase),))
    times = np.linspace(0.0, 1.0, 501)
    angles = drive.angle_deg(times)
    assert np.all(np.diff(angles) > 0.0)
    np.testing.assert_allclose(drive.time_s(angles[1:-1]), times[1:-1], atol=1e-9)


@pytest.mark.parametrize(
    "points",
    [((0.0, 1.0),), ((1.0, 1.0), (2.0, 1.0)), ((0.0, 1.0), (0.0, 2.0)), ((0.0, 1.0), (1.0, -1.0))],
)
def test_an_impossible_profile_is_refused(points: tuple[tuple[float, float], ...]) -> None:
    with pytest.raises(ValueError, match=r"drive|speed"):
        Drive(points)


@pytest.mark.parametrize("ripple", [Ripple(1.0, 1.0), Ripple(0.1, 0.0)])
def test_an_impossible_ripple_is_refused(ripple: Ripple) -> None:
    with pytest.raises(ValueError, match="ripple"):
        Drive(((0.0, 100.0), (1.0, 100.0)), (ripple,))
