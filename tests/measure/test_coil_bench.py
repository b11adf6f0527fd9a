"""Contact, coil and feed on random circuits of the simulated bench, held against its truth.

4 s at one speed each, 6 and 12 V, both grounds, 300 to 2,500 rpm, 4 to 8 lobes, bounce, sparks that miss.
The zeros of the channels are wrong; their scales are true where errors are held against the figures to
reach, and wrong by what is stated where the uncertainty must cover.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest

from breakerbench.bench.random_bench import random_ignition_bench
from breakerbench.bench.simulated import simulate
from breakerbench.pipeline import analyze

FOUR = ("points_v", "current_a", "supply_v", "contact_v")
DEFAULT, SWEEP = range(1, 13), range(1, 101)
#: Goal as a share of the truth (coil), V and ohm (contact).
GOALS = {"R": 0.004, "L": 0.015, "drop": 0.005, "contact": 1e-3}
#: Expanded uncertainty, as a share, above which a trace is not good for the goal, and says so: a dwell
#: too short for L / R, sparks that burn into the next closing.
TELLS = {"R": 0.012, "L": 0.03}


@cache
def errors(seed: int, true_scales: bool) -> dict[str, tuple[float, float, float]]:
    """Name -> (error, U, current)."""
    bench = random_ignition_bench(seed, channels=FOUR, points_range_v=50.0)
    # A tired battery has another E at each opening: there is no one truth of it.
    bench = replace(bench, feed=replace(bench.feed, drift_share_per_s=0.0))
    if true_scales:
        names = ("points", "current", "supply", "contact")
        exact = {n: replace(getattr(bench, n), gain_error=0.0, u_gain=0.0) for n in names}
        bench = replace(bench, **exact)
    made = simulate(bench, seed)
    found, truth = analyze(made), made.truth
    pairs: dict[str, tuple[str, str, Any, bool]] = {
        "R": ("coil", "resistance_ohm", truth["coil"]["resistance_ohm"], True),
        "L": ("coil", "inductance_h", truth["coil"]["inductance_h"], True),
        "feed": ("coil", "ballast_ohm", truth["coil"]["source_ohm"], False),
        "loop": ("coil", "loop_ohm", truth["coil"]["loop_ohm"], True),
        "current": ("coil", "current_a", truth["coil"]["current_a"], True),
        "energy": ("coil", "energy_j", truth["coil"]["energy_j"], True),
        "standing": ("coil", "standing_a", truth["coil"]["standing_a"], True),
        "drop": ("contact", "drop_v", truth["contact"]["drop_v"], False),
        "contact": ("contact", "resistance_ohm", truth["contact"]["resistance_ohm"], False),
        "volts": ("supply", "volts", truth["supply"]["open_volts"], True),
    }
    each = {}
    for name, (table, key, true, share) in pairs.items():
        value = found[table][key]
        if value is not None:
            by = true if share else 1.0
            u = found[table][f"u_{key}"]
            each[name] = ((value - true) / by, u / by, truth["coil"]["current_a"])
    return each


def _held(seeds: range, share: float) -> None:
    every: dict[str, list[float]] = {name: [] for name in GOALS}
    for seed in seeds:
        found = errors(seed, True)
        for name in GOALS:
            if name not in found or found[name][1] > TELLS.get(name, np.inf):
                continue
            if name != "contact" or found[name][2] >= 2.0:
                every[name].append(abs(found[name][0]))
    assert len(every["R"]) >= 0.5 * len(seeds)
    for name, goal in GOALS.items():
        assert float(np.quantile(every[name], share)) <= goal, (name, np.round(every[name], 5))


def test_figures_to_reach() -> None:
    _held(DEFAULT, 1.0)


@pytest.mark.sweep
def test_figures_to_reach_of_many() -> None:
    _held(SWEEP, 0.95)


@pytest.mark.sweep
def test_the_truth_lies_inside_the_uncertainty() -> None:
    inside, total = 0, 0
    out = []
    for seed in SWEEP:
        for name, (error, u, _) in errors(seed, False).items():
            total += 1
            inside += abs(error) <= u
            if abs(error) > u:
                out.append((seed, name, round(error, 5), round(u, 5)))
    assert inside >= 0.944 * total, (inside, total, out)
