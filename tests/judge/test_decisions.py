"""Decisions: on the edges of the guard band, for every limit that a specification can state."""

from __future__ import annotations

import json
import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from breakerbench.judge.curves import band_at, curve_cases, one_each
from breakerbench.judge.decisions import Decision, decide
from breakerbench.judge.guard import compare, conformance_probability
from breakerbench.judge.specification import Specification, parse_specification
from judge.contract import LEAST, WHOLE


def spec(tables: str) -> Specification:
    return parse_specification((LEAST + tables).encode(), "my.toml")


def one(tables: str, result: dict[str, Any]) -> Decision:
    """The decision; of those about the points of one curve the worst."""
    decisions = decide(result, spec(tables))
    assert len({each.what for each in decisions}) == 1
    assert len(decisions) == 1 or all(each.at is not None for each in decisions)
    order = ("fail", "undecided", "not measured", "pass")
    return min(decisions, key=lambda each: order.index(each.decision))


# --- the comparison ---------------------------------------------------------------------------

#: value, U, low, high: numbers that binary floats hold exactly, so that the edges are edges.
EDGES = {
    "in the middle": (54.0, 0.5, 50.0, 58.0, "pass"),
    "one U inside": (57.5, 0.5, 50.0, 58.0, "pass"),
    "just within the guard": (57.5 + 2**-30, 0.5, 50.0, 58.0, "undecided"),
    "on the limit": (58.0, 0.5, 50.0, 58.0, "undecided"),
    "one U outside": (58.5, 0.5, 50.0, 58.0, "undecided"),
    "just past it": (58.5 + 2**-30, 0.5, 50.0, 58.0, "fail"),
    "one U above low": (50.5, 0.5, 50.0, 58.0, "pass"),
    "one U below low": (49.5, 0.5, 50.0, 58.0, "undecided"),
    "past that": (49.5 - 2**-30, 0.5, 50.0, 58.0, "fail"),
    "certain, on the limit": (58.0, 0.0, 50.0, 58.0, "pass"),
    "certain, past it": (58.0 + 2**-30, 0.0, 50.0, 58.0, "fail"),
    "no upper limit": (1e9, 0.5, 50.0, None, "pass"),
    "no lower limit": (-1e9, 0.5, None, 58.0, "pass"),
    "band narrower than 2 U": (54.0, 5.0, 50.0, 58.0, "undecided"),
    "far outside a narrow band": (70.0, 5.0, 50.0, 58.0, "fail"),
}


@pytest.mark.parametrize("case", EDGES)
def test_edges(case: str) -> None:
    value, u, low, high, expected = EDGES[case]
    assert compare(value, u, low, high) == expected


SIZES = st.floats(-1e6, 1e6)


@given(SIZES, st.floats(0.0, 1e5), SIZES, st.floats(0.0, 1e6))
def test_a_smaller_u_never_turns_a_verdict_round(
    value: float, u: float, low: float, width: float
) -> None:
    """Half the uncertainty keeps a pass a pass and a fail a fail; at 0 nothing is undecided."""
    high = low + width
    verdict, sharper = compare(value, u, low, high), compare(value, u / 2.0, low, high)
    assert verdict in (sharper, "undecided")
    assert compare(value, 0.0, low, high) == ("pass" if low <= value <= high else "fail")


@given(SIZES, st.floats(1e-3, 1e5), SIZES, st.floats(0.0, 1e6))
def test_probability_goes_with_the_verdict(
    value: float, u: float, low: float, width: float
) -> None:
    """A pass is at least 95.4 % sure, a fail at most 2.3 % likely to be inside after all."""
    high = low + width
    chance = conformance_probability(value, u / 2.0, low, high)
    assert 0.0 <= chance <= 1.0
    verdict = compare(value, u, low, high)
    if verdict == "pass":
        assert chance >= 0.9544
    if verdict == "fail":
        assert chance <= 0.0228


# --- every limit ------------------------------------------------------------------------------


def curve(
    name: str,
    *points: tuple[float, float],
    table: str = "advance",
    x: str = "rpm",
    u: float = 0.25,
) -> dict[str, Any]:
    """A result with one measured curve."""
    return {table: {name: [{x: float(at), "deg": deg, "u_deg": u} for at, deg in points]}}


#: For each limit: table, what, unit, and results that pass, are too close, and fail.
LIMITS: dict[str, tuple[str, str, str, list[dict[str, Any]]]] = {
    "dwell": (
        "[dwell]\nmin_deg = 50\nmax_deg = 58\n",
        "dwell.mean_deg",
        "deg",
        [{"dwell": {"mean_deg": value, "u_deg": 0.5}} for value in (54.0, 58.25, 58.75)],
    ),
    "dwell, low end only": (
        "[dwell]\nmin_deg = 50\n",
        "dwell.mean_deg",
        "deg",
        [{"dwell": {"mean_deg": value, "u_deg": 0.5}} for value in (80.0, 50.0, 49.0)],
    ),
    "dwell without an angle": (
        "[dwell]\nmin_deg = 45\nmax_deg = 54\n",  # 50 and 60 percent of 90 degrees
        "dwell.percent",
        "%",
        [
            {"dwell": {"mean_deg": None, "percent": value, "u_percent": 0.5}}
            for value in (55.0, 60.25, 61.0)
        ],
    ),
    "variation": (
        "[dwell]\nmax_variation_deg = 2.0\n",
        "dwell.variation_deg",
        "deg",
        [{"dwell": {"variation_deg": v, "u_variation_deg": 0.25}} for v in (1.0, 2.0, 2.5)],
    ),
    "spacing, largest magnitude": (
        "[spacing]\nmax_error_deg = 1.0\n",
        "spacing.error_deg",
        "deg",
        [
            {"spacing": {"error_deg": [0.1, -worst, 0.2, None], "u_deg": 0.125}}
            for worst in (0.5, 1.0, 1.25)
        ],
    ),
    "interval": (
        "[spacing]\nmax_interval_error_deg = 1.5\n",
        "spacing.interval_error_deg",
        "deg",
        [
            {"spacing": {"interval_error_deg": [worst, -0.1], "u_interval_deg": 0.125}}
            for worst in (-1.0, 1.5, -1.75)
        ],
    ),
    "scatter": (
        "[scatter]\nmax_deg = 0.5\n",
        "scatter.deg",
        "deg",
        [{"scatter": {"deg": value, "u_deg": 0.125}} for value in (0.25, 0.5, 0.75)],
    ),
    "bounce": (
        "[bounce]\nnone_below_rpm = 1500\n",
        "bounce.onset_rpm",
        "rpm",
        [
            {"bounce": {"onset_rpm": onset}, "speed": {"min_rpm": 300.0}}
            for onset in (1550.0, 1500.0, 1400.0)
        ],
    ),
    "advance": (
        "[advance]\npoints = [[500, 0, 2], [1000, 4, 6]]\n",
        "advance.points",
        "deg",
        [curve("rising", (500, 1.0), (750, 3.0), (1000, x), u=0.5) for x in (5.0, 6.0, 7.0)],
    ),
    "advance falling": (
        "[advance]\nfalling = [[500, 0, 2], [1000, 4, 6]]\n",
        "advance.falling",
        "deg",
        [curve("falling", (1000, 5.0), (500, x)) for x in (1.0, 2.0, 2.5)],
    ),
    "hysteresis": (
        "[advance]\nmax_hysteresis_deg = 1.0\n",
        "advance.hysteresis_deg",
        "deg",
        [
            {"advance": {"hysteresis_deg": value, "u_hysteresis_deg": 0.125}}
            for value in (-0.5, 1.0, -1.25)
        ],
    ),
    "vacuum": (
        "[vacuum]\npoints = [[0, 0, 1], [20, 4, 6]]\n",
        "vacuum.points",
        "deg",
        [curve("points", (0, 0.5), (20, x), table="vacuum", x="kpa") for x in (5.0, 6.0, 6.5)],
    ),
    "drop": (
        "[contact]\nmax_drop_v = 0.25\n",
        "contact.drop_v",
        "V",
        [{"contact": {"drop_v": value, "u_drop_v": 0.03125}} for value in (0.125, 0.25, 0.5)],
    ),
    "winding": (
        "[coil]\nresistance_ohm = [3.0, 3.5]\n",
        "coil.resistance_20c_ohm",
        "ohm",
        [
            {
                "coil": {
                    "resistance_20c_ohm": value,
                    "resistance_ohm": value,
                    "u_resistance_ohm": 0.0625,
                }
            }
            for value in (3.25, 3.5, 2.75)
        ],
    ),
    "ballast": (
        "[coil]\nballast_ohm = [1.0, 1.5]\n",
        "coil.ballast_ohm",
        "ohm",
        [{"coil": {"ballast_ohm": value, "u_ballast_ohm": 0.125}} for value in (1.25, 1.5, 0.5)],
    ),
    "no ballast wanted": (
        "[coil]\nballast_ohm = [0.0, 0.0]\n",
        "coil.ballast_ohm",
        "ohm",
        [{"coil": {"ballast_ohm": value, "u_ballast_ohm": 0.125}} for value in (-0.1, 0.2, 1.5)],
    ),
    "coil current": (
        "[coil]\ncurrent_a = [3.0, 4.5]\n",
        "coil.current_a",
        "A",
        [{"coil": {"current_a": value, "u_current_a": 0.125}} for value in (4.0, 4.5, 7.5)],
    ),
    "condenser": (
        "[condenser]\ncapacitance_uf = [0.18, 0.25]\n",
        "condenser.capacitance_f",
        "F",
        [
            {"condenser": {"capacitance_f": value, "u_capacitance_f": 2e-9}}
            for value in (2.2e-7, 2.5e-7, 1.7e-7)
        ],
    ),
    "leakage": (
        "[condenser]\nmin_leakage_megohm = 5.0\n",
        "condenser.leakage_ohm",
        "ohm",
        [{"condenser": {"leakage_ohm": value, "u_leakage_ohm": 5e5}} for value in (2e7, 5e6, 1e5)],
    ),
    "spark": (
        "[spark]\nmin_duration_ms = 0.8\n",
        "spark.duration_s",
        "s",
        [{"spark": {"duration_s": v, "u_duration_s": 3e-5}} for v in (1.2e-3, 8e-4, 5e-4)],
    ),
}


@pytest.mark.parametrize("case", LIMITS)
def test_each_limit_passes_fails_and_waits(case: str) -> None:
    tables, what, unit, results = LIMITS[case]
    found = [one(tables, result) for result in results]
    assert [each.what for each in found] == [what] * 3
    assert [each.unit for each in found] == [unit] * 3
    assert [each.decision for each in found] == ["pass", "undecided", "fail"]
    assert [bool(each.settle) for each in found] == [False, True, False]
    assert [each.chance_inside is not None for each in found] == [False, True, False]


@pytest.mark.parametrize("case", LIMITS)
def test_each_limit_without_its_figure_is_not_measured(case: str) -> None:
    """No table, an empty one, nulls: never a pass, and the reason is passed on."""
    tables, what, _, _ = LIMITS[case]
    table = what.partition(".")[0]
    for result in ({}, {table: None}, {table: {}}, {table: {"mean_deg": None}}):
        decision = one(tables, {**result, "why": {table: "no such channel"}})
        assert decision.decision == "not measured"
        assert decision.value is None
        assert decision.why == "no such channel"
        assert decision.settle == ""
    assert one(tables, {}).why


@pytest.mark.parametrize("case", [each for each in LIMITS if each != "bounce"])
def test_each_limit_without_uncertainty_is_undecided(case: str) -> None:
    """A figure whose uncertainty is not known cannot clear any limit."""
    tables, _, _, results = LIMITS[case]

    def bare(value: Any) -> Any:
        if isinstance(value, dict):
            return {k: bare(v) for k, v in value.items() if not k.startswith("u_")}
        return [bare(each) for each in value] if isinstance(value, list) else value

    for result in results:
        decision = one(tables, bare(result))
        assert decision.decision == "undecided"
        assert decision.why
        assert decision.u is None


def test_no_limits_no_decisions() -> None:
    everything = {"dwell": {"mean_deg": 54.0, "u_deg": 0.1}, "scatter": {"deg": 9.0, "u_deg": 0.1}}
    assert decide(everything, spec("")) == []
    assert decide(everything, spec("[gap]\nnominal_mm = 0.635\n[dwell]\naim_deg = 52\n")) == []
    assert decide(everything, spec("[advance]\npoints = []\nfalling = []\n")) == []


def test_every_limit_of_the_contract_is_answered() -> None:
    """One decision a limit, in the order of the file; what has no limit (gap, settle) has none."""
    found = decide({}, parse_specification(WHOLE.encode(), "my.toml"))
    assert [each.what for each in found] == [
        "dwell.mean_deg",
        "dwell.variation_deg",
        "spacing.error_deg",
        "spacing.interval_error_deg",
        "scatter.deg",
        "bounce.onset_rpm",
        "advance.points",
        "advance.hysteresis_deg",
        "vacuum.points",
        "contact.drop_v",
        "coil.resistance_20c_ohm",
        "coil.ballast_ohm",
        "coil.current_a",
        "condenser.capacitance_f",
        "condenser.leakage_ohm",
        "spark.duration_s",
    ]
    assert {each.decision for each in found} == {"not measured"}


# --- reasons and what settles -----------------------------------------------------------------


def test_the_most_specific_reason_is_told() -> None:
    why = {"spacing": "no index channel", "spacing.error_deg": "one lobe only"}
    tables = "[spacing]\nmax_error_deg = 1\nmax_interval_error_deg = 1\n"
    found = decide({"spacing": None, "why": why}, spec(tables))
    assert [each.why for each in found] == ["one lobe only", "no index channel"]
    advance = one(
        "[advance]\npoints = [[500, 0, 2]]\n",
        {"why": {"advance": "general", "advance.rising": "the lowest speed is on the curve"}},
    )
    assert advance.why == "the lowest speed is on the curve"


@pytest.mark.parametrize(
    ("reference", "encoder"), [("index", True), ("none", True), ("encoder and index", False)]
)
def test_an_encoder_is_named_where_there_is_none(reference: str, encoder: bool) -> None:
    result = {"scatter": {"deg": 0.5, "u_deg": 0.1}, "trace": {"reference": reference}}
    decision = one("[scatter]\nmax_deg = 0.5\n", result)
    assert ("encoder" in decision.settle) == encoder
    assert "longer run" in decision.settle


def test_a_band_that_nothing_could_pass_is_said() -> None:
    decision = one(
        "[dwell]\nmin_deg = 50\nmax_deg = 51\n", {"dwell": {"mean_deg": 50.5, "u_deg": 2.0}}
    )
    assert decision.decision == "undecided"
    assert "narrower than the uncertainty" in decision.why


def test_chance_is_that_of_the_normal_distribution() -> None:
    """U = 2 u: one u beyond the limit leaves 15.87 % inside."""
    decision = one("[dwell]\nmax_deg = 58\n", {"dwell": {"mean_deg": 58.25, "u_deg": 0.5}})
    assert decision.chance_inside == pytest.approx(0.158655, abs=5e-7)


def test_values_that_are_no_numbers_are_not_measured() -> None:
    for value in (math.nan, math.inf, "54", True):
        decision = one("[dwell]\nmin_deg = 50\n", {"dwell": {"mean_deg": value, "u_deg": 0.1}})
        assert decision.decision == "not measured"


def test_json_has_the_keys_of_the_contract() -> None:
    keys = {"what", "value", "unit", "u", "low", "high", "decision"}
    for result in LIMITS["dwell"][3] + [{}]:
        plain = one(LIMITS["dwell"][0], result).to_json()
        assert keys <= set(plain)
        assert ("settle" in plain) == (plain["decision"] == "undecided")
        json.dumps(plain, allow_nan=False)


# --- dwell and spacing ------------------------------------------------------------------------


def test_dwell_in_degrees_goes_before_percent() -> None:
    both = {"dwell": {"mean_deg": 54.0, "u_deg": 0.1, "percent": 60.0, "u_percent": 9.0}}
    assert one("[dwell]\nmin_deg = 50\n", both).what == "dwell.mean_deg"


def test_percent_band_follows_from_the_pitch() -> None:
    """30 degrees of an eight-lobe cam are 66.7 % (NAVEDTRA 14273 chapter 2 gives the 30; V)."""
    eight = LEAST.replace("lobes = 4", "lobes = 8") + "[dwell]\nmin_deg = 30\nmax_deg = 36\n"
    result = {"dwell": {"mean_deg": None, "percent": 70.0, "u_percent": 0.5}}
    (decision,) = decide(result, parse_specification(eight.encode(), "my.toml"))
    assert (decision.low, decision.high) == pytest.approx((100.0 * 30 / 45, 80.0))
    assert decision.decision == "pass"


def test_interval_uncertainty_falls_back_on_two_openings() -> None:
    result = {"spacing": {"interval_error_deg": [0.1], "u_deg": 0.1}}
    decision = one("[spacing]\nmax_interval_error_deg = 1.5\n", result)
    assert decision.u == pytest.approx(0.1 * math.sqrt(2.0))


# --- bounce -----------------------------------------------------------------------------------

BOUNCE = "[bounce]\nnone_below_rpm = 1500\n"


def test_no_bounce_found_passes_only_as_far_as_it_was_looked_for() -> None:
    far = one(BOUNCE, {"bounce": {"onset_rpm": None, "looked_to_rpm": 2000.0}})
    assert (far.decision, far.value) == ("pass", None)
    assert "2000 rpm" in far.why
    near = one(BOUNCE, {"bounce": {"onset_rpm": None, "looked_to_rpm": 1200.0}})
    assert near.decision == "not measured"
    assert "1200 rpm" in near.why


def test_bounce_in_the_slowest_bin_may_begin_lower() -> None:
    result = {"bounce": {"onset_rpm": 1800.0}, "speed": {"min_rpm": 1790.0}}
    decision = one(BOUNCE, result)
    assert decision.decision == "undecided"
    assert "1500 rpm" in decision.settle
    for slowest, onset in ((1000.0, 1800.0), (1600.0, 2000.0)):
        result = {"bounce": {"onset_rpm": onset}, "speed": {"min_rpm": slowest}}
        assert one(BOUNCE, result).decision == "pass"


# --- curves -----------------------------------------------------------------------------------

CURVE = "[advance]\npoints = [[500, 0, 2], [1000, 4, 6], [2000, 8, 10]]\n"


def test_band_between_its_rows() -> None:
    band = ((500.0, 0.0, 2.0), (1000.0, 4.0, 6.0), (2000.0, 8.0, 10.0))
    assert band_at(band, 500.0) == (0.0, 2.0)
    assert band_at(band, 750.0) == (2.0, 4.0)
    assert band_at(band, 1000.0) == (4.0, 6.0)
    assert band_at(band, 1250.0) == (5.0, 7.0)
    assert band_at(band, 2000.0) == (8.0, 10.0)
    assert band_at(band, 499.0) is None
    assert band_at(band, 2001.0) is None
    assert band_at(((500.0, 0.0, 2.0),), 500.0) == (0.0, 2.0)


def verdicts(tables: str, result: dict[str, Any]) -> list[tuple[float | None, str]]:
    return [(each.at, each.decision) for each in decide(result, spec(tables))]


def test_every_point_of_the_specification_has_its_own_decision() -> None:
    result = curve("rising", (500, 1.0), (1000, 6.5), (1500, 8.0), (2000, 9.0))
    assert verdicts(CURVE, result) == [(500.0, "pass"), (1000.0, "fail"), (2000.0, "pass")]
    failed = one(CURVE, result)
    assert (failed.value, failed.low, failed.high, failed.at_unit) == (6.5, 4.0, 6.0, "rpm")
    assert failed.to_json()["at"] == 1000.0


def test_a_curve_outside_between_the_points_is_told_besides() -> None:
    result = curve("rising", (500, 1.0), (1000, 5.0), (1500, 9.0), (2000, 9.0))  # 6 to 8 there
    found = verdicts(CURVE, result)
    assert found == [(500.0, "pass"), (1000.0, "pass"), (2000.0, "pass"), (1500.0, "fail")]
    assert "between" in one(CURVE, result).why
    inside = curve("rising", (500, 1.0), (1000, 5.0), (1500, 7.0), (2000, 9.0))
    assert len(verdicts(CURVE, inside)) == 3


def test_between_two_near_points_the_curve_is_straight_and_its_bend_uncertain() -> None:
    """40 % of the way; slopes 0 and 0.02 beside: the bend leaves 0.0032 * 50 / 2 ... either way."""
    points = ((930, 4.0), (980, 4.0), (1030, 5.0), (1080, 6.0))
    decision = one("[advance]\npoints = [[1000, 0, 20]]\n", curve("rising", *points, u=0.1))
    assert decision.value == pytest.approx(4.4)
    bend = 0.02 * 0.4 * 0.6 * 50.0  # slope 0 before, 0.02 after: times share, rest and width
    assert decision.u == pytest.approx(math.hypot(0.1, 2.0 / math.sqrt(3.0) * bend))


def test_beside_a_lone_point_the_curve_may_be_as_steep_as_its_band() -> None:
    decision = one(CURVE, curve("rising", (1010, 5.0)))
    found = [d for d in decide(curve("rising", (1010, 5.0)), spec(CURVE)) if d.at == 1000.0]
    assert found[0].value == 5.0
    assert found[0].u == pytest.approx(math.hypot(0.25, 2.0 / math.sqrt(3.0) * 10.0 * 4.0 / 500.0))
    assert decision.decision == "not measured"  # 500 and 2000 rpm


def test_what_the_run_does_not_reach_is_not_measured() -> None:
    result = curve("rising", (500, 1.0), (1000, 5.0))
    assert verdicts(CURVE, result)[-1] == (2000.0, "not measured")
    assert "500 to 1000 rpm" in decide(result, spec(CURVE))[-1].why
    gap = curve("rising", (200, 30.0), (500, 1.0), (2000, 9.0))
    assert verdicts(CURVE, gap) == [(500.0, "pass"), (1000.0, "not measured"), (2000.0, "pass")]
    assert verdicts(CURVE, curve("rising", (1000, 9.0)))[1] == (1000.0, "fail")
    band = "[vacuum]\npoints = [[0, 0, 1], [20, 4, 6]]\n"
    half = curve("points", (0, 0.5), (12, 2.9), table="vacuum", x="kpa")
    assert verdicts(band, half) == [(0.0, "pass"), (20.0, "not measured")]
    near = curve("points", (0.5, 0.6), (19.5, 4.9), table="vacuum", x="kpa", u=0.125)
    assert [verdict for _, verdict in verdicts(band, near)] == ["pass", "pass"]


def test_weights_or_index_is_not_decided() -> None:
    """A curve that never moves may be the index's fault: no fail, and the test that tells."""
    result = curve("rising", (500, 0.0), (1000, 0.0), (2000, 0.0))
    result["advance"]["doubt"] = "the weights do not move, or the index rides on the rotor"
    decisions = decide(result, spec(CURVE))
    assert {each.decision for each in decisions} == {"undecided"}
    assert "rotor" in decisions[0].why
    assert "turn the rotor by hand" in decisions[0].settle


def test_hysteresis_uncertainty_from_both_curves() -> None:
    result = curve("rising", (500, 1.0))
    result["advance"]["falling"] = [{"rpm": 500.0, "deg": 1.5, "u_deg": 0.5}]
    result["advance"]["hysteresis_deg"] = 0.5
    decision = one("[advance]\nmax_hysteresis_deg = 2.0\n", result)
    assert decision.u == pytest.approx(math.hypot(0.25, 0.5))
    assert decision.decision == "pass"


# --- circuits ---------------------------------------------------------------------------------

RATED = "[contact]\nmax_drop_v = 0.2\nat_current_a = 4.0\n"


def test_drop_is_brought_to_the_rated_current() -> None:
    contact = {
        "drop_v": 0.05,
        "u_drop_v": 0.003,
        "resistance_ohm": 0.04,
        "u_resistance_ohm": 0.002,
        "current_a": 2.0,
    }
    decision = one(RATED, {"contact": contact})
    assert decision.value == pytest.approx(0.05 + 0.04 * 2.0)
    assert decision.u == pytest.approx(math.hypot(0.003, 0.004))
    assert "2.00 A" in decision.why
    assert "4.00 A" in decision.why


def test_drop_at_the_rated_current_stays() -> None:
    decision = one(RATED, {"contact": {"drop_v": 0.15, "u_drop_v": 0.003, "current_a": 4.0}})
    assert (decision.value, decision.decision, decision.why) == (0.15, "pass", "")


def test_drop_without_resistance_is_taken_in_proportion() -> None:
    decision = one(RATED, {"contact": {"drop_v": 0.05, "u_drop_v": 0.003, "current_a": 1.0}})
    assert (decision.value, decision.u) == pytest.approx((0.2, 0.012))
    assert decision.decision == "undecided"


def test_drop_without_current_is_not_judged_at_one() -> None:
    decision = one(RATED, {"contact": {"drop_v": 0.05, "u_drop_v": 0.003}})
    assert decision.decision == "not measured"
    assert "current" in decision.why


def test_winding_at_the_temperature_of_the_limits() -> None:
    """Copper, 0.00393 per kelvin (IEC 60028, M): limits at 60 degrees are 15.7 % up on 20."""
    decision = one(
        "[coil]\nresistance_ohm = [3.0, 3.6]\nat_temperature_c = 60\n",
        {"coil": {"resistance_20c_ohm": 3.0, "resistance_ohm": 3.3, "u_resistance_ohm": 0.022}},
    )
    assert (decision.low, decision.high) == pytest.approx((3.0 / 1.1572, 3.6 / 1.1572))
    assert decision.u == pytest.approx(0.02)
    assert decision.decision == "pass"


def test_winding_of_unknown_temperature_is_judged_with_that_doubt() -> None:
    """It still tells a coil of 1.5 ohm from one of 3, and asks for the temperature if close."""
    table = "[coil]\nresistance_ohm = [2.7, 3.3]\n"

    def judged(ohm: float) -> Decision:
        coil = {"resistance_20c_ohm": None, "resistance_ohm": ohm, "u_resistance_ohm": 0.01}
        return one(table, {"coil": coil})

    wrong, close = judged(1.5), judged(3.1)
    assert (wrong.what, wrong.decision) == ("coil.resistance_ohm", "fail")
    assert close.decision == "undecided"
    assert "temperature" in close.settle
    assert "temperature" in close.why


def test_what_was_measured_twice_at_one_place_lies_to_either_side() -> None:
    """A vacuum pulled up to and let down to: U holds both, by half their distance as a rectangle."""
    found = one_each([(25.0, 3.0, 0.1), (40.0, 7.0, 0.2), (25.0, 3.4, 0.05), (15.0, 1.0, None)])
    assert [x for x, _, _ in found] == [15.0, 25.0, 40.0]
    assert found[0] == (15.0, 1.0, None)
    assert found[1] == (25.0, pytest.approx(3.2), pytest.approx(np.hypot(0.1, 0.4 / np.sqrt(3.0))))
    assert found[2] == (40.0, 7.0, 0.2)


@pytest.mark.parametrize(
    ("deg", "decision"), [(0.0, "pass"), (-0.05, "pass"), (0.38, "undecided"), (0.6, "fail")]
)
def test_a_lower_limit_of_nothing_is_none(deg: float, decision: str) -> None:
    """With the weights at rest the advance is 0: a limit there could never be cleared by U."""
    (row,) = curve_cases([(250.0, deg, 0.06)], ((250.0, 0.0, 0.4),), "rpm", 50.0)
    assert row.low is None
    assert row.value is not None
    assert row.u is not None
    assert compare(row.value, row.u, row.low, row.high) == decision


@pytest.mark.parametrize(("deg", "decisions"), [(2.1, 2), (1.9, 2), (1.0, 3)])
def test_between_the_points_stated_only_what_plainly_leaves_the_band_counts(
    deg: float, decisions: int
) -> None:
    """The band of (500, 0 to 2) and (1000, 4 to 6) is 2 to 4 at 750: a line that no handbook draws."""
    points = [(500.0, 1.0, 0.5), (750.0, deg, 0.5), (1000.0, 5.0, 0.5)]
    found = list(curve_cases(points, ((500.0, 0.0, 2.0), (1000.0, 4.0, 6.0)), "rpm", 50.0))
    assert len(found) == decisions
    assert [case.at for case in found][2:] == [750.0] * (decisions - 2)
