"""The vacuum unit against a root finder, a walk through time and its closed form."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq

from breakerbench.bench import Bench, simulate
from breakerbench.bench.drive import steady
from breakerbench.bench.history import history
from breakerbench.bench.shaft import Shaft
from breakerbench.bench.vacuum import STEP_S, VacuumUnit, check_steps, vacuum_plan

UNIT = VacuumUnit()
STEPS = ((0.0, 0.0), (2.0, 20.0), (4.0, 30.0), (6.0, 60.0), (8.0, 20.0), (10.0, 0.0))


def net_n(unit: VacuumUnit, travel_mm: float, kpa: float) -> float:
    """Pull of the diaphragm less the spring, in SI units."""
    pull = 1000.0 * kpa * (1.0 - unit.leak_share) * unit.area_mm2 * 1e-6
    return pull - unit.preload_n - unit.rate_n_per_mm * travel_mm


units = st.builds(
    VacuumUnit,
    area_mm2=st.floats(300.0, 4000.0),
    preload_n=st.floats(0.0, 60.0),
    rate_n_per_mm=st.floats(0.5, 40.0),
    stop_mm=st.floats(0.5, 8.0),
    arm_mm=st.floats(10.0, 50.0),
    friction_n=st.floats(0.0, 10.0),
    leak_share=st.floats(0.0, 1.0),
)


@given(unit=units, kpa=st.floats(0.0, 101.0), held=st.floats(0.0, 1.0))
def test_the_plate_rests_where_a_root_finder_says(
    unit: VacuumUnit, kpa: float, held: float
) -> None:
    start = held * unit.stop_mm
    net = net_n(unit, start, kpa)
    expected = start
    if abs(net) > unit.friction_n:
        way = float(np.sign(net))
        end = unit.stop_mm if way > 0.0 else 0.0

        def left(travel_mm: float) -> float:
            return way * net_n(unit, travel_mm, kpa) - unit.friction_n

        expected = end if left(end) > 0.0 else brentq(left, start, end, xtol=1e-13)
    found = unit.settled_deg(np.array(np.degrees(start / unit.arm_mm)), np.array(kpa))
    assert float(found) == pytest.approx(np.degrees(expected / unit.arm_mm), abs=1e-7)


def test_a_run_is_what_a_walk_through_time_finds() -> None:
    made = history(UNIT, vacuum_plan(STEPS, 12.0))
    time_s = np.arange(0.0, 12.0, 0.001)
    # steps by hand: each reached STEP_S after it began
    corners = [(0.0, 0.0)]
    for (_, before), (time, kpa) in pairwise(STEPS):
        corners += [(time, before), (time + STEP_S, kpa)]
    kpa = np.interp(time_s, *np.array(corners).T)
    travel, walked = 0.0, []
    for vacuum in kpa:
        net = net_n(UNIT, travel, vacuum)
        if abs(net) > UNIT.friction_n:
            travel += (abs(net) - UNIT.friction_n) / UNIT.rate_n_per_mm * np.sign(net)
        travel = min(max(travel, 0.0), UNIT.stop_mm)
        walked.append(np.degrees(travel / UNIT.arm_mm))
    assert made.at_deg(time_s) == pytest.approx(np.array(walked), abs=1e-6)
    # the same 20 kPa from above and from below: twice the friction by the rate
    apart = made.at_deg(np.array(9.9)) - made.at_deg(np.array(3.9))
    expected = np.degrees(2.0 * UNIT.friction_n / UNIT.rate_n_per_mm / UNIT.arm_mm)
    assert apart == pytest.approx(expected)


def run(unit: VacuumUnit, backwards: bool = False) -> dict[str, object]:
    drive = replace(steady(300.0, 12.0), backwards=backwards)
    bench = Bench(vacuum=unit, vacuum_steps=STEPS, drive=drive, shaft=Shaft(scatter_deg=0.05))
    made = simulate(bench, 1)
    assert made.header.vacuum_steps == STEPS
    return made.truth


def test_truth_of_the_steps() -> None:
    truth = run(UNIT)
    points, happened = truth["vacuum"]["points"], truth["realized"]["vacuum"]["points"]  # type: ignore[index]
    assert [point["kpa"] for point in points] == [kpa for _, kpa in STEPS]
    travel = (1.2 * 30.0 - 15.0 - 0.4) / 10.0
    assert points[2]["deg"] == pytest.approx(np.degrees(travel / 26.0))
    assert points[3]["deg"] == pytest.approx(UNIT.most_deg)
    for one, other in zip(points, happened, strict=True):
        assert other["deg"] == pytest.approx(one["deg"], abs=1e-9)
    wrong_way = run(UNIT, backwards=True)["realized"]["vacuum"]["points"]  # type: ignore[index]
    assert wrong_way[3]["deg"] == pytest.approx(-UNIT.most_deg)


def test_leaking_gives_part_and_stuck_nothing() -> None:
    half = run(replace(UNIT, leak_share=0.5))["vacuum"]["points"]  # type: ignore[index]
    travel = (1.2 * 0.5 * 60.0 - 15.0 - 0.4) / 10.0
    assert half[3]["deg"] == pytest.approx(np.degrees(travel / 26.0))
    stuck = run(replace(UNIT, stuck_deg=2.0))["vacuum"]["points"]  # type: ignore[index]
    assert [point["deg"] for point in stuck] == [0.0] * len(STEPS)


def test_a_plate_that_is_pulled_moves_dwell_and_adds_scatter() -> None:
    loose = replace(UNIT, widening_mm_per_deg=0.01, scatter_deg=0.5)
    steps = ((0.0, 0.0), (30.0, 60.0))
    shaft = Shaft(scatter_deg=0.1)
    bench = Bench(vacuum=loose, vacuum_steps=steps, shaft=shaft, drive=steady(1200.0, 60.0))
    made = simulate(bench, 1)
    opens, closes = made.turning.open_deg, made.turning.close_deg
    dwell = opens.ravel()[1:] - closes.ravel()[:-1]
    late = made.turning.open_s.ravel()[1:] > 30.5
    early = made.turning.open_s.ravel()[1:] < 30.0
    cam = bench.cam
    wider = cam.dwell_deg(cam.gap_mm + 0.01 * UNIT.most_deg)
    assert np.mean(dwell[early][8:]) == pytest.approx(cam.dwell_deg(), abs=0.02)
    assert np.mean(dwell[late][:-8]) == pytest.approx(wider, abs=0.05)
    assert wider < cam.dwell_deg() - 2.0
    pulled = made.turning.open_s > 30.5
    inside = np.isfinite(made.turning.open_s)
    deviation = made.turning.open_deg + made.motion.seen_deg(made.turning.open_s)
    deviation -= made.turning.cam_open_deg
    assert np.std(deviation[pulled & inside]) == pytest.approx(np.hypot(0.1, 0.5), rel=0.06)
    unpulled = made.turning.open_s < 30.0
    assert np.std(deviation[unpulled & inside]) == pytest.approx(0.1, rel=0.06)
    truth = made.truth
    assert truth["dwell"]["mean_deg"] == pytest.approx((wider + cam.dwell_deg()) / 2.0, abs=0.05)
    assert truth["realized"]["dwell"]["mean_deg"] == pytest.approx(
        truth["dwell"]["mean_deg"], abs=0.05
    )
    expected = np.sqrt((0.01 + 0.26) / 2.0)
    assert truth["scatter"]["deg"] == pytest.approx(expected, rel=0.02)
    assert truth["realized"]["scatter"]["deg"] == pytest.approx(expected, rel=0.2)


@pytest.mark.parametrize(
    ("steps", "words"),
    [
        (((0.0, 0.0), (0.1, 10.0)), "apart"),
        (((-1.0, 0.0),), "within the run"),
        (((0.0, 150.0),), "101 kPa"),
        (((0.0, -3.0),), "101 kPa"),
    ],
)
def test_impossible_steps_are_refused(steps: tuple[tuple[float, float], ...], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        check_steps(steps)


@pytest.mark.parametrize("wrong", [{"area_mm2": 0.0}, {"leak_share": 1.5}, {"friction_n": -1.0}])
def test_an_impossible_unit_is_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(ValueError, match=r"vacuum unit|leak_share"):
        replace(UNIT, **wrong)
