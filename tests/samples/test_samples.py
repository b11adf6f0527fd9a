"""Every sample trace through the real command, held against what is known of it.

A figure must lie within the allowance of design section 6 or within its own stated uncertainty;
counts and states must be equal; the decisions are those that the truth asks for.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from cli.command import breakerbench

SAMPLES = Path(__file__).resolve().parents[2] / "sample_traces"
TRUTHS = sorted(SAMPLES.glob("*.truth.json"))
MOST_BYTES = 20_000_000

#: Allowance of design section 6 and the key of the uncertainty, by table and key of the result.
FIGURES = {
    "dwell.mean_deg": (0.03, "dwell.u_deg"),
    "dwell.percent": (0.03, "dwell.u_percent"),
    "dwell.per_lobe_deg": (0.03, "dwell.u_per_lobe_deg"),
    "spacing.error_deg": (0.03, "spacing.u_deg"),
    "spacing.interval_error_deg": (0.03, "spacing.u_interval_deg"),
    "scatter.deg": (0.01, "scatter.u_deg"),
    "bounce.onset_rpm": (50.0, "bounce.u_onset_rpm"),
    "advance.start_rpm": (12.0, "advance.u_start_rpm"),
    "advance.max_deg": (0.15, "advance.u_max_deg"),
    "advance.hysteresis_deg": (0.15, "advance.u_hysteresis_deg"),
    "contact.drop_v": (0.005, "contact.u_drop_v"),
    "coil.resistance_ohm": (0.012, "coil.u_resistance_ohm"),
    "coil.inductance_h": (1.05e-4, "coil.u_inductance_h"),
    "coil.current_a": (0.01, "coil.u_current_a"),
    "condenser.capacitance_f": (1.3e-9, "condenser.u_capacitance_f"),
    "condenser.leakage_ohm": (0.0, "condenser.u_leakage_ohm"),
    "spark.duration_s": (30e-6, "spark.u_duration_s"),
}
#: Rows of the result by speed or vacuum: key of the row, the value and its allowance.
ROWS = {
    "advance.rising": ("rpm", "deg", 0.12),
    "advance.falling": ("rpm", "deg", 0.12),
    "vacuum.points": ("kpa", "deg", 0.12),
}


def described(path: Path) -> dict[str, Any]:
    loaded: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    return loaded


def analyzed(sample: dict[str, Any]) -> dict[str, Any]:
    ran = breakerbench(
        "analyze", sample["file"], *sample["options"], "--json", "-", folder=SAMPLES, timeout=120
    )
    assert ran.status == 0, ran.err
    result: dict[str, Any] = json.loads(ran.out)
    return result


def at(result: dict[str, Any], place: str) -> Any:
    table, key = place.split(".")
    return (result.get(table) or {}).get(key)


def complaints(result: dict[str, Any], truth: dict[str, Any]) -> list[str]:
    said = []
    for table, keys in truth.items():
        for key, true in keys.items():
            place = f"{table}.{key}"
            value = at(result, place)
            if place in ROWS:
                said += rows_off(place, value, true)
            elif place not in FIGURES:
                if value != true:
                    said.append(f"{place} is {value}, true is {true}")
            elif value is None or true is None:
                if value is not true:
                    said.append(f"{place} is {value}, true is {true}: {result['why']}")
            else:
                allowance, u_place = FIGURES[place]
                values, trues, us = (
                    one if isinstance(one, list) else [one]
                    for one in (value, true, at(result, u_place))
                )
                us = us if len(us) == len(values) else us * len(values)
                assert len(values) == len(trues), place
                said += [
                    f"{place} is {v:.4f} ± {u:.4f}, true is {t:.4f}"
                    for v, t, u in zip(values, trues, us, strict=True)
                    if abs(v - t) > max(allowance, u)
                ]
    return said


def rows_off(place: str, rows: list[dict[str, float]], true: list[dict[str, float]]) -> list[str]:
    """Points of a curve against the true curve, straight lines between its points."""
    by, of, allowance = ROWS[place]
    if not rows:
        return [f"{place} is empty"]
    said = []
    for row in rows:
        below = max((r for r in true if r[by] <= row[by]), key=lambda r: r[by], default=None)
        above = min((r for r in true if r[by] >= row[by]), key=lambda r: r[by], default=None)
        if below is None or above is None:
            continue
        span = above[by] - below[by]
        share = (row[by] - below[by]) / span if span else 0.0
        expected = below[of] + share * (above[of] - below[of])
        if abs(row[of] - expected) > max(allowance, row[f"u_{of}"] or 0.0):
            said.append(f"{place} at {row[by]:.0f} is {row[of]:.3f}, true is {expected:.3f}")
    return said


@pytest.mark.parametrize("path", TRUTHS, ids=lambda path: path.name.split(".")[0])
def test_sample(path: Path) -> None:
    sample = described(path)
    result = analyzed(sample)
    assert result["trace"]["simulated"] is True
    assert sample["truth"], "nothing is known of it"
    said = complaints(result, sample["truth"])
    found = {d["what"]: d["decision"] for d in result["decisions"]}
    said += [
        f"{what} is {found.get(what)}, expected {decision}"
        for what, decision in sample["decisions"].items()
        if found.get(what) != decision
    ]
    told = " ".join([*result["notes"], *result["warnings"], *result["why"].values()])
    said += [f"does not say: {text}" for text in sample["says"] if text not in told]
    assert not said, "\n".join(said)


def test_what_is_there() -> None:
    """A dozen, each with its truth and where it is from; small; told of in their own guide."""
    files = {path.name for path in SAMPLES.iterdir()}
    traces = {described(path)["file"] for path in TRUTHS}
    assert len(traces) >= 12
    assert {Path(name).suffix for name in traces} == {".bbr", ".csv", ".wav", ".vcd"}
    assert files == {
        "README.md",
        *traces,
        *(path.name for path in TRUTHS),
        *(name for name in files if name.endswith(".toml")),
    }
    assert sum(path.stat().st_size for path in SAMPLES.iterdir()) <= MOST_BYTES
    guide = (SAMPLES / "README.md").read_text(encoding="utf-8")
    for path in TRUTHS:
        sample = described(path)
        assert sample["file"] in guide
        assert sample["provenance"]
        command = " ".join(("breakerbench analyze", sample["file"], *sample["options"]))
        assert command in guide
    assert sum("ngspice" in described(path)["provenance"] for path in TRUTHS) >= 2


def test_a_wrong_truth_is_found() -> None:
    """The comparison itself can fail."""
    sample = described(next(path for path in TRUTHS if "healthy-12v" in path.name))
    result = analyzed(sample)
    assert not complaints(result, sample["truth"])
    for table, key, off in (("dwell", "mean_deg", 0.2), ("scatter", "deg", 0.1)):
        wrong = {table: {key: sample["truth"][table][key] + off}}
        assert complaints(result, wrong)
    assert complaints(result, {"supply": {"polarity": "positive ground"}})
