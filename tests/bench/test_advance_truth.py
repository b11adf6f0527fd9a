"""Truth of the advance against a walk through time, and the measured advance against the truth."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from breakerbench.bench import Bench, simulate
from breakerbench.bench.drive import Drive
from breakerbench.bench.random_bench import random_bench, random_sweep
from breakerbench.bench.scenario import healthy
from breakerbench.bench.shaft import Shaft
from breakerbench.bench.weights import SprungWeights, Weights, weights_for
from breakerbench.pipeline import analyze

from .test_weights import BROKEN, COMMON, STICKING, walk

UP = ((0.0, 250.0), (1.5, 250.0), (16.0, 2000.0), (17.5, 2000.0))
UP_AND_DOWN = (*UP, (32.0, 250.0), (33.5, 250.0))


def loop(w: SprungWeights, low: float, high: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Speeds, rising and falling advance by small steps, from rest up to ``high`` and back."""
    rpm = np.arange(0.0, high + 0.25, 0.5)
    walked = walk(w, np.concatenate((rpm, rpm[::-1])))
    inside = rpm >= low
    return rpm[inside], walked[: rpm.size][inside], walked[rpm.size :][::-1][inside]


@pytest.mark.parametrize(
    ("w", "within"), [(COMMON, 0.02), (STICKING, 0.15), (BROKEN, 0.02), (SprungWeights(), 0.02)]
)
def test_the_distributors_own_curve_is_what_a_walk_finds(w: SprungWeights, within: float) -> None:
    truth = simulate(Bench(weights=w, drive=Drive(UP_AND_DOWN)), 1).truth["advance"]
    rpm, rising, falling = loop(w, 250.0, 2000.0)
    for way, curve in (("rising", rising), ("falling", falling)):
        points = truth[way]
        assert [p["rpm"] for p in points] == [50.0 * k for k in range(5, 41)]
        off = [p["deg"] - np.interp(p["rpm"], rpm, curve) for p in points]
        assert np.mean(np.abs(off)) < within
    assert truth["max_deg"] == pytest.approx(rising[-1], abs=within)
    assert truth["hysteresis_deg"] == pytest.approx(np.max(falling - rising), abs=2.0 * within)
    moved = loop(w, 0.0, 2000.0)
    start = moved[0][np.argmax(moved[1] > 0.0)]
    if w == SprungWeights():
        assert truth["max_deg"] == pytest.approx(w.stop_deg)
    else:
        assert truth["start_rpm"] == pytest.approx(start, abs=1.0)
        assert truth["reference"] == ("rest plateau" if start > 250.0 else None)


def test_a_run_up_alone_has_no_way_down_and_no_hysteresis() -> None:
    truth = simulate(Bench(weights=COMMON, drive=Drive(UP)), 1).truth
    for advance in (truth["advance"], truth["realized"]["advance"]):
        assert advance["rising"]
        assert advance["falling"] == []
    assert truth["advance"]["hysteresis_deg"] is None
    above = simulate(Bench(weights=COMMON, drive=Drive(((0.0, 600.0), (5.0, 1500.0)))), 1).truth
    assert above["advance"]["reference"] is None
    none = simulate(Bench(drive=Drive(UP)), 1).truth["advance"]
    assert none["start_rpm"] is None
    assert none["max_deg"] == 0.0


def test_what_happened_is_what_instants_and_angles_show() -> None:
    bench = Bench(weights=COMMON, shaft=Shaft(scatter_deg=0.0), drive=Drive(UP_AND_DOWN))
    made = simulate(bench, 1)
    opened = made.contact.time_s[~made.contact.closed]
    angle = bench.drive.angle_deg(opened)
    marks = bench.drive.time_s(360.0 * np.arange(1.0, np.floor(angle[-1] / 360.0) + 1.0))
    rpm = 60.0 / np.diff(marks)
    nominal = np.mod(angle[:4], 360.0)
    away = np.mod(angle[:, None] - nominal + 180.0, 360.0) - 180.0
    # earlier than at the beginning, by the lobe that comes nearest from below
    ahead = -np.max(np.where(away <= 1e-6, away, -np.inf), axis=1)
    of = np.searchsorted(marks, opened, side="right") - 1
    means = np.array([np.mean(ahead[of == row]) for row in range(rpm.size)])
    for way, chosen in (("rising", marks[:-1] < 17.0), ("falling", marks[:-1] > 17.0)):
        points = made.truth["realized"]["advance"][way]
        assert len(points) > 30
        for point in points:
            near = chosen & (np.floor(rpm / 50.0 + 0.5) == np.floor(point["rpm"] / 50.0 + 0.5))
            if np.any(np.abs(marks[:-1][near] - 17.0) < 1.0):
                continue  # the stay at the top
            assert point["rpm"] == pytest.approx(np.mean(rpm[near]))
            assert point["deg"] == pytest.approx(np.mean(means[near]), abs=1e-6)
    assert made.truth["realized"]["advance"]["max_deg"] == pytest.approx(12.0)


def test_dwell_spacing_and_scatter_are_those_of_the_distributor_with_any_weights() -> None:
    plain = simulate(replace(healthy(), drive=Drive(UP_AND_DOWN)), 5).truth
    for w in (COMMON, STICKING, Weights(((500.0, 0.0), (1500.0, 9.0)))):
        truth = simulate(replace(healthy(), weights=w, drive=Drive(UP_AND_DOWN)), 5).truth
        for table, key in (("dwell", "per_lobe_deg"), ("spacing", "error_deg")):
            assert truth[table][key] == pytest.approx(plain[table][key], abs=2e-3)
            allowed = {"dwell": 0.08, "spacing": 0.04}[table]
            assert truth["realized"][table][key] == pytest.approx(plain[table][key], abs=allowed)
        assert truth["scatter"]["deg"] == pytest.approx(plain["scatter"]["deg"])
        assert truth["realized"]["scatter"]["deg"] == pytest.approx(0.09, rel=0.05)


def test_random_sweeps_cover_their_ranges_and_leave_the_random_bench_as_it_was() -> None:
    sweeps = [random_sweep(seed, lobes=4) for seed in range(40)]
    truths = [simulate(bench, seed).truth["advance"] for seed, bench in enumerate(sweeps)]
    assert all(truth["reference"] == "rest plateau" for truth in truths)
    starts = [truth["start_rpm"] for truth in truths]
    assert (min(starts) < 450.0, max(starts) > 750.0) == (True, True)
    assert 0.5 < np.mean([bench.weights.heavy_n_per_mm > 0.0 for bench in sweeps]) < 0.75  # type: ignore[union-attr]
    at_stop = [
        truth["max_deg"] == pytest.approx(bench.weights.stop_deg)  # type: ignore[union-attr]
        for truth, bench in zip(truths, sweeps, strict=True)
    ]
    assert 0.5 < np.mean(at_stop) < 0.85
    for seed in range(5):
        bench, plain = random_sweep(seed), random_bench(seed)
        assert replace(bench, weights=plain.weights, drive=plain.drive) == plain
        assert random_sweep(seed) == bench


def measured(w: SprungWeights, seed: int, **more: Any) -> tuple[dict[str, Any], dict[str, Any]]:
    drive = replace(healthy().drive, points=UP_AND_DOWN)
    made = simulate(replace(healthy(), weights=w, drive=drive, **more), seed)
    return analyze(made)["advance"], made.truth["advance"]


CURVES = {
    "two springs": weights_for(450.0, (900.0, 7.0), (1700.0, 12.0), 0.05),
    "two springs, late": weights_for(600.0, (1000.0, 5.0), (1400.0, 9.0), 0.03),
    "one spring": weights_for(500.0, None, (1600.0, 10.0), 0.03),
}


@pytest.mark.parametrize("name", CURVES)
@pytest.mark.parametrize("encoder", [True, False])
def test_the_measured_advance_is_that_of_the_weights(name: str, encoder: bool) -> None:
    """Design section 6: largest and hysteresis within 0.15 deg, with an index alone too."""
    a, truth = measured(CURVES[name], 3, **({} if encoder else {"encoder": None}))
    assert a["reference"] == truth["reference"]
    assert a["max_deg"] == pytest.approx(truth["max_deg"], abs=0.15)
    assert a["hysteresis_deg"] == pytest.approx(truth["hysteresis_deg"], abs=0.15)


@pytest.mark.parametrize("name", CURVES)
def test_the_measured_start_is_that_of_the_weights(name: str) -> None:
    """Design section 6: within 12 rpm."""
    a, truth = measured(CURVES[name], 3)
    assert a["start_rpm"] == pytest.approx(truth["start_rpm"], abs=12.0)
