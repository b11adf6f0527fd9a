"""Faults of the circuit, solved by ngspice: each gives figures or a reason, never a wrong figure."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from breakerbench.pipeline import analyze

from .ignition import IgnitionSource, ignition_conditions, ignition_made
from .ignition_faults import IGNITION_FAULTS, with_fault

ALLOWED_DEG = 0.03
_SCATTER_DEG = 0.003


def _analyzed(seed: int, fault: str | None, **given: Any) -> tuple[dict[str, Any], dict[str, Any]]:
    c, circuit = ignition_conditions(seed, scatter_deg=_SCATTER_DEG, **given)
    made = ignition_made(c, circuit if fault is None else with_fault(circuit, fault))
    return analyze(IgnitionSource(made)), made.truth


@pytest.mark.parametrize("fault", IGNITION_FAULTS)
def test_a_fault_of_the_circuit_gives_figures_or_reasons(fault: str) -> None:
    result, truth = _analyzed(2, fault, range_v=50.0, bounce=0.4, supply_v=13.0)
    dwell, why = result["dwell"]["mean_deg"], result["why"]
    if fault == "condenser shorted":
        assert dwell is None
        assert "neither open nor close" in (why.get("dwell") or why["dwell.mean_deg"])
        assert result["coil"]["resistance_ohm"] is None
        assert result["spark"]["duration_s"] is None
        return
    assert dwell == pytest.approx(truth["realized"]["dwell_mean_deg"], abs=ALLOWED_DEG)
    if truth["electrics"]["missed"].all():
        assert result["spark"]["duration_s"] is None


def test_fastest_with_eight_lobes_while_sparks_still_burn() -> None:
    result, truth = _analyzed(
        101, None, range_v=50.0, bounce=0.4, rpm=2500.0, lobes=8, supply_v=13.5, rate_hz=250e3,
        primary_ohm=1.5, ballast_ohm=0.0, primary_h=8e-3, breakdown_v=(8e3,), burn_v=700.0,
        coupling=0.97, turns=100.0,
    )  # fmt: skip
    dwell = np.array(result["dwell"]["per_lobe_deg"], float)
    assert np.abs(dwell - truth["realized"]["dwell_per_lobe_deg"]).max() <= ALLOWED_DEG


def test_brief_touches_that_noise_may_hide_give_a_reason() -> None:
    """Four counts of noise are an eighth of 6 V in a range of 400 V."""
    result, _ = _analyzed(4, None, range_v=400.0, bounce=0.4)
    assert result["dwell"]["mean_deg"] is None
    assert "brief" in (result["why"].get("dwell") or result["why"]["dwell.mean_deg"])


@pytest.mark.sweep
@pytest.mark.parametrize("fault", IGNITION_FAULTS)
def test_a_fault_in_a_dozen_circuits(fault: str) -> None:
    off = []
    for seed in range(12):
        result, truth = _analyzed(seed, fault)
        dwell, why = result["dwell"]["mean_deg"], result["why"]
        if dwell is None:
            assert why.get("dwell") or why["dwell.mean_deg"], seed
        else:
            off.append(abs(dwell - truth["realized"]["dwell_mean_deg"]))
    assert max(off, default=0.0) <= ALLOWED_DEG, off
