"""Advance from openings whose truth is known: simulated, from the speed of every revolution."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from breakerbench.edges.events import Instrument, Openings
from breakerbench.measure.advance import BACKWARDS, FEW, advance_figures
from breakerbench.measure.advance_curve import ON_THE_CURVE
from breakerbench.measure.timing import Timing

Curve = Callable[[np.ndarray, np.ndarray], np.ndarray]
TOOL = Instrument(encoder_share=0.5)
UP = ((0.0, 300.0), (2.0, 300.0), (20.0, 1500.0), (22.0, 1500.0))
UP_AND_DOWN = (*UP, (40.0, 300.0), (42.0, 300.0))


def openings(
    profile: tuple[tuple[float, float], ...], ahead: Curve, scatter_deg: float = 0.03, seed: int = 1
) -> Openings:
    """Four lobes; ``ahead(rpm, time_s)`` is the advance."""
    corner_s, corner_rpm = np.array(profile).T
    grid = np.arange(0.0, corner_s[-1], 2e-5)
    rpm = np.interp(grid, corner_s, corner_rpm)
    shaft = np.concatenate([[0.0], np.cumsum(6.0 * 0.5 * (rpm[1:] + rpm[:-1]) * 2e-5)])
    cam = shaft + ahead(rpm, grid)
    at = 30.0 + 90.0 * np.arange(int((cam[-1] - 30.0) / 90.0))
    at = at + scatter_deg * np.random.default_rng(seed).standard_normal(len(at))
    time_s = np.interp(at, cam, grid)
    touch_s = np.interp(at - 50.0, cam, grid)
    none = np.zeros(len(at))
    return Openings(
        time_s=time_s,
        touch_s=touch_s,
        settled_s=touch_s,
        open_deg=np.interp(time_s, grid, shaft),
        touch_deg=np.interp(touch_s, grid, shaft),
        u_open_s=none,
        u_touch_s=none,
        lost_s=none,
        valid=np.ones(len(at), bool),
    )


def measured(
    o: Openings, pieces: int = 1, expected: tuple[tuple[float, float, float], ...] = ()
) -> tuple[dict[str, Any], dict[str, str], list[str]]:
    timing = Timing(4)
    for part in np.array_split(np.arange(len(o)), pieces):
        timing.add(o.take(part))
    timing.finish()
    return advance_figures(timing.advance, TOOL, expected)


def plain(rpm: np.ndarray, _: np.ndarray) -> np.ndarray:
    return np.interp(rpm, [550.0, 1200.0], [0.0, 10.0])


def test_curve_start_slope_and_largest() -> None:
    figures, why, warnings = measured(openings(UP_AND_DOWN, plain))
    assert figures["reference"] == "rest plateau"
    assert not why
    assert not warnings
    assert figures["start_rpm"] == pytest.approx(550.0, abs=3.0)
    assert figures["max_deg"] == pytest.approx(10.0, abs=0.03)
    assert figures["slopes"][0]["deg_per_rpm"] == pytest.approx(10.0 / 650.0, abs=1e-4)
    assert figures["hysteresis_deg"] < figures["u_hysteresis_deg"] < 0.15
    for way in ("rising", "falling"):
        assert len(figures[way]) > 18
        for point in figures[way]:
            truth = float(plain(np.array([point["rpm"]]), np.zeros(1))[0])
            assert point["deg"] == pytest.approx(truth, abs=0.06)


@pytest.mark.parametrize("size", [0.3, 0.9])
def test_hysteresis(size: float) -> None:
    def ahead(rpm: np.ndarray, time_s: np.ndarray) -> np.ndarray:
        down = np.interp(rpm, [550.0 - 65.0 * size, 1200.0 - 65.0 * size], [0.0, 10.0])
        return np.where(time_s > 22.0, down, plain(rpm, time_s))

    figures, _, _ = measured(openings(UP_AND_DOWN, ahead))
    assert figures["hysteresis_deg"] == pytest.approx(size, abs=0.06)
    assert abs(figures["hysteresis_deg"] - size) <= figures["u_hysteresis_deg"]


def test_a_stay_belongs_to_the_ramp_before_it() -> None:
    """The curve jumps while the speed rises past 900 rpm; each stay there has the one of its ramp."""

    def ahead(rpm: np.ndarray, time_s: np.ndarray) -> np.ndarray:
        return plain(rpm, time_s) + 0.5 * ((time_s > 28.0) & (rpm > 600.0))

    steps = ((0.0, 300.0), (2.0, 300.0), (20.0, 900.0), (26.0, 900.0), (28.0, 1500.0))
    steps = (*steps, (32.0, 1500.0), (34.0, 900.0), (38.0, 900.0), (40.0, 500.0), (44.0, 500.0))
    figures, _, _ = measured(openings(steps, ahead))
    rising = {round(p["rpm"], -1): p["deg"] for p in figures["rising"]}
    falling = {round(p["rpm"], -1): p["deg"] for p in figures["falling"]}
    truth = float(plain(np.array([900.0]), np.zeros(1))[0])
    assert rising[900] == pytest.approx(truth, abs=0.05)
    assert falling[900] == pytest.approx(truth + 0.5, abs=0.05)


def test_steps() -> None:
    speeds = [300, 400, 500, 600, 700, 800, 900, 1000, 1100, 1200, 1300, 1400]
    steps = tuple((3.0 * k + d, float(v)) for k, v in enumerate(speeds) for d in (0.0, 2.95))
    figures, why, _ = measured(openings(steps, plain))
    assert figures["start_rpm"] == pytest.approx(550.0, abs=4.0)
    assert figures["max_deg"] == pytest.approx(10.0, abs=0.05)
    assert not figures["falling"]
    assert "falling" in why["advance.falling"]
    assert figures["hysteresis_deg"] is None
    assert "advance.hysteresis_deg" in why


def test_the_lowest_speed_is_already_on_the_curve() -> None:
    o = openings(tuple((t, r + 400.0) for t, r in UP), plain)
    figures, why, _ = measured(o)
    assert figures["reference"] is None
    assert figures["rising"] == []
    assert why == {"advance": ON_THE_CURVE}


def test_one_speed_is_no_curve() -> None:
    _, why, _ = measured(openings(((0.0, 700.0), (8.0, 700.0)), plain))
    assert why == {"advance": FEW}


@pytest.mark.parametrize("low", [0.0, 400.0])
def test_a_curve_that_goes_backwards_is_said_and_not_judged(low: float) -> None:
    o = openings(tuple((t, r + low) for t, r in UP), lambda rpm, t: -plain(rpm, t))
    figures, why, warnings = measured(o)
    assert why == {"advance": BACKWARDS}
    assert figures["max_deg"] is None
    assert len(warnings) == 1
    assert "wrong way" in warnings[0]


def test_an_index_on_the_rotor_shows_no_advance() -> None:
    still = openings(UP, lambda rpm, _: 0.0 * rpm)
    figures, why, warnings = measured(still)
    assert figures["max_deg"] == pytest.approx(0.0, abs=0.02)
    assert figures["start_rpm"] is None
    assert "advance.start_rpm" in why
    assert [figures["doubt"]] == warnings  # 300 to 1500 rpm: it would have moved
    warnings = measured(still, expected=((600.0, 0.5, 1.5), (1200.0, 9.0, 11.0)))[2]
    assert "rotor or the cam" in warnings[0]
    # A specification that begins above the run, or expects none, says nothing of it.
    assert not measured(still, expected=((1800.0, 9.0, 11.0),))[2]


@pytest.mark.parametrize("pieces", [2, 7, 61, 2999])
def test_pieces_make_no_difference_to_a_digit(pieces: int) -> None:
    o = openings(UP_AND_DOWN, plain)
    assert json.dumps(measured(o, pieces)) == json.dumps(measured(o))


def test_a_quick_sweep_is_told_by_its_scatter_about_the_line() -> None:
    profile = ((0.0, 300.0), (1.5, 300.0), (7.5, 1500.0), (8.0, 1500.0))
    inside = []
    for seed in range(20):
        figures, _, _ = measured(openings(profile, plain, seed=seed))
        inside.append(abs(figures["max_deg"] - 10.0) <= figures["u_max_deg"])
        inside.append(abs(figures["start_rpm"] - 550.0) <= figures["u_start_rpm"])
    assert np.mean(inside) > 0.85
