"""What a finished job shows against what ``analyze`` makes of its recordings."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from app.driving import Driven
from app.figures import SHOWN, SHOWN_IN, analyzed, rows_show, same_digits

ELECTRICS = {
    "contact drop": ("contact", "drop_v", "u_drop_v", "V"),
    "coil resistance": ("coil", "resistance_ohm", "u_resistance_ohm", "ohm"),
    "coil inductance": ("coil", "inductance_h", "u_inductance_h", "H"),
    "coil current": ("coil", "current_a", None, "A"),
    "coil energy": ("coil", "energy_j", None, "J"),
    "spark duration": ("spark", "duration_s", "u_duration_s", "s"),
    "sparks missed": ("spark", "misses", None, ""),
    "ring after the opening": ("condenser", "ring_hz", None, "Hz"),
}


def results_of(folder: Path) -> dict[str, dict[str, Any]]:
    """Of each recording of a job, by the command."""
    spec, hand = folder / "specification.toml", folder / "hand.bbr"
    return {
        "hand": analyzed(hand, spec),
        "run": analyzed(folder / "run.bbr", spec, hand),
        "coil": analyzed(folder / "coil.bbr", spec),
        "condenser": analyzed(folder / "condenser.bbr", spec),
    }


def check_job(
    driven: Driven,
    folder: Path,
    run_texts: Sequence[str],
    coil_texts: Sequence[str],
    condenser_texts: Sequence[str],
) -> int:
    """Raises AssertionError where a figure is another; returns how many were compared."""
    results = results_of(folder)
    for name, result in results.items():
        kept = json.loads((folder / f"{name}.json").read_text())
        # The command knows more of where it read; every figure is the same, to the last bit.
        differ = {key for key in result if key != "trace" and kept.get(key) != result[key]}
        assert not differ, (name, {key: (kept.get(key), result[key]) for key in differ})
    compared = rows_show(driven.rows, results)
    run, condenser = results["run"], results["condenser"]["condenser"]
    dwell = [text for text in run_texts if " dwell" in text and "±" in text]
    assert len(dwell) == 1
    same_digits(dwell[0], run["dwell"]["mean_deg"], run["dwell"]["u_deg"])
    great = [text for text in condenser_texts if "±" in text][-1]
    same_digits(great, condenser["capacitance_f"], condenser["u_capacitance_f"], 1e6)
    return compared + 2 + check_electrics(coil_texts, results["coil"])


def check_electrics(texts: Sequence[str], coil: Mapping[str, Any]) -> int:
    """The list of the spark and coil step, and its great figure."""
    lines = [line for text in texts for line in text.splitlines() if ": " in line]
    compared = 0
    for line in lines:
        name, _, rest = line.partition(": ")
        if name not in ELECTRICS or rest.startswith("not measured"):
            continue
        group, key, u_key, unit = ELECTRICS[name]
        shown = SHOWN.get(unit, unit)
        same_digits(rest, coil[group][key], coil[group].get(u_key or ""), SHOWN_IN.get(shown, 1.0))
        assert rest.endswith(shown), line
        compared += 1
    assert f"{coil['spark']['duration_s'] * 1e3:.2f}" in texts
    assert compared >= 6, lines
    return compared + 1
