"""A condenser against its limits: with figures, without them, with a bound in their place."""

from __future__ import annotations

from typing import Any

import pytest

from breakerbench.judge.decisions import decide
from breakerbench.judge.specification import parse_specification
from judge.contract import WHOLE

SPEC = parse_specification(WHOLE.encode(), "test.toml")


def decided(**table: Any) -> dict[str, str]:
    result = {"condenser": table, "why": {"condenser": "of the test"}}
    found = [d for d in decide(result, SPEC) if d.what.startswith("condenser.")]
    for each in found:
        if each.value is None:
            assert each.why == "of the test"
    return {d.what.removeprefix("condenser."): d.decision for d in found}


@pytest.mark.parametrize(
    ("value", "u", "decision"),
    [
        (0.22e-6, 0.002e-6, "pass"),
        (0.13e-6, 0.002e-6, "fail"),
        (0.27e-6, 0.002e-6, "fail"),
        (0.181e-6, 0.002e-6, "undecided"),
        (None, None, "not measured"),
    ],
)
def test_capacitance(value: float | None, u: float | None, decision: str) -> None:
    assert decided(capacitance_f=value, u_capacitance_f=u)["capacitance_f"] == decision


def test_an_open_and_a_shorted_condenser_fail_without_a_figure() -> None:
    assert decided(state="open", capacitance_at_most_f=1e-9) == {
        "capacitance_f": "fail",
        "leakage_ohm": "not measured",
    }
    assert decided(state="shorted") == {"capacitance_f": "fail", "leakage_ohm": "fail"}
    # a resistor too small for the trace says nothing
    assert decided(capacitance_at_most_f=0.2e-6)["capacitance_f"] == "not measured"


@pytest.mark.parametrize(
    ("value", "u", "least", "decision"),
    [
        (20e6, 8e6, 14e6, "pass"),
        (20e6, 18e6, 7e6, "pass"),  # the bound decides: a reciprocal is what is measured
        (6e6, 3e6, 4e6, "undecided"),
        (2e6, 0.1e6, 1.9e6, "fail"),
        (None, None, 9e6, "pass"),
        (None, None, 0.9e6, "not measured"),
        (None, None, None, "not measured"),
    ],
)
def test_leakage(value: float | None, u: float | None, least: float | None, decision: str) -> None:
    table = {"leakage_ohm": value, "u_leakage_ohm": u, "leakage_at_least_ohm": least}
    assert decided(**table)["leakage_ohm"] == decision
