"""Vacuum advance end to end on traces of the independent generator: all of it is simulated.

Common practice, no source: a hand pump takes seconds, and what is entered comes a little early or late.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from breakerbench.judge.specification import parse_specification
from breakerbench.pipeline import analyze

from .generator import TraceSource, case
from .splits import BLOCKS, WHOLE, digits

STEADY = ((0.0, 700.0), (24.0, 700.0))
#: Truth: the plate moves at these instants. Told: what the person typed.
PLATE = ((5.7, 3.0), (11.8, 8.0), (18.3, 0.0))
TOLD = ((0.0, 0.0), (6.0, 12.0), (12.0, 30.0), (18.0, 0.0))
BASE = {
    "lobes": 4,
    "profile": STEADY,
    "rate_hz": 100e3,
    "opening_deg": (40.0, 130.2, 219.9, 309.7),
    "dwell_deg": (50.0, 50.0, 50.0, 50.0),
    "vacuum": PLATE,
    "vacuum_told": TOLD,
    "vacuum_dwell_deg": 0.2,
}
LIMITS = "[vacuum]\npoints = [[0, -0.5, 0.5], [12, 2.5, 3.5], [30, 7.5, 8.5]]\n"


def result_of(seed: int, limits: str = "", **more: Any) -> dict[str, Any]:
    source, text, _ = case(seed, **{**BASE, **more})
    assert isinstance(source, TraceSource)
    return analyze(source, parse_specification((text + limits).encode(), "a.toml"))


@pytest.mark.parametrize(("reference", "allowed"), [("encoder", 0.04), ("index", 0.12)])
def test_steps_of_vacuum(reference: str, allowed: float) -> None:
    result = result_of(1, reference=reference)
    points = result["vacuum"]["points"]
    assert [p["kpa"] for p in points] == [0.0, 12.0, 30.0, 0.0]
    for point, truth in zip(points, (0.0, 3.0, 8.0, 0.0), strict=True):
        assert point["deg"] == pytest.approx(truth, abs=allowed)
        assert abs(point["deg"] - truth) <= point["u_deg"] < 0.3
    # A plate under vacuum moves dwell by a degree and more here: only 0 kPa counts.
    assert result["dwell"]["mean_deg"] == pytest.approx(50.0, abs=0.05)
    assert any("0 kPa alone" in note for note in result["notes"])


def test_true_values_lie_inside_the_stated_uncertainty() -> None:
    """Steps drawn at random; 95 % of many are asked for, here at most 3 of 32 outside."""
    outside = 0
    for seed in range(16):
        rng = np.random.default_rng([seed, 5])
        truth = rng.uniform(1.0, 10.0, 2)
        plate = ((5.0, truth[0]), (10.0, truth[1]))
        told = ((0.0, 0.0), (5.0 + rng.uniform(-0.5, 0.5), 10.0), (10.3, 25.0))
        result = result_of(
            seed, vacuum=plate, vacuum_told=told, profile=((0.0, 600.0), (16.0, 600.0)),
            vacuum_lag_s=float(rng.uniform(0.05, 0.6)), wander_deg=float(rng.choice([0.0, 0.05])),
            reference="encoder",
        )  # fmt: skip
        points = result["vacuum"]["points"][1:]
        assert len(points) == 2
        for point, deg in zip(points, truth, strict=True):
            assert point["deg"] is not None, result["why"]
            outside += abs(point["deg"] - deg) > point["u_deg"]
    assert outside <= 3


def test_centrifugal_advance_is_taken_off_where_the_speed_is_not_the_same() -> None:
    """0 kPa is swept through the speeds, the vacuum is held at another speed within them."""
    advance = ((500.0, 0.0), (800.0, 6.0), (1300.0, 10.0))
    profile = (
        (0.0, 300.0),
        (2.0, 300.0),
        (10.0, 1000.0),
        (14.0, 1000.0),
        (15.0, 985.0),
        (21.0, 985.0),
    )
    result = result_of(
        3, reference="encoder", profile=profile, advance=advance,
        vacuum=((15.5, 5.0),), vacuum_told=((0.0, 0.0), (15.2, 20.0)),
    )  # fmt: skip
    (zero, point) = result["vacuum"]["points"]
    assert zero["deg"] == 0.0
    assert point["deg"] == pytest.approx(5.0, abs=max(0.06, point["u_deg"]))
    assert point["u_deg"] < 0.2
    assert result["advance"]["reference"] == "rest plateau"
    assert result["advance"]["max_deg"] == pytest.approx(7.6, abs=0.1)


def test_another_speed_altogether_is_refused_with_the_reason() -> None:
    profile = ((0.0, 700.0), (6.0, 700.0), (7.0, 1000.0), (14.0, 1000.0))
    result = result_of(
        4, LIMITS, reference="encoder", profile=profile, vacuum=((7.5, 5.0),),
        vacuum_told=((0.0, 0.0), (7.2, 30.0)),
    )  # fmt: skip
    assert result["vacuum"]["points"] == [{"kpa": 30.0, "deg": None, "u_deg": None}]
    assert "1000 rpm" in result["why"]["vacuum.points"]
    (decision,) = {d["decision"] for d in result["decisions"] if d["what"] == "vacuum.points"}
    assert decision == "not measured"


def test_without_a_step_at_zero_nothing_is_made_up_and_scatter_is_not_judged() -> None:
    result = result_of(5, LIMITS, vacuum_told=((0.0, 10.0), (12.0, 30.0)))
    assert result["vacuum"]["points"] == []
    assert "0 kPa" in result["why"]["vacuum"]
    assert result["vacuum"]["throughout"] is True
    assert result["scatter"]["deg"] is not None
    (scatter,) = [d for d in result["decisions"] if d["what"] == "scatter.deg"]
    assert scatter["decision"] == "undecided"
    assert "vacuum" in scatter["why"]
    assert "vacuum off" in scatter["settle"]


def test_a_vacuum_that_leaks_is_said_and_widens_its_uncertainty() -> None:
    leak = tuple((6.0 + 0.25 * k, 6.0 - 0.04 * k) for k in range(40))
    result = result_of(
        6, reference="encoder", vacuum=leak, vacuum_lag_s=0.1,
        profile=((0.0, 700.0), (16.0, 700.0)), vacuum_told=((0.0, 0.0), (6.0, 20.0)),
    )  # fmt: skip
    point = result["vacuum"]["points"][-1]
    assert point["deg"] is None or point["u_deg"] > 0.1 or "leaks" in " ".join(result["notes"])
    said = " ".join([*result["notes"], result["why"].get("vacuum.points", "")])
    assert "leaks" in said or "come to rest" in said


def test_a_plate_that_does_not_come_back_is_said_and_does_not_shift_the_points() -> None:
    result = result_of(9, reference="encoder", vacuum=((5.7, 3.0), (11.8, 8.0), (18.3, 1.2)))
    points = result["vacuum"]["points"]
    for point, truth in zip(points, (0.0, 3.0, 8.0, 1.2), strict=True):
        assert point["deg"] == pytest.approx(truth, abs=0.04)
    assert any("does not come back" in note for note in result["notes"])


def test_no_steps_no_vacuum() -> None:
    result = result_of(7, vacuum=(), vacuum_told=())
    assert result["vacuum"] == {"points": [], "throughout": None}
    assert "--vacuum" in result["why"]["vacuum"]


@pytest.mark.parametrize(("high", "verdict"), [(8.5, "pass"), (7.8, "fail")])
def test_points_are_judged(high: float, verdict: str) -> None:
    limits = f"[vacuum]\npoints = [[12, 2.5, 3.5], [30, 7.0, {high}]]\n"
    result = result_of(8, limits, reference="encoder")
    found = [d["decision"] for d in result["decisions"] if d["what"] == "vacuum.points"]
    assert found[-1] == verdict


@pytest.mark.parametrize("blocks", BLOCKS)
def test_no_split_of_the_trace_changes_a_digit(blocks: tuple[int, ...]) -> None:
    words = {**BASE, "holes": ((700_000, 712_345),)}
    assert digits(6, blocks, **words) == digits(6, WHOLE, **words)
