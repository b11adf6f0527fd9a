"""Dwell and spacing on circuits solved by ngspice: coupled coils, a gap that burns, bounce, clipping.

Errors are those against the openings and touches that happened in the run. On a range of +-50 V nearly
every spike is cut off; on +-400 V the closed contact and the feed lie within a few tens of noisy counts.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from breakerbench.pipeline import analyze

from .ignition import THREE, TWO, ignition_case

#: Figure to reach, deg (design section 6: at 100 kS/s; these are 167 and 250).
GOAL_DEG = 0.03
DEFAULT = range(500, 505)


def case(seed: int, range_v: float, **given: Any) -> tuple[dict[str, Any], dict[str, Any], Any]:
    given = {
        "channels": THREE if seed % 2 else TWO,
        "rate_hz": 167e3 if seed % 2 else 250e3,
        "range_v": range_v,
    } | given
    source, _, truth = ignition_case(seed, **given)
    return analyze(source), truth, source.made


def held(seed: int, range_v: float) -> bool:
    """False where the dwell is not told, with its reason; asserts that it is right where it is."""
    result, truth, _ = case(seed, range_v)
    dwell, true = result["dwell"]["per_lobe_deg"], truth["realized"]
    if not dwell or None in dwell:
        assert any(key.split(".")[0] in ("dwell", "speed") for key in result["why"])
        return False
    off = np.abs(np.array(dwell) - true["dwell_per_lobe_deg"])
    late = np.abs(np.array(result["spacing"]["error_deg"]) - true["spacing_deg"])
    assert max(off.max(), late.max()) <= GOAL_DEG, (seed, range_v, off, late)
    assert abs(np.mean(dwell) - true["dwell_mean_deg"]) <= GOAL_DEG
    return True


BETWEEN = pytest.mark.xfail(
    reason="0.033 deg at one lobe: a first touch that bounces lies between two samples of a ring",
    strict=True,
)
NOISY = pytest.mark.xfail(
    reason="6 V lie in the noise of a range of 400 V: no contact is seen, and the result says so",
    strict=True,
)


@pytest.mark.parametrize(
    "seed", [pytest.param(seed, marks=BETWEEN) if seed == 501 else seed for seed in DEFAULT]
)
def test_clipped_rings_and_bounce(seed: int) -> None:
    assert held(seed, 50.0)


@pytest.mark.parametrize("seed", [503, pytest.param(504, marks=NOISY)])
def test_a_range_for_the_spikes(seed: int) -> None:
    assert held(seed, 400.0)


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
