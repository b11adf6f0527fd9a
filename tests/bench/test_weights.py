"""Weights against closed forms, a root finder and a brute-force walk through time."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq

from breakerbench.bench.history import SLIP_S, history
from breakerbench.bench.weights import SprungWeights, Weights, weights_for

COMMON = weights_for(450.0, (900.0, 7.0), (1700.0, 12.0), 0.05)
Plan = tuple[tuple[float, float], ...]
LOOPS: Plan = (
    (0.0, 200.0),
    (1.0, 200.0),
    (6.0, 1100.0),
    (8.0, 800.0),
    (9.0, 820.0),
    (13.0, 1900.0),
    (20.0, 600.0),
    (21.0, 700.0),
    (24.0, 150.0),
)


def net_nm(w: SprungWeights, theta: float, rpm: float) -> float:
    """Torque of the weights less that of the springs, N m, written down once more in SI units."""
    omega = 2.0 * np.pi * rpm / 60.0
    radius_m = (w.radius_mm + w.growth_mm * theta) / 1000.0
    weights = w.mass_kg * omega**2 * radius_m * w.growth_mm / 1000.0
    drawn_m = w.lever_mm / 1000.0 * theta
    light = w.light_preload_n + 1000.0 * w.light_n_per_mm * drawn_m
    heavy = 1000.0 * w.heavy_n_per_mm * max(0.0, drawn_m - w.slack_mm / 1000.0)
    return weights - w.lever_mm / 1000.0 * (light + heavy)


def walk(w: SprungWeights, rpm: np.ndarray, steps: int = 24_000) -> np.ndarray:
    """Advance along a series of speeds, deg: moved by small steps while torque beats friction."""
    step = np.radians(w.stop_deg) / steps
    kinetic, held = w.friction_nmm / 1000.0, (w.friction_nmm + w.stiction_nmm) / 1000.0
    at, out = 0, []
    grid = step * np.arange(steps + 1)
    for speed in rpm:
        for way in (1, -1):
            if way * net_nm(w, grid[at], speed) > held:
                while 0 <= at + way <= steps and way * net_nm(w, grid[at], speed) > kinetic:
                    at += way
        out.append(grid[at])
    return np.degrees(out)


def test_speeds_that_were_asked_for_are_those_of_the_balance() -> None:
    w = replace(COMMON, friction_nmm=0.0)
    rpm = np.array([0.0, 300.0, 450.0, 900.0, 1700.0, 3000.0])
    found = w.settled_deg(np.zeros(6), rpm)
    assert found == pytest.approx([0.0, 0.0, 0.0, 7.0, 12.0, 12.0], abs=1e-9)
    # by hand: m omega^2 r growth = lever * preload at the start
    omega = 450.0 * 2.0 * np.pi / 60.0
    pull = w.mass_kg * omega**2 * w.radius_mm / 1000.0 * w.growth_mm
    assert pull == pytest.approx(w.lever_mm * w.light_preload_n)


def test_friction_moves_the_start_by_its_share_of_the_square_of_the_speed() -> None:
    rpm = np.arange(400.0, 520.0, 0.005)
    out = COMMON.settled_deg(np.array(0.0), rpm)
    assert rpm[out > 1e-5][0] == pytest.approx(450.0 * np.sqrt(1.05), abs=0.01)
    back = COMMON.settled_deg(np.array(12.0), rpm)
    assert rpm[back > 1e-5][0] == pytest.approx(450.0 * np.sqrt(0.95), abs=0.01)


springs = st.builds(
    SprungWeights,
    mass_kg=st.floats(0.02, 0.2),
    radius_mm=st.floats(8.0, 30.0),
    growth_mm=st.floats(2.0, 25.0),
    lever_mm=st.floats(6.0, 20.0),
    light_preload_n=st.just(0.0) | st.floats(0.2, 30.0),
    light_n_per_mm=st.just(0.0) | st.floats(0.2, 20.0),
    heavy_n_per_mm=st.just(0.0) | st.floats(1.0, 60.0),
    slack_mm=st.floats(0.0, 3.0),
    stop_deg=st.floats(2.0, 20.0),
    friction_nmm=st.just(0.0) | st.floats(0.1, 20.0),
)


@given(w=springs, rpm=st.floats(10.0, 4000.0), held=st.floats(0.0, 1.0))
def test_they_come_to_rest_where_a_root_finder_says(
    w: SprungWeights, rpm: float, held: float
) -> None:
    """First place on the way out or back at which friction holds them."""
    start, stop, friction = held * np.radians(w.stop_deg), np.radians(w.stop_deg), w.friction_nmm
    torque = net_nm(w, start, rpm)
    way = np.sign(torque) if abs(torque) > friction / 1000.0 else 0.0
    end = start if way == 0.0 else stop if way > 0.0 else 0.0

    def left(theta: float) -> float:
        return way * net_nm(w, theta, rpm) - friction / 1000.0

    bend = w.slack_mm / w.lever_mm
    corners = [start, *([bend] if min(start, end) < bend < max(start, end) else []), end]
    expected = end
    # the torque is a straight line between corners
    for near, far in pairwise(corners) if way else ():
        if left(far) <= 0.0:
            expected = brentq(left, near, far, xtol=1e-14)
            break
    found = float(w.settled_deg(np.array(np.degrees(start)), np.array(rpm)))
    assert found == pytest.approx(np.degrees(expected), abs=1e-5)


BROKEN = replace(COMMON, light_preload_n=0.0, light_n_per_mm=0.0, friction_nmm=9.0)
STICKING = replace(COMMON, stiction_nmm=40.0)
#: The pull outgrows the light spring: out at once as far as the heavy one.
SNAPPING = replace(COMMON, light_n_per_mm=0.1)


@pytest.mark.parametrize(
    ("w", "slips", "within_deg", "within_s"),
    [
        (COMMON, False, 0.01, 0.0),
        (replace(COMMON, friction_nmm=0.0), False, 0.01, 0.0),
        (BROKEN, True, 0.01, 0.01),
        (SNAPPING, True, 0.01, 0.01),
        # each slip begins where the one before came to rest: the walk's steps add up
        (STICKING, True, 0.07, 0.08),
    ],
)
def test_a_run_is_what_a_walk_through_time_finds(
    w: SprungWeights, slips: bool, within_deg: float, within_s: float
) -> None:
    made = history(w, LOOPS)
    assert (np.max(np.abs(made.excess_deg)) > 0.0) == slips
    time_s = np.arange(0.0, 24.0, 0.002)
    rpm = np.interp(time_s, *np.array(LOOPS).T)
    walked = walk(w, np.concatenate((np.linspace(0.0, rpm[0], 2000), rpm)))[2000:]
    moved = np.abs(np.diff(walked, prepend=walked[0])) > 0.05
    settled = np.ones(time_s.size, bool)
    for at in np.flatnonzero(moved):  # a slip takes its time; the walk's takes none
        settled &= np.abs(time_s - time_s[at]) > SLIP_S + within_s
    assert np.mean(settled) > 0.7
    assert np.ptp(walked) > 6.0
    off = made.at_deg(time_s) - walked
    assert np.max(np.abs(off[settled])) < within_deg


def test_nothing_jumps() -> None:
    for w in (COMMON, BROKEN, STICKING, SNAPPING):
        ahead = history(w, LOOPS).at_deg(np.arange(0.0, 24.0, 1e-4))
        assert 0.0 < np.max(np.abs(np.diff(ahead))) < 12.0 * 1e-4 / SLIP_S


def test_stuck_for_good_and_without_any_spring() -> None:
    stuck = history(replace(COMMON, stuck_deg=3.0), LOOPS).at_deg(np.linspace(0.0, 24.0, 99))
    assert stuck == pytest.approx(np.full(99, 3.0))
    loose = replace(BROKEN, heavy_n_per_mm=0.0)
    out = history(loose, ((0.0, 0.0), (10.0, 1000.0))).at_deg(np.array([0.0, 9.9]))
    assert out == pytest.approx([0.0, loose.stop_deg])


def test_a_curve_has_no_memory() -> None:
    curve = Weights(((400.0, 0.0), (1400.0, 10.0)))
    time_s = np.linspace(0.0, 24.0, 500)
    rpm = np.interp(time_s, *np.array(LOOPS).T)
    assert history(curve, LOOPS).at_deg(time_s) == pytest.approx(
        np.interp(rpm, (400.0, 1400.0), (0.0, 10.0))
    )


def test_before_and_after_a_run_is_as_at_its_ends() -> None:
    made = history(COMMON, LOOPS)
    ends = made.at_deg(np.array([-np.inf, 0.0, 24.0, np.inf]))
    assert ends[0] == ends[1]
    assert ends[2] == ends[3]


@pytest.mark.parametrize(
    "wrong",
    [
        {"mass_kg": 0.0},
        {"friction_nmm": -1.0},
        {"stop_deg": 0.0},
        {"light_n_per_mm": -0.1},
    ],
)
def test_impossible_weights_are_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(ValueError, match="weights"):
        replace(COMMON, **wrong)


@pytest.mark.parametrize(
    ("start", "bend", "full"),
    [
        (500.0, (400.0, 5.0), (900.0, 9.0)),
        (500.0, (700.0, 9.0), (900.0, 5.0)),
        (500.0, (1400.0, 2.0), (1500.0, 12.0)),
    ],
)
def test_impossible_curves_are_refused(
    start: float, bend: tuple[float, float], full: tuple[float, float]
) -> None:
    with pytest.raises(ValueError, match=r"rising|steeper"):
        weights_for(start, bend, full)
