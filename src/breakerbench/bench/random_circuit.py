"""A random ignition circuit, over the ranges that contact-breaker ignition is met in (from memory)."""

from __future__ import annotations

from dataclasses import fields
from typing import Any

import numpy as np

from breakerbench.bench.ignition import Gap, Ignition
from breakerbench.bench.randomness import log_uniform


def random_circuit(chance: np.random.Generator, lobes: int, fixed: dict[str, Any]) -> Ignition:
    """A circuit for a cam of so many lobes; what is in ``fixed`` is taken out of it and not drawn.

    Names that may be fixed: every field of ``Ignition``, every field of ``Gap`` (of all towers), and
    ``open_tower`` (one whose lead is off, counted from 0, or None).
    """
    volts = float(chance.choice([6.0, 12.0, 12.0])) * chance.uniform(0.95, 1.15)
    circuit: dict[str, Any] = {
        "volts": volts,
        "inner_ohm": chance.uniform(0.01, 0.06),
        "feed_ohm": chance.uniform(0.01, 0.15),
        "ballast_ohm": chance.uniform(0.0, 2.0) * float(chance.random() < 0.5),
        "coil_ohm_20c": chance.uniform(1.0, 4.0),
        "coil_c": chance.uniform(10.0, 80.0),
        "coil_h": chance.uniform(3e-3, 12e-3),
        "turns": chance.uniform(60.0, 110.0),
        "coupling": chance.uniform(0.9, 0.985),
        "secondary_ohm": chance.uniform(4e3, 12e3),
        "secondary_f": chance.uniform(30e-12, 90e-12),
        "loss_ohm": log_uniform(chance, 1e6, 10e6),
        "condenser_f": chance.uniform(0.15e-6, 0.3e-6),
        "condenser_ohm": log_uniform(chance, 0.05, 1.5),
        "leakage_ohm": log_uniform(chance, 5e6, 500e6),
        "contact_ohm": log_uniform(chance, 0.002, 0.06),
        "lead_ohm": chance.uniform(0.001, 0.01),
        "plate_ohm": chance.uniform(0.001, 0.02),
        "clamp_ohm": chance.uniform(0.0005, 0.005),
        "number_one_lobe": int(chance.integers(1, lobes + 1)),
        "positive_ground": bool(chance.random() < 0.5),
        "reversed": bool(chance.random() < 0.2),
    }
    breakdown_v = chance.uniform(6e3, 15e3)
    gap: dict[str, Any] = {
        "breakdown_v": breakdown_v,
        "burn_v": chance.uniform(600.0, min(2500.0, breakdown_v / 4.0)),
        "slope_ohm": log_uniform(chance, 500.0, 10e3),
    }
    towers = {"open_tower": int(chance.integers(0, lobes)) if chance.random() < 0.15 else None}
    for group, names in (
        (circuit, {field.name for field in fields(Ignition)}),
        (gap, {field.name for field in fields(Gap)}),
        (towers, {"open_tower"}),
    ):
        for name in names & fixed.keys():
            group[name] = fixed.pop(name)
    gaps = [Gap(**gap)] * lobes
    if towers["open_tower"] is not None:
        gaps[towers["open_tower"] % lobes] = Gap(**(gap | {"breakdown_v": None}))
    return Ignition(**({"gaps": tuple(gaps)} | circuit))
