"""What stands beside the figures: what to do, each reason once, in the basis that is displayed."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

from rich.console import Console

from breakerbench.cli.pictures import print_pictures
from breakerbench.cli.report import print_decisions, print_result
from breakerbench.papers.advice import advice
from breakerbench.papers.subject import Subject
from breakerbench.papers.words import Shown
from cli.command import breakerbench
from papers.results import LIMITS, result, specification

GAP = LIMITS + "[gap]\ndwell_change_deg_per_mm = -50.0\n"
CRANKSHAFT = Shown("crankshaft", "crankshaft")


def _decided(what: str, decision: str, **more: Any) -> dict[str, Any]:
    nothing = dict.fromkeys(("value", "u", "low", "high"))
    return {"what": what, "decision": decision, "unit": "deg", **nothing, **more}


def _advised(*decisions: dict[str, Any]) -> str:
    found = result() | {"decisions": list(decisions)}
    return " ".join(advice(found, specification(GAP), Shown()))


def _printed(decisions: list[dict[str, Any]], shown: Shown) -> str:
    console = Console(file=io.StringIO(), width=80, highlight=False, markup=False)
    print_decisions(console, {"decisions": decisions}, shown)
    return console.file.getvalue()  # type: ignore[attr-defined, no-any-return]


def test_a_curve_that_fails_anywhere_is_named_once() -> None:
    said = _advised(
        _decided("dwell.mean_deg", "pass"),
        _decided("advance.points", "fail", at=700.0, at_unit="rpm"),
        _decided("advance.points", "fail", at=1000.0, at_unit="rpm"),
        _decided("advance.points", "pass", at=1700.0, at_unit="rpm"),
    )
    assert said.startswith("Out of limits: advance. ")


def test_a_dwell_that_moves_with_the_speed_is_no_matter_of_the_gap() -> None:
    failed = _decided("dwell.mean_deg", "fail")
    assert "Set the gap" in _advised(failed, _decided("dwell.variation_deg", "pass"))
    said = _advised(failed, _decided("dwell.variation_deg", "fail"))
    assert "Set the gap about" not in said
    slow, fast = result()["dwell"]["by_speed"][0], result()["dwell"]["by_speed"][-1]
    for end in (slow, fast):
        assert f"{end['deg']:.0f}" in said
        assert f"{end['rpm']:,.0f} rpm" in said


def test_a_reason_is_said_once_for_all_that_share_it() -> None:
    why = "the distributor was turned by hand"
    keys = ("dwell.mean_deg", "spacing.error_deg", "scatter.deg")
    said = " ".join(
        _printed([_decided(key, "not measured", why=why) for key in keys], Shown()).split()
    )
    assert said.count(why) == 1
    assert f"- dwell; spacing error, largest; opening scatter: {why}" in said
    settle = [
        _decided("advance.points", "undecided", at=rpm, at_unit="rpm", value=1.0, u=1.0, high=1.5,
                 settle="a longer stay at each speed", chance_inside=0.9)
        for rpm in (700.0, 1000.0)
    ]  # fmt: skip
    said = " ".join(_printed(settle, Shown()).split())
    assert said.count("a longer stay at each speed") == 1
    assert (
        "to settle advance at 700 rpm (inside with 90% probability), at 1,000 rpm (90%): a" in said
    )


def test_reasons_name_the_shaft_where_the_display_is_of_the_other() -> None:
    why = "not reached: measured from 250 to 900 rpm"
    said = _printed([_decided("advance.points", "not measured", why=why, at=1700.0, at_unit="rpm")],
                    CRANKSHAFT)  # fmt: skip
    assert "at 3,400 crank rpm" in " ".join(said.split())
    assert "to 900 distributor rpm" in " ".join(said.split())
    console = Console(file=io.StringIO(), width=80, highlight=False, markup=False)
    found = result() | {"why": {"bounce.onset_rpm": "none found up to 900 rpm"},
                        "notes": ["at 300 rpm something"], "warnings": ["at 400 rpm more"]}  # fmt: skip
    print_result(console, found, CRANKSHAFT)
    said = console.file.getvalue()  # type: ignore[attr-defined]
    for rpm in (300, 400, 900):
        assert f"{rpm} distributor rpm" in said


def test_a_figure_and_its_uncertainty_stand_on_one_line() -> None:
    one = _decided("dwell.mean_deg", "pass", value=52.4005, u=0.023, low=50.0, high=58.0)
    curve = _decided("advance.points", "undecided", at=1350.0, at_unit="rpm", value=9.0, u=0.3,
                     low=7.5, high=10.0)  # fmt: skip
    said = _printed([one, curve], CRANKSHAFT)
    assert "104.801 ± 0.046" in said
    assert "100 to 116" in said
    assert max(map(len, said.splitlines())) <= 80


def test_a_single_speed_is_said_once() -> None:
    console = Console(file=io.StringIO(), width=80, highlight=False, markup=False)
    found = result()
    found["speed"] |= {"min_rpm": 599.8, "max_rpm": 600.3}
    print_result(console, found, Shown())
    said = console.file.getvalue()  # type: ignore[attr-defined]
    assert "600 rpm" in said
    assert "600 to 600" not in said


def test_missed_openings_are_not_passed_over_in_silence() -> None:
    found = result() | {"decisions": [_decided("dwell.mean_deg", "pass")]}
    found["missed"] = {"openings": 0, "closings": 0}
    found["coil"] = {}
    assert list(advice(found, specification(GAP), Shown())) == []
    found["missed"] = {"openings": 39, "closings": 1}
    for spec in (specification(GAP), None):
        said = " ".join(advice(found, spec, Shown()))
        assert "39 openings and 1 closing did not occur" in said
        assert "not judged" in said


def test_a_run_by_the_drive_is_no_zero_by_hand(tmp_path: Path) -> None:
    """Weights may have moved at 500 rpm: what is called advance from there is none."""
    run = tmp_path / "run.bbr"
    assert breakerbench("simulate", "--out", run, "--speed", "500", "--seconds", "2").status == 0
    ran = breakerbench("analyze", run, "--hand", run, "--json", "out.json", folder=tmp_path)
    assert ran.status == 2
    assert "500 rpm" in ran.error
    assert not (tmp_path / "out.json").exists()


def test_pictures_that_share_a_reason_share_its_line() -> None:
    console = Console(file=io.StringIO(), width=200, highlight=False, markup=False)
    found = {"why": {"speed": "turned by hand", "dwell": "turned by hand"}}
    print_pictures(console, "pictures", Subject("turned.csv", found, None, Shown()))
    said = console.file.getvalue()  # type: ignore[attr-defined]
    assert "No picture of dwell, dwell-by-lobe" in said
    assert said.count("turned by hand") < 3
