"""Results written by hand, by the contract: figures that no picture could come by otherwise."""

from __future__ import annotations

from typing import Any

from breakerbench.judge.decisions import decide
from breakerbench.judge.specification import Specification, parse_specification
from breakerbench.papers.subject import Subject
from breakerbench.papers.words import Shown

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


def specification(body: str = LIMITS, lobes: int = 4, name: str = "of the test") -> Specification:
    text = (
        f'schema = 1\n[distributor]\nname = "{name}"\nlobes = {lobes}\n'
        f'source = "invented for a test"\n{body}\n'
    )
    return parse_specification(text.encode(), "test.toml")


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
                {"rpm": 400.0, "deg": 53.5, "u_deg": 0.2},
                {"rpm": 1600.0, "deg": 54.5, "u_deg": 0.6},
            ],
            "meter_deg": 53.9,
        },
        "spacing": {
            "error_deg": [(-1.0) ** lobe * 0.02 * lobe for lobe in each],
            "interval_error_deg": [(-1.0) ** lobe * 0.03 * (lobe + 1) for lobe in each],
            "u_deg": 0.11, "u_interval_deg": 0.17,
        },
        "scatter": {"deg": 0.75, "range_deg": 3.5, "u_deg": 0.06},
        "why": {}, "warnings": [], "notes": [], "decisions": [],
    }  # fmt: skip


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
    return Subject(title, told, spec, shown or Shown())
