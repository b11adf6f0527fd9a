"""Two sets of points through the real command, on the simulated bench: all of it is simulated."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from cli.command import Ran, breakerbench, names

SHORT = ("--speed", "400", "--seconds", "4", "--sample-rate", "100000")
LIMITS = """
[dwell]
min_deg = 48
max_deg = 54
aim_deg = 50
both_min_deg = 55
both_max_deg = 59
[gap]
dwell_change_deg_per_mm = -50
"""


def write_spec(path: Path, limits: str = LIMITS, sets: int = 2, order: str = "") -> Path:
    path.write_text(
        'schema = 1\n[distributor]\nname = "two sets"\nlobes = 4\nsource = "invented for a test"\n'
        f"points_sets = {sets}\n{order}{limits}",
        encoding="utf-8",
    )
    return path


def record(folder: Path, name: str, *options: str) -> Path:
    ran = breakerbench("simulate", "--out", folder / name, *SHORT, *options)
    assert (ran.status, ran.err) == (0, "")
    return folder / name


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Overlapping sets: dwell 50 and 52 deg, the second opens 6 deg after the first; and others."""
    folder = tmp_path_factory.mktemp("sets")
    for seed, part in enumerate(("first", "second", "both")):
        options = ("--points-set", part, "--seed", str(seed + 1))
        record(folder, f"{part}.bbr", "--dwell-deg", "50", "--second-set", "6:52", *options)
        record(folder, f"alternate-{part}.bbr", "--dwell-deg", "34", "--second-set", "45", *options)
    write_spec(folder / "mine.toml")
    return folder


def analyze(folder: Path, file: str, *options: str, spec: str = "mine.toml") -> Ran:
    return breakerbench("analyze", file, "--spec", spec, *options, folder=folder)


def found(folder: Path, file: str, *options: str, spec: str = "mine.toml") -> dict[str, Any]:
    ran = analyze(folder, file, *options, "--json", "-", spec=spec)
    assert (ran.status, ran.err) == (0, "")
    result: dict[str, Any] = json.loads(ran.out, parse_constant=pytest.fail)
    return result


def decided(result: dict[str, Any]) -> dict[str, str]:
    return {one["what"]: one["decision"] for one in result["decisions"]}


ALL = ("--points-set", "both", "--first", "first.bbr", "--second", "second.bbr")


def test_each_alone_then_both(bench: Path) -> None:
    for part, dwell in (("first", 50.0), ("second", 52.0)):
        result = found(bench, f"{part}.bbr", "--points-set", part)
        assert result["trace"]["points_set"] == part
        assert result["dwell"]["mean_deg"] == pytest.approx(dwell, abs=0.1)
        assert decided(result) == {"dwell.mean_deg": "pass"}
        assert result["why"]["sets"]
    result = found(bench, "both.bbr", *ALL)
    truth = json.loads((bench / "both.bbr.truth.json").read_text())
    sets = result["sets"]
    assert sets["arrangement"] == truth["sets"]["arrangement"] == "overlapping"
    assert sets["mean_after_deg"] == pytest.approx(truth["sets"]["mean_after_deg"], abs=0.05)
    assert sets["union_dwell_deg"] == pytest.approx(truth["dwell"]["mean_deg"], abs=0.1)
    assert result["dwell"]["mean_deg"] == pytest.approx(56.0, abs=0.1)
    assert sets["agrees"] is True
    assert decided(result) == {
        "dwell.mean_deg": "pass",
        "sets.first_dwell_deg": "pass",
        "sets.second_dwell_deg": "pass",
    }


def test_report_of_both(bench: Path) -> None:
    ran = analyze(bench, "both.bbr", *ALL)
    said = " ".join(ran.out.split())
    assert "points set both, overlapping" in said
    assert "Two sets of points, each alone, deg" in said
    assert "dwell, first set alone" in said
    assert "open with the last, touching with the first" in said
    assert "SIMULATED" in said


def test_not_told_is_measured_and_not_judged(bench: Path) -> None:
    ran = analyze(bench, "both.bbr")
    said = " ".join(ran.out.split())
    assert "was not told which of them is connected: say so with --points-set" in said
    result = found(bench, "both.bbr")
    assert result["dwell"]["mean_deg"] == pytest.approx(56.0, abs=0.1)
    assert decided(result) == {"dwell.mean_deg": "undecided"}
    assert analyze(bench, "both.bbr", "--strict").status == 1
    result = found(bench, "alternate-both.bbr")
    assert decided(result) == {"dwell.mean_deg": "undecided"}
    assert any("8 openings a revolution" in each for each in result["warnings"])


def test_told_wrongly(bench: Path) -> None:
    """8 openings a revolution are no set alone of four lobes."""
    result = found(bench, "alternate-both.bbr", "--points-set", "first")
    assert result["decisions"] == []
    assert "both sets work" in result["why"]["decisions"]
    order = "firing_order = [1, 8, 4, 3, 6, 5, 7, 2]\n"
    write_spec(bench / "eight.toml", "", order=order)
    result = found(bench, "alternate-first.bbr", "--points-set", "both", spec="eight.toml")
    assert "only one set works" in result["why"]["decisions"]


def test_alternating(bench: Path) -> None:
    limits = "[dwell]\nmin_deg = 30\nmax_deg = 38\nboth_min_deg = 30\nboth_max_deg = 38\n"
    order = "firing_order = [1, 8, 4, 3, 6, 5, 7, 2]\n"
    write_spec(bench / "alternate.toml", limits + "[spacing]\nmax_error_deg = 1\n", order=order)
    files = ("--first", "alternate-first.bbr", "--second", "alternate-second.bbr")
    result = found(
        bench, "alternate-both.bbr", "--points-set", "both", *files, spec="alternate.toml"
    )
    assert result["trace"]["lobes"] == 8
    assert result["dwell"]["percent"] == pytest.approx(34.0 / 0.45, abs=0.3)
    assert result["sets"]["arrangement"] == "alternating"
    assert result["sets"]["mean_after_deg"] == pytest.approx(45.0, abs=0.1)
    assert set(decided(result).values()) == {"pass"}
    assert len(result["decisions"]) == 4


def test_which_set_to_turn(bench: Path) -> None:
    write_spec(bench / "second.toml", LIMITS.replace("max_deg = 54", "max_deg = 51"))
    said = " ".join(analyze(bench, "both.bbr", *ALL, spec="second.toml").out.split())
    assert "Set the gap of the second set about 0.04 mm" in said
    assert "gap of the first set" not in said
    write_spec(bench / "plate.toml", LIMITS.replace("both_min_deg = 55", "both_min_deg = 58"))
    said = " ".join(analyze(bench, "both.bbr", *ALL, spec="plate.toml").out.split())
    assert "move the plate of the second set so that it opens later by at least" in said
    said = " ".join(
        analyze(bench, "both.bbr", "--points-set", "both", spec="plate.toml").out.split()
    )
    assert "measure each set alone" in said
    write_spec(bench / "alone.toml", LIMITS.replace("min_deg = 48", "min_deg = 51"))
    write_spec(bench / "alone.toml", "[dwell]\nmin_deg = 51\nmax_deg = 54\naim_deg = 52\n")
    said = " ".join(
        analyze(bench, "first.bbr", "--points-set", "first", spec="alone.toml").out.split()
    )
    assert "Dwell of the first set is" in said
    assert "Set the gap of the first set a little closer" in said


@pytest.mark.parametrize(
    ("options", "named"),
    [
        (("--first", "first.bbr", "--points-set", "both"), "give both"),
        (("--first", "first.bbr", "--second", "second.bbr"), "--points-set both"),
        (("--first", "a.bbr", "--second", "b.bbr", "--points-set", "first"), "--points-set both"),
        ((*ALL, "--kind", "hand"), "--kind hand"),
        (("--points-set", "third"), "third"),
        (("--points-set", "both", "--first", "none.bbr", "--second", "second.bbr"), "none.bbr"),
    ],
)
def test_options_that_do_not_go_together(options: tuple[str, ...], named: str, bench: Path) -> None:
    ran = analyze(bench, "both.bbr", *options)
    assert ran.status == 2
    assert named in ran.err


def test_one_set_has_no_first(bench: Path) -> None:
    write_spec(bench / "one.toml", "", sets=1)
    ran = analyze(bench, "first.bbr", "--points-set", "first", spec="one.toml")
    assert "points_sets = 2" in ran.error
    assert "two sets" not in breakerbench("analyze", "first.bbr", folder=bench).out


def test_simulate_says_what_cannot_be(tmp_path: Path) -> None:
    for options, named in (
        (("--points-set", "first"), "--second-set"),
        (("--second-set", "6:120"), "dwell"),
        (("--second-set", "x"), "'x'"),
    ):
        ran = breakerbench("simulate", "--out", tmp_path / "a.bbr", *SHORT, *options)
        assert ran.status == 2
        assert named in ran.err
    assert not names(tmp_path)


def test_hand_turned_with_both(bench: Path) -> None:
    record_hand = ("--kind", "hand", "--dwell-deg", "34", "--second-set", "45", "--seconds", "40")
    ran = breakerbench("simulate", "--out", bench / "hand.bbr", *record_hand)
    assert ran.status == 0, ran.err
    result = found(bench, "hand.bbr", "--kind", "hand", "--points-set", "both")
    assert result["trace"]["points_set"] == "both"
    assert result["why"].get("decisions") is None
    assert len(result["hand"]["per_lobe_deg"]) == 8
