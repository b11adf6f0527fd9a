"""Two sets of points on traces from outside: arrangement, lag, union, and what is wrong, told."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest

from breakerbench.judge.specification import Specification, parse_specification
from breakerbench.pipeline import analyze
from breakerbench.result.two_sets import PointsSets

from .two_sets import Pair, either, pair

WORKS = {"feed": "dry", "condenser_tau_s": 0.0, "seconds": 4.0, "rate_hz": 100e3}


def spec(lobes: int, body: str = "") -> Specification:
    head = 'schema = 1\n[distributor]\nname = "x"\nsource = "y"\npoints_sets = 2\n'
    text = f"{head}lobes = {lobes}\n{body}"
    return parse_specification(text.encode(), "x.toml")


def compared(it: Pair, the: Specification | None = None) -> dict[str, Any]:
    alone = tuple(
        analyze(source, the, sets=PointsSets(which))
        for which, source in (("first", it.first), ("second", it.second))
    )
    return analyze(it.both, the, sets=PointsSets("both", (alone[0], alone[1])))


def drawn(seed: int, alternating: bool, **given: Any) -> tuple[Pair, float, int]:
    rng = np.random.default_rng([seed, 5, alternating])
    lobes = int(rng.choice([2, 3, 4, 6] if alternating else [1, 2, 4, 6, 8]))
    pitch = 360.0 / lobes
    if alternating:
        after = pitch * rng.uniform(0.46, 0.54)
        dwell = tuple((pitch * rng.uniform(0.3, 0.4, 2)).tolist())
    else:
        after = pitch * rng.uniform(-0.16, 0.16)
        dwell = tuple((pitch * rng.uniform(0.5, 0.6, 2)).tolist())
    words = WORKS | {"lobes": lobes, "rpm": float(rng.uniform(400, 1500))} | given
    return pair(seed, after, (dwell[0], dwell[1]), **words), after, lobes


@pytest.mark.parametrize("alternating", [False, True])
@pytest.mark.parametrize("reference", ["index", "encoder"])
def test_arrangement_lag_and_union(alternating: bool, reference: str) -> None:
    inside, agrees, expected = [], [], []
    for seed in range(8):
        it, after, lobes = drawn(seed, alternating, reference=reference)
        result = compared(it)
        sets = result["sets"]
        assert sets["arrangement"] == ("alternating" if alternating else "overlapping"), seed
        assert len(sets["after_deg"]) == lobes
        off = np.array(sets["after_deg"]) - after
        assert np.abs(off).max() < 0.15, (seed, off)
        inside += (np.abs(off) <= np.array(sets["u_after_deg"])).tolist()
        assert sets["union_openings"] == lobes * (2 if alternating else 1)
        assert result["trace"]["lobes"] == sets["union_openings"]
        one, two = (c.dwell_deg[0] for c in it.conditions)
        if alternating:
            assert sets["overlap_deg"] == pytest.approx(0.0, abs=1e-9)
            true = (one + two) / 2.0
        else:
            true = max(0.0, after) - min(-one, after - two)
            assert sets["overlap_deg"] == pytest.approx(one + two - true, abs=0.2)
        expected.append(abs(sets["union_dwell_deg"] - true) <= sets["u_union_dwell_deg"] + 0.05)
        assert result["dwell"]["mean_deg"] == pytest.approx(true, abs=0.15)
        agrees.append(sets["agrees"])
    # all of these agree; 95.45 % of such comparisons are to say so
    assert sum(agrees) >= 7
    assert np.mean(inside) > 0.9
    assert all(expected)


def test_sets_that_open_together_scatter_to_a_later_opening() -> None:
    """The later of two has a later mean; it is no difference between both and each alone."""
    it = pair(
        3, 0.05, (50.0, 50.0), lobes=4, rpm=700, reference="encoder", scatter_deg=0.12, **WORKS
    )
    sets = compared(it)["sets"]
    assert sets["agrees"] is True
    assert np.mean(sets["late_open_deg"]) > 0.02


def test_an_index_that_moved_is_told() -> None:
    it = pair(4, 6.0, (50.0, 52.0), lobes=4, rpm=700, reference="encoder", moved_deg=1.5, **WORKS)
    result = compared(it)
    assert result["sets"]["agrees"] is False
    assert result["sets"]["late_open_deg"] == pytest.approx([1.5] * 4, abs=0.1)
    (said,) = [each for each in result["warnings"] if "everything comes" in each]
    assert "1.5" in said
    assert "later" in said
    assert "Next:" in said


def test_a_set_that_is_not_connected_is_told() -> None:
    it = pair(5, 6.0, (50.0, 52.0), lobes=4, rpm=700, reference="encoder", **WORKS)
    again = pair(55, 6.0, (50.0, 52.0), lobes=4, rpm=700, reference="encoder", **WORKS)
    assert again is not it
    broken = Pair(it.first, it.second, it.first, it.conditions, it.closed)
    result = compared(broken)
    assert result["sets"]["agrees"] is False
    assert any(
        "first set alone that works, the second is not" in each for each in result["warnings"]
    )


def test_alternating_with_one_not_connected_is_told_by_the_openings() -> None:
    it = pair(6, 45.0, (32.0, 33.0), lobes=4, rpm=700, reference="encoder", **WORKS)
    order = "firing_order = [1, 8, 4, 3, 6, 5, 7, 2]\n"
    one_only = Pair(it.first, it.second, it.second, it.conditions, it.closed)
    result = compared(one_only, spec(4, order))
    assert "only one set works" in result["why"]["decisions"]
    assert any("second set alone that works" in each for each in result["warnings"])
    # told as the first alone, but both work
    told = analyze(it.both, spec(4, order), sets=PointsSets("first"))
    assert "both sets work" in told["why"]["decisions"]


def test_one_set_recorded_twice() -> None:
    it = pair(7, 6.0, (50.0, 52.0), lobes=4, rpm=700, reference="encoder", **WORKS)
    twice = Pair(it.first, it.first, it.both, it.conditions, it.closed)
    warnings = compared(twice)["warnings"]
    assert any("one set was recorded twice" in each for each in warnings)


def test_sets_for_two_coils_never_open_together() -> None:
    it = pair(8, 45.0, (60.0, 60.0), lobes=4, rpm=700, reference="encoder", **WORKS)
    assert it.closed[2].time_s.size == 0
    result = compared(it)
    assert result["sets"]["arrangement"] == "alternating"
    assert (result["sets"]["union_openings"], result["sets"]["agrees"]) == (0, None)
    assert any("two coils" in each for each in result["warnings"])


def test_without_an_index_there_is_a_reason() -> None:
    it = pair(9, 6.0, (50.0, 52.0), lobes=4, rpm=700, reference="encoder alone", **WORKS)
    result = compared(it, spec(4))
    assert "no index" in result["why"]["sets"]
    assert result["sets"]["first_dwell_deg"] == pytest.approx(50.0, abs=0.1)
    assert result["sets"]["arrangement"] is None


def test_no_split_of_the_traces_changes_a_digit() -> None:
    results = [
        json.dumps(
            compared(
                pair(
                    10, 44.0, (32.0, 33.0), lobes=4, rpm=900, reference="index", blocks=blocks,
                    **WORKS,
                ),
                spec(4),
            )
        )
        for blocks in (65536, (1, 70001, 333))
    ]  # fmt: skip
    assert results[0] == results[1]


def test_the_union_of_this_generator() -> None:
    """By a look at every instant."""
    it = pair(11, 45.0, (32.0, 40.0), lobes=4, rpm=700, reference="index", **WORKS)
    one, two, _ = it.closed
    both = either(one, two)
    at = np.random.default_rng(0).uniform(0.0, 4.0, 5000)

    def state(c: Any) -> Any:
        return np.concatenate([[c.starts_closed], c.closed])[np.searchsorted(c.time_s, at)]

    assert (state(both) == (state(one) | state(two))).all()
