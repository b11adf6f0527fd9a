"""Tables of the result without figures, and what makes any table fit for JSON."""

from __future__ import annotations

from typing import Any

import numpy as np

NOT_YET = "this version does not measure it yet"
LATER: dict[str, dict[str, Any]] = {
    "contact": {
        "drop_v": None, "resistance_ohm": None, "u_drop_v": None, "u_resistance_ohm": None,
    },
    "coil": {
        "resistance_ohm": None, "resistance_20c_ohm": None, "inductance_h": None,
        "current_a": None, "energy_j": None, "ballast_ohm": None, "u_resistance_ohm": None,
        "u_inductance_h": None,
    },
    "condenser": {
        "capacitance_f": None, "leakage_ohm": None, "series_ohm": None, "u_capacitance_f": None,
    },
    "spark": {"duration_s": None, "u_duration_s": None, "misses": None},
}  # fmt: skip


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


def later(why: dict[str, str]) -> dict[str, Any]:
    """The tables that this version does not measure; the reason goes to ``why``."""
    for name in (*LATER, "findings"):
        why[name] = NOT_YET
    return {name: blank(empty) for name, empty in LATER.items()}


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
