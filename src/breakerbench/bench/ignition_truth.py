"""The truth of the electrical figures of a run with a coil, in the keys of the result."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from breakerbench.bench.ignition import Ignition
from breakerbench.bench.ignition_modes import (
    CLAMP_V,
    CONTACT_V,
    CURRENT_A,
    PLATE_V,
    POINTS_V,
    SUPPLY_V,
    condenser,
)
from breakerbench.bench.ignition_run import Run
from breakerbench.bench.model import Bench
from breakerbench.bench.motion import Motion

Floats = NDArray[np.float64]

#: Signal of the contact's probe, by where it sits.
PROBE_SIGNALS = {"points": POINTS_V, "contact": CONTACT_V, "plate": PLATE_V, "clamp": CLAMP_V}
#: Width of a bin of speed, centred on its multiples, rpm.
_BIN_RPM = 50.0
#: Where on the burn line its level is taken, and at how many places.
_MIDDLE, _PLACES = (0.25, 0.75), 48


def electrical_truth(bench: Bench, run: Run, motion: Motion, lobes: int) -> dict[str, Any]:
    """Truth of contact, coil, condenser, spark and supply as a mapping that JSON can hold.

    Parameters are those of the circuit; currents, drops and sparks those of the openings that happened:
    all openings by a lobe but the first (before it the current had all the time in the world), and for
    sparks only those that are over before the run ends.
    """
    circuit = bench.ignition
    assert circuit is not None
    opening = np.flatnonzero(run.proper)
    begin_s = run.begin_s[opening]
    # the first has no whole dwell before it; a drop needs a closed contact before
    known = opening[(opening > 1) & (begin_s <= bench.drive.seconds)]
    at_s = run.begin_s[known]
    current = run.at(CURRENT_A, at_s, before=True)
    volts = run.at(SUPPLY_V, at_s, before=True)
    rpm = motion.speed_rpm(at_s)
    energy = 0.5 * circuit.coil_h * current**2
    polarity = "positive ground" if circuit.positive_ground else "negative ground"
    mean_volts = _mean(volts)
    # what the supply would give at no current; it may drift
    open_volts = _mean(volts + circuit.source_ohm * current)
    return {
        "contact": _contact(bench, circuit, run, at_s, current),
        "coil": {
            "resistance_ohm": circuit.coil_ohm,
            "resistance_20c_ohm": circuit.coil_ohm_20c,
            "temperature_c": circuit.coil_c,
            "inductance_h": circuit.coil_h,
            "ballast_ohm": circuit.ballast_ohm,
            "source_ohm": circuit.source_ohm,
            "loop_ohm": circuit.loop_ohm,
            "current_a": _mean(current),
            "energy_j": _mean(energy),
            "standing_a": circuit.most_a,
            "heat_w": circuit.most_a**2 * circuit.coil_ohm,
            "polarity": "reversed" if circuit.reversed else "right",
            "by_speed": _by_speed(rpm, current, energy),
        },
        "condenser": {
            "capacitance_f": circuit.condenser_f,
            "leakage_ohm": circuit.leakage_ohm,
            "series_ohm": condenser(circuit)[1],
        },
        "spark": _sparks(bench, circuit, run, opening, lobes),
        "supply": {
            "volts": mean_volts,
            "open_volts": circuit.volts if open_volts is None else open_volts,
            "sag_v": circuit.source_ohm * float(np.mean(current)) if current.size else None,
            "polarity": polarity,
        },
    }


def _contact(
    bench: Bench, circuit: Ignition, run: Run, at_s: Floats, current: Floats
) -> dict[str, Any]:
    parts = {
        "contact": circuit.contact_ohm,
        "plate": circuit.plate_ohm,
        "clamp": circuit.clamp_ohm,
        "points": circuit.points_ohm,
    }
    drop = run.at(PROBE_SIGNALS[bench.probe_at], at_s, before=True)
    film = bench.probe_at in ("points", "contact")
    return {
        "drop_v": _mean(drop),
        "resistance_ohm": parts[bench.probe_at],
        "current_a": _mean(current),
        "film_v": circuit.film_v if film else 0.0,
        "spread_v": float(np.std(drop, ddof=1)) if drop.size > 1 else None,
        "probe_at": bench.probe_at,
        "parts": {
            "lead_ohm": circuit.lead_ohm,
            "contact_ohm": circuit.contact_ohm,
            "plate_ohm": circuit.plate_ohm,
            "clamp_ohm": circuit.clamp_ohm,
            "film_v": circuit.film_v,
        },
    }


def _by_speed(rpm: Floats, current: Floats, energy: Floats) -> list[dict[str, float | int]]:
    rows: list[dict[str, float | int]] = []
    bins = np.floor(rpm / _BIN_RPM + 0.5)
    for which in np.unique(bins):
        pick = bins == which
        rows.append(
            {
                "rpm": float(np.mean(rpm[pick])),
                "current_a": float(np.mean(current[pick])),
                "energy_j": float(np.mean(energy[pick])),
                "openings": int(np.count_nonzero(pick)),
            }
        )
    return rows


def _sparks(
    bench: Bench, circuit: Ignition, run: Run, opening: NDArray[np.intp], lobes: int
) -> dict[str, Any]:
    ends_s = np.append(run.begin_s[1:], np.inf)
    over = np.maximum(ends_s[opening], np.nan_to_num(run.spark_end_s[opening], nan=0.0))
    looked = opening[over <= bench.drive.seconds]
    missed = np.isnan(run.spark_end_s[looked])
    whole = looked[~missed & ~run.spark_cut[looked]]
    duration = run.spark_end_s[whole] - run.begin_s[whole]
    by_lobe = np.bincount(run.lobe[looked[missed]], minlength=lobes)
    by_tower = np.bincount(run.tower[looked[missed]], minlength=lobes)
    share = np.linspace(*_MIDDLE, _PLACES)
    times = run.begin_s[whole][:, None] + duration[:, None] * share
    levels = run.at(POINTS_V, times.ravel()).reshape(times.shape).mean(axis=1) - circuit.volts
    at_end = run.at(POINTS_V, run.spark_end_s[whole], before=True) - circuit.volts
    return {
        "duration_s": float(np.median(duration)) if duration.size else None,
        "range_s": float(np.ptp(duration)) if duration.size else None,
        "shortest_s": float(np.min(duration)) if duration.size else None,
        "openings": int(looked.size),
        "misses": int(np.count_nonzero(missed)),
        "cut": int(np.count_nonzero(~missed & run.spark_cut[looked])),
        "by_lobe": by_lobe.tolist(),
        "by_tower": [
            {"tower": tower + 1, "misses": int(misses)} for tower, misses in enumerate(by_tower)
        ],
        "burn_v": float(np.median(levels)) if levels.size else None,
        "burn_end_v": float(np.median(at_end)) if at_end.size else None,
        "each": {
            "opening_s": run.begin_s[looked].tolist(),
            "lobe": (run.lobe[looked] + 1).tolist(),
            "duration_s": [
                float(end - begin) if np.isfinite(end) and not cut else None
                for begin, end, cut in zip(
                    run.begin_s[looked],
                    run.spark_end_s[looked],
                    run.spark_cut[looked],
                    strict=True,
                )
            ],
            "missed": missed.tolist(),
        },
    }


def _mean(values: Floats) -> float | None:
    return float(np.mean(values)) if values.size else None
