"""The harness itself: it must see a wrong figure."""

from __future__ import annotations

import copy
from typing import Any

import pytest

from .generator import case
from .hold import LackingError, allowance_deg, band, figures, table, wrong_decisions


def _perfect(truth: dict[str, Any]) -> dict[str, Any]:
    real = truth["realized"]
    lobes = truth["lobes"]
    return {
        "dwell": {
            "mean_deg": real["dwell_mean_deg"],
            "u_deg": 0.05,
            "percent": real["dwell_mean_deg"] * lobes / 3.6,
            "per_lobe_deg": list(real["dwell_per_lobe_deg"]),
            "u_per_lobe_deg": [0.1] * lobes,
        },
        "spacing": {
            "error_deg": list(real["spacing_deg"]),
            "interval_error_deg": list(real["interval_deg"]),
            "u_deg": 0.1,
        },
        "scatter": {"deg": real["scatter_deg"], "u_deg": 0.02},
        "decisions": [
            {
                "what": "dwell.mean_deg",
                "value": 1.0,
                "u": 0.0,
                "low": 0.0,
                "high": 360.0,
                "decision": "pass",
            }
        ],
    }


def test_a_perfect_result_passes_and_each_wrong_one_is_seen() -> None:
    _, _, truth = case(3, lobes=4, rpm=900, scatter_deg=0.03)
    result = _perfect(truth)
    assert all(f.good for f in figures(result, truth))
    assert not wrong_decisions(result, truth)
    assert "dwell per lobe" in table(figures(result, truth))

    for where, key in (("dwell", "per_lobe_deg"), ("spacing", "error_deg")):
        bad = copy.deepcopy(result)
        bad[where][key][1] += 0.05
        assert any(not f.good for f in figures(bad, truth))
    bad = copy.deepcopy(result)
    bad["scatter"]["deg"] += 0.03
    assert any(not f.good for f in figures(bad, truth))
    bad = copy.deepcopy(result)
    bad["dwell"]["per_lobe_deg"] = [*bad["dwell"]["per_lobe_deg"][1:], 50.0]
    assert any(not f.good for f in figures(bad, truth))
    bad = copy.deepcopy(result)
    bad["decisions"][0]["decision"] = "fail"
    assert wrong_decisions(bad, truth)
    bad = copy.deepcopy(result)
    bad["scatter"]["deg"] = None
    with pytest.raises(LackingError):
        figures(bad, truth)


def test_lobes_without_a_number_are_compared_in_the_best_turn() -> None:
    _, _, truth = case(3, lobes=4, rpm=900, scatter_deg=0.03)
    turned = _perfect(truth)
    for table_, key in (
        ("dwell", "per_lobe_deg"),
        ("spacing", "error_deg"),
        ("spacing", "interval_error_deg"),
    ):
        values = turned[table_][key]
        turned[table_][key] = values[2:] + values[:2]
    assert any(not f.good for f in figures(turned, truth))
    assert all(f.good for f in figures(turned, truth, numbered=False))


def test_allowances_are_those_of_the_design() -> None:
    assert allowance_deg(250e3) == pytest.approx(0.02)
    assert allowance_deg(100e3) == pytest.approx(0.03)
    assert allowance_deg(20e3) == pytest.approx(0.15)
    low, high = band(1000)
    assert low < 944
    assert high > 971
