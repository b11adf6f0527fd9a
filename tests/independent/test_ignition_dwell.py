"""Dwell and spacing on circuits solved by ngspice: coupled coils, a gap that burns, bounce, clipping.

Errors are those against the openings and touches that happened in the run. On a range of +-50 V nearly
every spike is cut off; on +-400 V the closed contact and the feed lie within a few tens of noisy counts.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
import pytest

from breakerbench.pipeline import analyze

from .ignition import THREE, TWO, ignition_case

#: Figure to reach, deg (design section 6: at 100 kS/s; these are 167 and 250).
GOAL_DEG = 0.03
#: 713: a ring that turns in the closed band and goes up again just before the touch.
#: 713: a ring that turns in the closed band and goes up again just before the touch.
DEFAULT, SWEEP = (*range(500, 505), 713), range(720, 780)


def case(seed: int, range_v: float, **given: Any) -> tuple[dict[str, Any], dict[str, Any], Any]:
    given = {
        "channels": THREE if seed % 2 else TWO,
        "rate_hz": 167e3 if seed % 2 else 250e3,
        "range_v": range_v,
    } | given
    source, _, truth = ignition_case(seed, **given)
    return analyze(source), truth, source.made


def worst(seed: int, range_v: float) -> float | None:
    """Largest error of a lobe's dwell or place, deg; None where the dwell is not told, with its reason.

    Asserts that the mean is right and every figure inside its U.
    """
    result, truth, _ = case(seed, range_v)
    dwell, true = result["dwell"], truth["realized"]
    if not dwell["per_lobe_deg"] or None in dwell["per_lobe_deg"]:
        assert any(key.split(".")[0] in ("dwell", "speed") for key in result["why"])
        return None
    off = np.abs(np.array(dwell["per_lobe_deg"]) - true["dwell_per_lobe_deg"])
    late = np.abs(np.array(result["spacing"]["error_deg"]) - true["spacing_deg"])
    assert np.all(off <= np.maximum(dwell["u_per_lobe_deg"], 0.01)), (seed, off, dwell)
    assert abs(np.mean(dwell["per_lobe_deg"]) - true["dwell_mean_deg"]) <= GOAL_DEG, (seed, off)
    return float(max(off.max(), late.max()))


def held(seeds: Iterable[int], range_v: float) -> list[bool]:
    """For each circuit of which the dwell is told: is every lobe within the goal."""
    errors = [worst(seed, range_v) for seed in seeds]
    told = [e for e in errors if e is not None]
    print(
        f"+-{range_v:.0f} V: {len(told)} of {len(errors)} told, median {np.median(told):.4f} deg, "
        f"95 % {np.quantile(told, 0.95):.4f}, worst {max(told):.4f}"
    )
    return [e <= GOAL_DEG for e in told]


@pytest.mark.parametrize("seed", DEFAULT)
def test_clipped_rings_and_bounce(seed: int) -> None:
    assert held([seed], 50.0) == [True]


@pytest.mark.parametrize("seed", [503, 504])
def test_a_range_for_the_spikes(seed: int) -> None:
    assert held([seed], 400.0) == [True]


@pytest.mark.sweep
def test_many_clipped_circuits() -> None:
    good = held(SWEEP, 50.0)
    assert len(good) == len(SWEEP)
    assert sum(good) >= 0.98 * len(good)


@pytest.mark.sweep
def test_many_in_a_range_for_the_spikes() -> None:
    """Noise of 0.8 V beside a feed of 6 to 14 V: a lobe seen few times may lie farther off, as U says.

    Where the contact bounces, brief first touches are lost in that noise: then null.
    """
    good = held(SWEEP, 400.0)
    assert len(good) >= 0.4 * len(SWEEP)
    assert sum(good) >= 0.75 * len(good)


@pytest.mark.parametrize(
    "given",
    [
        {"breakdown_v": (1e6,)},  # the gap never fires
        {"condenser_f": 1e-9},  # no condenser but strays
        {"leak_ohm": 0.5},  # shorted: the points never rise
        {"channels": ("points_v",)},
        {"range_v": 20.0},
    ],
    ids=["no spark", "no condenser", "shorted condenser", "points alone", "narrow range"],
)
def test_a_circuit_out_of_order_is_no_crash(given: dict[str, Any]) -> None:
    result, truth, _ = case(610, **({"range_v": 50.0, "rpm": 900.0} | given))
    dwell, true = result["dwell"]["mean_deg"], truth["realized"]["dwell_mean_deg"]
    assert (dwell is None and result["why"]) or abs(dwell - true) <= 0.3
