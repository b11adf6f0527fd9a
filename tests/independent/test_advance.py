"""Advance end to end on simulated traces: the independent generator, and the bench of our own.

Allowances of design: points 0.04 deg with an encoder and 0.12 deg with an index alone and an even
drive, at 4 s a speed; start 12 rpm, largest and hysteresis 0.15 deg.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from breakerbench.bench.drive import Drive
from breakerbench.bench.scenario import healthy
from breakerbench.bench.simulated import simulate
from breakerbench.bench.weights import Weights
from breakerbench.judge.specification import parse_specification
from breakerbench.pipeline import analyze

from .generator import TraceSource, case
from .splits import BLOCKS, WHOLE, digits

UP = ((500.0, 0.0), (800.0, 6.0), (1300.0, 10.0))
DOWN = ((500.0, 0.0), (780.0, 6.0), (1250.0, 10.0))
RAMPS = ((0.0, 300.0), (1.5, 300.0), (9.0, 1500.0), (10.5, 1500.0), (18.0, 300.0), (19.5, 300.0))
#: 4 s a speed, as the allowances have it.
SPEEDS = (300.0, 400.0, 600.0, 700.0, 950.0, 1150.0, 1400.0, 1500.0)
STEPS = tuple((4.3 * k + d, v) for k, v in enumerate(SPEEDS) for d in (0.0, 4.0))
BASE = {
    "lobes": 4,
    "advance": UP,
    "advance_falling": DOWN,
    "profile": RAMPS,
    "rate_hz": 100e3,
    "opening_deg": (40.0, 130.2, 219.9, 309.7),
    "dwell_deg": (50.0, 50.2, 49.8, 50.1),
}
LIMITS = "[advance]\npoints = [[300, -0.5, 0.5], [500, -0.5, 0.5], [800, 5.5, 6.5], {last}]\n"


def truth(points: tuple[tuple[float, float], ...], rpm: float) -> float:
    speeds, deg = zip(*points, strict=True)
    return float(np.interp(rpm, speeds, deg))


def result_of(seed: int, limits: str = "", **more: Any) -> dict[str, Any]:
    source, text, _ = case(seed, **{**BASE, **more})
    assert isinstance(source, TraceSource)
    return analyze(source, parse_specification((text + limits).encode(), "a.toml"))


@pytest.mark.parametrize("reference", ["encoder", "index"])
def test_ramps_up_and_down(reference: str) -> None:
    result = result_of(1, reference=reference)
    a = result["advance"]
    assert a["reference"] == "rest plateau"
    assert a["start_rpm"] == pytest.approx(500.0, abs=12.0)
    assert a["max_deg"] == pytest.approx(10.0, abs=0.15)
    most = max(abs(truth(UP, x) - truth(DOWN, x)) for x in range(300, 1500))
    assert a["hysteresis_deg"] == pytest.approx(most, abs=0.15)
    assert abs(a["hysteresis_deg"] - most) <= a["u_hysteresis_deg"]
    for way, curve in (("rising", UP), ("falling", DOWN)):
        assert len(a[way]) > 15
        outside = [abs(p["deg"] - truth(curve, p["rpm"])) > p["u_deg"] for p in a[way]]
        assert np.mean(outside) < 0.15


@pytest.mark.parametrize(("reference", "allowed"), [("encoder", 0.04), ("index", 0.12)])
def test_four_seconds_a_speed(reference: str, allowed: float) -> None:
    result = result_of(2, reference=reference, profile=STEPS, advance_falling=(), scatter_deg=0.08)
    a = result["advance"]
    # A ramp between two speeds may leave a point of a few revolutions besides.
    held = [p for p in a["rising"] if min(abs(p["rpm"] - v) for v in SPEEDS) < 2.0]
    assert len(held) == len(SPEEDS)
    for p in held:
        assert p["deg"] == pytest.approx(truth(UP, p["rpm"]), abs=allowed)
    assert a["falling"] == []
    assert result["why"]["advance.falling"]


def test_encoder_alone_against_its_own_plateau_and_nothing_without_a_reference() -> None:
    alone = result_of(3, reference="encoder alone")
    assert alone["advance"]["max_deg"] == pytest.approx(10.0, abs=0.15)
    none = result_of(3, reference="none")
    assert none["advance"]["rising"] == []
    assert none["why"]["advance"] == "no index channel"


@pytest.mark.parametrize("reference", ["encoder", "index"])
@pytest.mark.parametrize("limits", ["", LIMITS.format(last="[1300, 9, 11]")])
def test_the_wrong_way_round_is_said_and_nothing_is_judged(reference: str, limits: str) -> None:
    back = tuple((rpm, -deg) for rpm, deg in UP)
    result = result_of(4, limits, advance=back, advance_falling=(), reference=reference)
    assert any("wrong way" in text for text in result["warnings"])
    assert "wrong way" in result["why"]["advance"]
    assert result["decisions"] == []
    assert "wrong way" in result["why"]["decisions"]
    assert result["dwell"]["mean_deg"] == pytest.approx(50.0, abs=0.3)


@pytest.mark.parametrize("reference", ["encoder", "index"])
def test_unevenly_spaced_lobes_in_the_opposite_order(reference: str) -> None:
    """Gaps of 80, 95, 88 and 97 degrees, told as 97, 88, 95 and 80: the drive turns backwards."""
    gaps = np.array([80.0, 95.0, 88.0, 97.0])
    limits = "[dwell]\nmin_deg = 40\nmax_deg = 50\n"

    def told(order: np.ndarray[Any, Any]) -> dict[str, Any]:
        nominal = (0.0, *np.cumsum(order)[:-1].tolist())
        opening = tuple((40.0 + np.concatenate([[0.0], np.cumsum(gaps)[:-1]])).tolist())
        source, _, _ = case(
            5, **{**BASE, "opening_deg": opening, "nominal_deg": nominal, "reference": reference,
                  "dwell_deg": (45.0,) * 4, "profile": ((0.0, 600.0), (3.0, 600.0)), "advance": (),
                  "advance_falling": ()},
        )  # fmt: skip
        assert isinstance(source, TraceSource)
        least = 'schema = 1\n[distributor]\nname = "x"\nlobes = 4\nsource = "y"\n'
        text = f"{least}nominal_deg = {list(nominal)}\n{limits}"
        return analyze(source, parse_specification(text.encode(), "a.toml"))

    wrong, right = told(gaps[::-1]), told(gaps)
    assert any("read backwards" in text for text in wrong["warnings"])
    assert wrong["decisions"] == []
    assert not any("backwards" in text for text in right["warnings"])
    assert right["decisions"]


def test_even_lobes_and_patterns_alike_both_ways_are_never_called_mirrored() -> None:
    result = result_of(6, opening_deg=(40.0, 133.0, 219.0, 309.0), advance=(), advance_falling=())
    assert not any("backwards" in text for text in result["warnings"])


@pytest.mark.parametrize(("high", "verdict"), [("[1300, 9, 11]", "pass"), ("[1300, 6, 8]", "fail")])
def test_points_are_judged_against_the_band(high: str, verdict: str) -> None:
    limits = LIMITS.format(last=high) + "max_hysteresis_deg = 2.0\n"
    result = result_of(5, limits, reference="encoder")
    found = [(d["what"], d.get("at"), d["decision"]) for d in result["decisions"]]
    assert ("advance.points", 1300.0, verdict) in found
    assert ("advance.points", 800.0, "pass") in found
    assert ("advance.hysteresis_deg", None, "pass") in found


@pytest.mark.parametrize("blocks", BLOCKS)
def test_no_split_of_the_trace_changes_a_digit(blocks: tuple[int, ...]) -> None:
    words = {**BASE, "holes": ((700_000, 712_345),)}
    assert digits(6, blocks, **words) == digits(6, WHOLE, **words)


@pytest.mark.parametrize("encoder", [True, False])
def test_weights_of_the_simulated_bench(encoder: bool) -> None:
    bench = healthy()
    bench = replace(bench, weights=Weights(UP), drive=Drive(RAMPS))
    if not encoder:
        bench = replace(bench, encoder=None)
    result = analyze(simulate(bench, 7))
    a = result["advance"]
    assert a["start_rpm"] == pytest.approx(500.0, abs=12.0)
    assert a["max_deg"] == pytest.approx(10.0, abs=0.15)
    assert a["hysteresis_deg"] == pytest.approx(0.0, abs=0.15)
    assert len(a["slopes"]) == 3


@pytest.mark.parametrize("reference", ["encoder", "index"])
@pytest.mark.parametrize("told", [True, False])
def test_weights_that_do_not_move_or_an_index_that_moves_with_them(
    reference: str, told: bool
) -> None:
    """One trace cannot tell them apart: both are said, with the next test, and nothing is failed."""
    limits = LIMITS.format(last="[1300, 9, 11]") if told else ""
    result = result_of(8, limits, advance=(), advance_falling=(), reference=reference)
    (said,) = [text for text in result["warnings"] if "rotor or the cam" in text]
    assert "weights do not move" in said
    assert "turn the rotor by hand" in said
    assert result["advance"]["doubt"] == said
    assert result["advance"]["max_deg"] == pytest.approx(0.0, abs=0.1)
    found = {d["decision"] for d in result["decisions"] if d["what"] == "advance.points"}
    assert found == ({"undecided"} if told else set())


def test_a_short_range_of_speeds_says_nothing_of_stuck_weights() -> None:
    flat = ((0.0, 300.0), (1.5, 300.0), (6.0, 600.0), (7.0, 600.0))
    result = result_of(9, advance=(), advance_falling=(), profile=flat)
    assert result["advance"]["doubt"] is None
