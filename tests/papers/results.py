"""Results written by hand, by the contract: figures that no picture could come by otherwise."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from breakerbench.edges.average import Averaged, Shape
from breakerbench.edges.shown import SlowCycles, Trace
from breakerbench.judge.decisions import decide
from breakerbench.judge.specification import Specification, parse_specification
from breakerbench.papers.subject import Subject
from breakerbench.papers.words import Shown

Floats = NDArray[np.float64]

LIMITS = """
[dwell]
min_deg = 50.0
max_deg = 58.0
aim_deg = 52.0
max_variation_deg = 2.0
[spacing]
max_error_deg = 1.0
max_interval_error_deg = 1.5
[scatter]
max_deg = 0.5
"""
CURVES = """
[bounce]
settle_deg = 0.6
none_below_rpm = 1500
[advance]
points = [[400, -0.5, 0.5], [900, 4.0, 6.0], [1600, 9.0, 11.0]]
falling = [[800, 3.0, 7.0], [1500, 9.0, 11.5]]
max_hysteresis_deg = 1.0
"""
CIRCUIT = """
[contact]
max_drop_v = 0.2
at_current_a = 3.5
[coil]
supply_v = 12.0
resistance_ohm = [2.8, 3.4]
current_a = [3.0, 4.5]
[spark]
min_duration_ms = 0.8
gap_mm = 6.0
"""


def specification(body: str = LIMITS, lobes: int = 4, name: str = "of the test") -> Specification:
    text = (
        f'schema = 1\n[distributor]\nname = "{name}"\nlobes = {lobes}\n'
        f'source = "invented for a test"\n{body}\n'
    )
    return parse_specification(text.encode(), "test.toml")


def _curve(*points: tuple[float, float]) -> list[dict[str, float]]:
    return [
        {"rpm": rpm, "deg": deg, "u_deg": 0.05 * (k + 1)} for k, (rpm, deg) in enumerate(points)
    ]


def result(lobes: int = 4) -> dict[str, Any]:
    """Every figure of this version: each lobe another, each speed another."""
    each = range(lobes)
    return {
        "schema": 1,
        "trace": {
            "simulated": False, "origin": "test", "sample_rate_hz": 250000.0, "seconds": 12.0,
            "lobes": lobes, "reference": "encoder and index",
        },
        "speed": {"min_rpm": 400.0, "max_rpm": 1600.0, "revolutions": 191},
        "dwell": {
            "mean_deg": 54.0, "u_deg": 0.25, "percent": 60.0, "u_percent": 0.3,
            "per_lobe_deg": [54.0 + 0.1 * lobe for lobe in each],
            "u_per_lobe_deg": [0.3 + 0.01 * lobe for lobe in each],
            "variation_deg": 1.0, "u_variation_deg": 0.4,
            "by_speed": [
                {
                    "rpm": rpm, "deg": deg, "u_deg": u,
                    "per_lobe_deg": [deg + 0.1 * lobe for lobe in each],
                    "u_per_lobe_deg": [u + 0.01 * lobe for lobe in each],
                }
                for rpm, deg, u in ((400.0, 53.5, 0.2), (1600.0, 54.5, 0.6))
            ],
            "meter_deg": 53.9,
        },
        "spacing": {
            "error_deg": [(-1.0) ** lobe * 0.02 * lobe for lobe in each],
            "interval_error_deg": [(-1.0) ** lobe * 0.03 * (lobe + 1) for lobe in each],
            "u_deg": 0.11, "u_interval_deg": 0.17,
        },
        "scatter": {"deg": 0.75, "range_deg": 3.5, "u_deg": 0.06},
        "bounce": {
            "onset_rpm": 1175.0, "u_onset_rpm": 50.0, "looked_to_rpm": 1550.0,
            "by_speed": [
                {
                    "rpm": rpm, "settle_deg": settle, "u_settle_deg": u, "settle_s": 1e-4,
                    "share": share, "closings": 80,
                }
                for rpm, settle, u, share in (
                    (400.0, None, None, 0.0), (1000.0, 0.3, 0.02, 0.25), (1550.0, 0.9, None, 0.5)
                )
            ],
        },
        "advance": {
            "reference": "rest plateau",
            "rising": _curve((400.0, 0.0), (900.0, 5.0), (1600.0, 10.0)),
            "falling": _curve((1500.0, 10.1), (900.0, 5.75)),
            "start_rpm": 503.0, "u_start_rpm": 7.0, "max_deg": 10.25, "u_max_deg": 0.08,
            "hysteresis_deg": 0.75, "u_hysteresis_deg": 0.1, "slopes": [],
        },
        **circuit(lobes),
        "why": {}, "warnings": [], "notes": [], "decisions": [],
    }  # fmt: skip


def circuit(lobes: int = 4) -> dict[str, Any]:
    """Contact, feed, coil, spark: 12.5 V behind 3.125 ohm, 6.25 mH, so 4 A and 2 ms."""
    return {
        "contact": {
            "drop_v": 0.12, "u_drop_v": 0.01, "resistance_ohm": 0.025, "u_resistance_ohm": 0.002,
            "current_a": 3.9, "u_current_a": 0.04, "spread_v": 0.003,
        },
        "supply": {
            "volts": 12.5, "u_volts": 0.1, "closed_volts": 12.2, "sag_v": 0.3, "u_sag_v": 0.01,
            "polarity": "negative ground",
        },
        "coil": {
            "resistance_ohm": 3.0, "u_resistance_ohm": 0.04, "resistance_20c_ohm": 3.0,
            "u_resistance_20c_ohm": 0.05, "inductance_h": 6.25e-3, "u_inductance_h": 1e-4,
            "current_a": 3.9, "u_current_a": 0.04, "energy_j": 0.0475, "u_energy_j": 0.001,
            "ballast_ohm": 0.1, "u_ballast_ohm": 0.01, "loop_ohm": 3.125, "u_loop_ohm": 0.05,
            "standing_a": 4.0, "u_standing_a": 0.05, "heat_w": 48.0, "u_heat_w": 1.5,
            "saturates": False, "residual_a": 0.004, "polarity": None,
            "by_speed": [
                {"rpm": 400.0, "current_a": 3.9, "u_current_a": 0.04, "energy_j": 0.0475,
                 "u_energy_j": 0.001},
                {"rpm": 1600.0, "current_a": 3.2, "u_current_a": 0.05, "energy_j": 0.032,
                 "u_energy_j": None},
            ],
        },
        "spark": {
            "duration_s": 1.5e-3, "u_duration_s": 2e-5, "misses": 7, "openings": 760,
            "burn_v": 20.0, "u_burn_v": 0.5, "by_lobe": [0] * (lobes - 1) + [7], "by_tower": [],
        },
    }  # fmt: skip


def contact(rails_v: tuple[float, float] | None = (-25.0, 25.0)) -> Averaged:
    """Averaged contacts of a dry feed: steps of 12 V, the touch bouncing from 40 to 60 us."""
    time_s = np.arange(-400, 2001) * 1e-6
    opening = np.where(time_s > 0.0, 12.0, 0.1)
    bounces = np.where((time_s > 40e-6) & (time_s < 60e-6), 6.0, 0.1)
    touch = np.where(time_s > 0.0, bounces, 12.0)
    std = np.where(touch == 6.0, 6.0, 0.05)
    return Averaged(
        touch=_shape(time_s, touch, std, 150),
        opening=_shape(time_s, opening, np.full(len(time_s), 0.05), 160),
        interval_s=0.01,
        closed_s=0.006,
        rails_v=rails_v,
    )


def cycles(sign: float = 1.0) -> SlowCycles:
    """Closed times of 16 ms whose current and drop are as ``circuit`` has them, and a spark of 1.5 ms.

    sign  -1: positive ground, the current probe turned round too
    """
    t = (np.arange(400) + 0.5) * 4e-5
    amps = 4.0 * (1.0 - np.exp(-t / 2e-3))
    after = np.arange(-100, 2000) * 4e-6
    burn = np.where(after < 1.5e-3, 32.5, 12.5)
    volts = np.where(after < 0.0, 0.1, np.where(after < 2e-5, 200.0, burn))
    single = (after[::3] + 1e-6, sign * volts[::3])
    return SlowCycles(
        {
            "current_a": Trace(t, sign * amps, np.full(400, 0.01)),
            "points_v": Trace(t, sign * (0.0225 + 0.025 * amps), np.full(400, 0.02)),
        },
        Trace(after, sign * volts, np.full(2100, 0.5), (single,)),
        150, 160, 0.0375, 0.016, (-400.0, 400.0),
    )  # fmt: skip


def _shape(time_s: Floats, mean: Floats, std: Floats, n: int) -> Shape:
    single = (time_s[::4] + 1e-6, mean[::4])
    return Shape(time_s, mean, std, n, (single,), float(mean.min()), float(mean.max()))


def judged(told: dict[str, Any], spec: Specification | None) -> dict[str, Any]:
    """The result with the decisions that the judge makes of it."""
    return told | {"decisions": [one.to_json() for one in decide(told, spec)] if spec else []}


def subject(
    told: dict[str, Any] | None = None,
    spec: Specification | None = None,
    shown: Shown | None = None,
    title: str = "run.csv",
) -> Subject:
    """What is drawn, judged against ``spec``."""
    told = judged(result() if told is None else told, spec)
    return Subject(title, told, spec, shown or Shown(), contact(), None, cycles())
