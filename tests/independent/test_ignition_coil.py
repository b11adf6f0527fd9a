"""Contact, coil and feed on circuits solved by ngspice, held against the figures to reach.

Runs are short (20 to 60 openings), so that a figure may miss by what so few tell: the errors are held
to the goals of 4 s a speed as quantiles over the seeds. Scales of the channels are true there; with
drawn errors of scale and zero the stated uncertainty must cover.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
import pytest

from breakerbench.pipeline import analyze

from .ignition import FOUR, THREE, TWO, ignition_case

DEFAULT = range(400, 408)
SWEEP = range(400, 460)
#: Expanded uncertainty of R, as a share, above which the dwell is too short for the goal; scales that are
#: stated to 0.3 % make up 0.8 % of it.
TELLS = 0.015


@cache
def case(seed: int, true_scales: bool, **given: Any) -> tuple[dict[str, Any], dict[str, Any], Any]:
    given = {"channels": FOUR, "rate_hz": 167e3 if seed % 2 else 250e3, "range_v": 50.0} | given
    if true_scales:
        given["gains"] = (1.0,) * len(given["channels"])
    source, _, truth = ignition_case(seed, **given)
    return analyze(source), truth["electrics"], source.made.circuit


def errors(found: dict[str, Any], truth: dict[str, Any], circuit: Any) -> dict[str, Any]:
    """Name -> (error, U), as shares of the truth for coil figures, in V and ohm for the contact."""
    coil, contact = found["coil"], found["contact"]
    amps = float(np.mean(truth["current_a"]))
    energy = 0.5 * circuit.primary_h * amps**2
    rows = {
        "R": (coil["resistance_ohm"], coil["u_resistance_ohm"], circuit.primary_ohm, True),
        "L": (coil["inductance_h"], coil["u_inductance_h"], circuit.primary_h, True),
        "feed": (coil["ballast_ohm"], coil["u_ballast_ohm"], truth["feed_ohm"], False),
        "current": (coil["current_a"], coil["u_current_a"], amps, True),
        "energy": (coil["energy_j"], coil["u_energy_j"], energy, True),
        "drop": (contact["drop_v"], contact["u_drop_v"], float(np.mean(truth["drop_v"])), False),
        "contact": (
            contact["resistance_ohm"], contact["u_resistance_ohm"], truth["contact_ohm"], False,
        ),
        "volts": (
            found["supply"]["volts"], found["supply"]["u_volts"], truth["open_volts"], True,
        ),
    }  # fmt: skip
    shares = {}
    for name, (value, u, true, share) in rows.items():
        if value is not None:
            by = true if share else 1.0
            shares[name] = ((value - true) / by, u / by)
    return shares


def _hold(seeds: range, quantile: float, allow: float) -> None:
    """Errors within the goals, times ``allow`` for runs so short."""
    goals = {"R": 0.004, "L": 0.015, "drop": 0.005, "contact": 1e-3}
    found: dict[str, list[float]] = {name: [] for name in goals}
    told = 0
    for seed in seeds:
        result, truth, circuit = case(seed, True)
        each = errors(result, truth, circuit)
        told += "R" in each
        strong = float(np.mean(truth["current_a"])) >= 2.0
        for name in goals:
            # Resistance of the contact is promised from 2 A on; that of the coil where the dwell is long
            # against L / R, and the figure itself says where it is not.
            tells = name != "R" or ("R" in each and each["R"][1] < TELLS)
            if name in each and tells and (name != "contact" or strong):
                found[name].append(abs(each[name][0]))
    assert told >= 0.7 * len(seeds)
    for name, goal in goals.items():
        worst = float(np.quantile(found[name], quantile))
        assert worst <= allow * goal, f"{name}: {worst:.5f} of {goal}; {np.round(found[name], 5)}"


def test_figures_of_the_circuit() -> None:
    _hold(DEFAULT, 1.0, 1.5)


@pytest.mark.sweep
def test_figures_of_many_circuits() -> None:
    _hold(SWEEP, 0.9, 1.0)


@pytest.mark.sweep
def test_the_truth_lies_inside_the_uncertainty() -> None:
    """Scales and zeros wrong by what the channels state; 8 figures of each trace."""
    inside = total = 0
    missed = []
    for seed in SWEEP:
        result, truth, circuit = case(seed, False)
        for name, (error, u) in errors(result, truth, circuit).items():
            total += 1
            inside += abs(error) <= u
            if abs(error) > u:
                missed.append((seed, name, error, u))
    assert inside >= 0.944 * total, missed


@pytest.mark.parametrize("seed", [420, 421])
def test_two_channels_tell_the_loop(seed: int) -> None:
    found, truth, circuit = case(seed, True, channels=TWO, rate_hz=250e3, rpm=700.0)
    loop = circuit.total_ohm + float(np.mean(circuit.contact_ohm)) + circuit.plate_ohm
    loop -= truth["contact_ohm"]  # v at the points' terminal: their drop is not in the loop
    assert found["coil"]["loop_ohm"] == pytest.approx(loop, rel=0.006)
    assert found["coil"]["inductance_h"] == pytest.approx(circuit.primary_h, rel=0.02)
    assert found["coil"]["resistance_ohm"] is None
    assert "supply_v" in found["why"]["coil.resistance_ohm"]


@pytest.mark.parametrize("seed", [430, 431])
def test_three_channels_as_the_round_robin_gives_them(seed: int) -> None:
    found, _, circuit = case(seed, True, channels=THREE, rate_hz=167e3, rpm=700.0)
    assert found["coil"]["resistance_ohm"] == pytest.approx(circuit.primary_ohm, rel=0.006)
    assert found["coil"]["ballast_ohm"] == pytest.approx(
        circuit.ballast_ohm + circuit.source_ohm, abs=0.01
    )
