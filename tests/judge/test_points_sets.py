"""Two sets of points: what may show, which limits hold, and what is not judged."""

from __future__ import annotations

from typing import Any

import pytest

from breakerbench.errors import BadInput
from breakerbench.judge.decisions import Decision, decide
from breakerbench.judge.points_sets import differs, dwell_limits, possible_openings
from breakerbench.judge.specification import Specification, parse_specification

LIMITS = "[dwell]\nmin_deg = 30\nmax_deg = 34\naim_deg = 31\nboth_min_deg = 36\nboth_max_deg = 40\n"
ORDER = {
    None: "",
    "overlapping": "firing_order = [1, 3, 4, 2]\n",
    "alternating": "firing_order = [1, 8, 4, 3, 6, 5, 7, 2]\n",
}


def spec(body: str = LIMITS, order: str | None = None, more: str = "") -> Specification:
    text = (
        'schema = 1\n[distributor]\nname = "x"\nlobes = 4\nsource = "y"\npoints_sets = 2\n'
        f"{ORDER[order]}{more}{body}"
    )
    return parse_specification(text.encode(), "my.toml")


def result(connected: str | None, **tables: Any) -> dict[str, Any]:
    return {"trace": {"points_set": connected, "lobes": 4}, **tables}


def one(connected: str | None, dwell: float, the: Specification | None = None) -> Decision:
    told = result(connected, dwell={"mean_deg": dwell, "u_deg": 0.1})
    (found,) = decide(told, the or spec())
    return found


@pytest.mark.parametrize(
    ("order", "connected", "shown"),
    [
        (None, "first", (4,)),
        (None, "second", (4,)),
        (None, "both", (4, 8)),
        (None, None, (4, 8)),
        ("overlapping", "both", (4,)),
        ("overlapping", None, (4,)),
        ("alternating", "both", (8,)),
        ("alternating", "first", (4,)),
        ("alternating", None, (4, 8)),
    ],
)
def test_openings(order: str | None, connected: str | None, shown: tuple[int, ...]) -> None:
    assert (
        possible_openings(spec(LIMITS.replace("both", "#both"), order).distributor, connected)
        == shown
    )


def test_one_set_shows_its_lobes() -> None:
    text = b'schema = 1\n[distributor]\nname = "x"\nlobes = 4\nsource = "y"\n'
    assert possible_openings(parse_specification(text, "my.toml").distributor, None) == (4,)


@pytest.mark.parametrize(
    ("connected", "shown", "words"),
    [
        ("first", 8, "both sets work"),
        ("both", 4, "only one set works"),
        ("second", 2, "lobes = 2"),
        ("first", 5, "shows 5 lobes"),
        (None, 3, "shows 3 lobes"),
    ],
)
def test_another_number_is_explained(connected: str | None, shown: int, words: str) -> None:
    the = spec("", "alternating").distributor
    assert words in differs(shown, the, connected)


@pytest.mark.parametrize(
    ("connected", "dwell", "verdict"),
    [
        ("first", 32.0, "pass"),
        ("second", 32.0, "pass"),
        ("both", 32.0, "fail"),
        ("both", 38.0, "pass"),
        ("first", 38.0, "fail"),
        (None, 32.0, "undecided"),
        (None, 80.0, "undecided"),
    ],
)
def test_which_limits_hold(connected: str | None, dwell: float, verdict: str) -> None:
    found = one(connected, dwell)
    assert found.decision == verdict
    if connected is None:
        assert "not told" in found.why
        assert "--points-set" in found.settle
        assert (found.low, found.high, found.chance_inside) == (None, None, None)


def test_both_without_a_limit_of_theirs_are_not_judged() -> None:
    only = spec("[dwell]\nmin_deg = 30\nmax_deg = 34\n")
    told = result("both", dwell={"mean_deg": 38.0, "u_deg": 0.1})
    assert decide(told, only) == []
    assert dwell_limits(only, "both") == (None, None, None)
    assert dwell_limits(spec(), "first") == (30.0, 34.0, 31.0)
    assert dwell_limits(spec(), "both") == (36.0, 40.0, None)


def test_percent_counts_of_the_openings_that_show() -> None:
    """45 deg between the openings of alternating sets: 38 deg are 84.4 percent."""
    the = spec(order="alternating")
    told = result("both", dwell={"mean_deg": None, "percent": 84.4, "u_percent": 0.1})
    told["trace"]["lobes"] = 8
    (found,) = decide(told, the)
    assert (found.decision, found.low) == ("pass", pytest.approx(80.0))
    told["trace"] = {"points_set": None, "lobes": 8}
    (found,) = decide(told, the)
    assert (found.what, found.decision) == ("dwell.percent", "undecided")


def test_each_alone_beside_both() -> None:
    sets = {
        "first_dwell_deg": 32.0, "u_first_dwell_deg": 0.1,
        "second_dwell_deg": 36.0, "u_second_dwell_deg": 0.1,
    }  # fmt: skip
    told = result("both", dwell={"mean_deg": 38.0, "u_deg": 0.1}, sets=sets)
    found = {each.what: each.decision for each in decide(told, spec())}
    assert found == {
        "dwell.mean_deg": "pass",
        "sets.first_dwell_deg": "pass",
        "sets.second_dwell_deg": "fail",
    }
    sets["second_dwell_deg"] = None
    told["why"] = {"sets.second_dwell_deg": "the reason"}
    last = decide(told, spec())[-1]
    assert (last.decision, last.why) == ("not measured", "the reason")


@pytest.mark.parametrize(
    ("connected", "onset", "verdict"),
    [
        ("first", None, "pass"),
        ("both", None, "undecided"),
        (None, None, "undecided"),
        ("first", 1800.0, "pass"),
        ("both", 1800.0, "undecided"),
        ("both", 900.0, "fail"),
    ],
)
def test_no_bounce_with_both_connected_proves_nothing(
    connected: str | None, onset: float | None, verdict: str
) -> None:
    bounce = {"onset_rpm": onset, "u_onset_rpm": 50.0, "looked_to_rpm": 2000.0}
    told = result(connected, bounce=bounce, speed={"min_rpm": 300.0})
    (found,) = decide(told, spec("[bounce]\nnone_below_rpm = 1500\n"))
    assert found.decision == verdict
    assert ("does not show" in found.why) == (verdict == "undecided")


def test_no_grid_for_alternating_sets_on_uneven_lobes() -> None:
    the = spec("[spacing]\nmax_error_deg = 1\n", more="nominal_deg = [0, 80, 180, 260]\n")
    told = result("both", spacing={"error_deg": [0.1, -0.1], "u_deg": 0.01})
    assert decide(told, the)[0].decision == "pass"
    told["trace"]["lobes"] = 8
    (found,) = decide(told, the)
    assert (found.decision, "unevenly" in found.why) == ("not measured", True)


@pytest.mark.parametrize(
    ("body", "order", "key"),
    [
        ("[dwell]\nboth_min_deg = 40\nboth_max_deg = 36\n", None, "both_min_deg"),
        ("[dwell]\nboth_max_deg = 90\n", None, "both_max_deg"),
        ("[dwell]\nboth_max_deg = 45\n", "alternating", "both_max_deg"),
    ],
)
def test_contradictions(body: str, order: str | None, key: str) -> None:
    with pytest.raises(BadInput, match=key):
        spec(body, order)


def test_limits_of_both_need_two_sets() -> None:
    text = 'schema = 1\n[distributor]\nname = "x"\nlobes = 4\nsource = "y"\n[dwell]\nboth_min_deg = 9\n'
    with pytest.raises(BadInput, match="points_sets = 2"):
        parse_specification(text.encode(), "my.toml")


def test_less_dwell_together_than_alone_is_odd() -> None:
    odd = "[dwell]\nmin_deg = 30\nboth_max_deg = 28\n"
    assert "longer than either" in spec(odd, "overlapping").warnings[0]
    assert spec(odd, "alternating").warnings == ()
