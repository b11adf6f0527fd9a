"""What the analysis finds of vacuum, hand turning, wrong way and wrong shaft, against the truth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from breakerbench.bench import Bench, simulate
from breakerbench.bench.drive import Drive, steady
from breakerbench.bench.faults import apply, set_condition
from breakerbench.bench.hand import by_hand
from breakerbench.bench.scenario import healthy
from breakerbench.bench.vacuum import VacuumUnit
from breakerbench.bench.weights import Weights, weights_for
from breakerbench.pipeline import analyze

STEPS = (
    (0.0, 0.0),
    (4.0, 15.0),
    (8.0, 25.0),
    (12.0, 35.0),
    (16.0, 60.0),
    (20.0, 25.0),
    (24.0, 0.0),
)
UP_AND_DOWN = ((0.0, 250.0), (1.5, 250.0), (12.0, 2000.0), (13.0, 2000.0), (24.0, 250.0))
WEIGHTS = weights_for(480.0, (950.0, 6.5), (1750.0, 11.5), 0.03)


def pulled(rpm: float) -> Bench:
    drive = replace(healthy().drive, points=steady(rpm, 28.0).points)
    return replace(
        healthy(), weights=Weights(), vacuum=VacuumUnit(), vacuum_steps=STEPS, drive=drive
    )


@pytest.mark.parametrize(
    ("bench", "within"),
    [
        (pulled(300.0), 0.08),
        (pulled(700.0), 0.04),
        (apply(pulled(700.0), "vacuum-leaking", "needs repair"), 0.04),
        (apply(pulled(700.0), "vacuum-stuck", "needs repair"), 0.04),
        (apply(pulled(700.0), "vacuum-plate-loose", "needs repair"), 0.3),
    ],
)
def test_the_measured_vacuum_advance_is_that_of_the_plate(bench: Bench, within: float) -> None:
    """From the header's own steps, nothing told besides; friction up and down in it."""
    made = simulate(bench, 3)
    found = analyze(made)["vacuum"]["points"]
    truth = made.truth["vacuum"]["points"]
    assert [point["kpa"] for point in found] == [point["kpa"] for point in truth[: len(found)]]
    assert len(found) >= 6
    off = [one["deg"] - other["deg"] for one, other in zip(found, truth, strict=False)][1:]
    assert np.max(np.abs(off)) < within
    outside = [abs(x) > 1.5 * point["u_deg"] for x, point in zip(off, found[1:], strict=True)]
    assert sum(outside) == 0


@pytest.mark.parametrize("seed", [0, 2, 4])
@pytest.mark.parametrize("chatter_s", [0.0, 0.003])
def test_a_hand_turned_distributor(seed: int, chatter_s: float) -> None:
    made = simulate(replace(healthy(), drive=by_hand(seed, 60.0), chatter_s=chatter_s), seed)
    assert made.bench.drive.goes_back
    found, truth = analyze(made)["hand"], made.truth["hand"]
    assert found["state"] == truth["state"]
    # a lobe that is touched for an instant as the hand turns round may be taken for chatter
    assert 0 <= truth["openings"] - found["openings"] <= 3
    off = np.array(found["per_lobe_deg"]) - np.array(truth["per_lobe_deg"])
    assert np.all(np.abs(off) < 1.5 * np.array(found["u_per_lobe_deg"]))
    assert np.max(np.abs(off)) < 0.15


def test_points_that_never_open_by_hand() -> None:
    dead = apply(replace(healthy(), drive=by_hand(1, 20.0)), "points-gap-narrow", "dead")
    made = simulate(dead, 1)
    assert made.truth["hand"]["openings"] == 0
    found = analyze(made)["hand"]
    assert (found["openings"], found["state"]) == (0, "always closed")


@pytest.mark.parametrize("condition", ["drive-backwards", "index-on-rotor"])
def test_wrong_way_and_wrong_shaft(condition: str) -> None:
    sound = replace(healthy(), weights=WEIGHTS, drive=Drive(UP_AND_DOWN))
    made = simulate(set_condition(sound, condition), 1)
    result = analyze(made)
    happened = made.truth["realized"]["advance"]
    assert result["dwell"]["mean_deg"] == pytest.approx(made.truth["dwell"]["mean_deg"], abs=0.03)
    assert result["spacing"]["error_deg"] == pytest.approx(
        made.truth["spacing"]["error_deg"], abs=0.05
    )
    if condition == "drive-backwards":
        assert happened["max_deg"] < -11.0
        assert any("wrong way" in text for text in result["warnings"])
    else:
        assert happened["max_deg"] == pytest.approx(0.0, abs=1e-9)
        assert result["advance"]["max_deg"] == pytest.approx(0.0, abs=0.05)
        assert result["advance"]["start_rpm"] is None


@pytest.mark.parametrize("seed", range(4))
def test_weights_that_stick_are_followed_jump_by_jump_and_told_of(seed: int) -> None:
    """No line follows a staircase: start and hysteresis are those of the narrow bins."""
    converter = replace(healthy().converter, sample_rate_hz=50e3)
    bench = replace(
        healthy(),
        weights=WEIGHTS,
        drive=Drive(UP_AND_DOWN),
        converter=converter,
        current_range_a=None,
    )
    smooth = analyze(simulate(bench, seed))
    assert not any("jumps" in text for text in smooth["warnings"])
    made = simulate(apply(bench, "weights-sticking", "needs repair"), seed)
    result = analyze(made)
    found, truth = result["advance"], made.truth["advance"]
    assert any("the weights stick" in text for text in result["warnings"])
    assert abs(found["start_rpm"] - truth["start_rpm"]) <= max(12.0, found["u_start_rpm"])
    # The truth is that of the slow loop; in one run they may slip elsewhere.
    assert found["hysteresis_deg"] == pytest.approx(truth["hysteresis_deg"], rel=0.35)
    assert found["hysteresis_deg"] > 3.0 * smooth["advance"]["hysteresis_deg"]
