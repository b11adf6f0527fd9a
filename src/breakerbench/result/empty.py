"""Tables of the result without figures, and what makes any table fit for JSON."""

from __future__ import annotations

from typing import Any

import numpy as np

from breakerbench.measure.condenser import empty_condenser
from breakerbench.measure.ring import compare_rings
from breakerbench.result.spark import empty_ring, empty_spark

Table = dict[str, Any]

NOT_YET = "this version does not measure it yet"


def empty_timing() -> dict[str, Any]:
    """Speed, dwell, spacing and scatter of a trace in which nothing could be timed."""
    return {
        "speed": {"min_rpm": None, "max_rpm": None, "revolutions": 0},
        "dwell": {
            "mean_deg": None, "u_deg": None, "percent": None, "u_percent": None,
            "per_lobe_deg": [], "u_per_lobe_deg": [], "variation_deg": None,
            "u_variation_deg": None, "by_speed": [], "meter_deg": None,
        },
        "spacing": {
            "error_deg": [], "interval_error_deg": [], "u_deg": None, "u_interval_deg": None,
            "by_speed": [],
        },
        "scatter": {"deg": None, "range_deg": None, "u_deg": None},
    }  # fmt: skip


def empty_bounce() -> dict[str, Any]:
    return {"onset_rpm": None, "u_onset_rpm": None, "looked_to_rpm": None, "by_speed": []}


def empty_missed() -> dict[str, Any]:
    return dict.fromkeys(("openings", "closings", "expected"))


def empty_electrics() -> dict[str, Table]:
    """The electrical tables of a trace that shows none of it."""
    return {
        "contact": empty_contact(),
        "coil": empty_coil(),
        "condenser": empty_in_circuit(),
        "spark": empty_spark(),
    }


def empty_in_circuit() -> Table:
    """The condenser: what it measures alone, what its ring shows in circuit, and against a reference."""
    return empty_condenser() | empty_ring() | compare_rings({}, {})


def empty_contact() -> Table:
    return dict.fromkeys(
        (
            "drop_v", "resistance_ohm", "u_drop_v", "u_resistance_ohm", "current_a", "u_current_a",
            "spread_v",
        )
    )  # fmt: skip


def empty_coil() -> Table:
    keys = (
        "resistance_ohm", "resistance_20c_ohm", "inductance_h", "current_a", "energy_j",
        "ballast_ohm", "u_resistance_ohm", "u_resistance_20c_ohm", "u_inductance_h",
        "u_current_a", "u_energy_j", "u_ballast_ohm", "loop_ohm", "u_loop_ohm", "standing_a",
        "u_standing_a", "heat_w", "u_heat_w", "saturates", "residual_a", "polarity",
    )  # fmt: skip
    return dict.fromkeys(keys) | {"by_speed": []}


def empty_supply() -> Table:
    return dict.fromkeys(
        ("volts", "u_volts", "closed_volts", "u_closed_volts", "sag_v", "u_sag_v", "polarity")
    )


def blank(table: dict[str, Any]) -> dict[str, Any]:
    return {key: [] if isinstance(value, list) else None for key, value in table.items()}


def without_nan(value: Any) -> Any:
    """Numbers that are none become null: the contract allows no NaN."""
    if isinstance(value, dict):
        return {k: without_nan(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [without_nan(v) for v in value]
    if isinstance(value, (float, np.floating)):
        return float(value) if np.isfinite(value) else None
    if isinstance(value, (int, np.integer)) and not isinstance(value, bool):
        return int(value)
    return value
