"""``simulate``: a recording and its truth, the same for the same seed, or neither of them."""

from __future__ import annotations

import json
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from breakerbench.cli.simulate import plan_of
from breakerbench.errors import BadInput
from cli.command import breakerbench, names

SHORT = ("--speed", "1500", "--seconds", "0.3", "--sample-rate", "50000")


def simulate(folder: Path, name: str, *more: str) -> tuple[bytes, dict[str, object]]:
    ran = breakerbench("simulate", "--out", name, *SHORT, *more, folder=folder)
    assert (ran.status, ran.err) == (0, "")
    assert "SIMULATED" in ran.out
    truth = json.loads((folder / f"{name}.truth.json").read_text(), parse_constant=pytest.fail)
    return (folder / name).read_bytes(), truth


def test_seed_and_truth(tmp_path: Path) -> None:
    first, truth = simulate(tmp_path, "a.bbr")
    assert names(tmp_path) == {"a.bbr", "a.bbr.truth.json"}
    assert truth["simulated"] is True
    again, same = simulate(tmp_path, "a.bbr")
    other, _ = simulate(tmp_path, "b.bbr", "--seed", "2")
    assert (again, same) == (first, truth)
    assert other != first


def test_options_reach_the_bench(tmp_path: Path) -> None:
    options = ("--lobes", "6", "--dwell-deg", "38", "--condition", "no-encoder")
    faults = ("--fault", "bushing-worn=needs-repair", "--fault", "cam-uneven=slight")
    _, truth = simulate(tmp_path, "a.bbr", *options, *faults)
    assert truth["dwell"]["mean_deg"] == pytest.approx(38, abs=1)  # type: ignore[index]
    assert len(truth["dwell"]["per_lobe_deg"]) == 6  # type: ignore[index]
    assert truth["speed"]["max_rpm"] == pytest.approx(1500)  # type: ignore[index]
    put_in = ["bushing-worn: needs repair", "cam-uneven: slight", "no-encoder"]
    assert truth["put in"] == put_in
    ran = breakerbench("analyze", "a.bbr", "--json", "-", folder=tmp_path)
    trace = json.loads(ran.out)["trace"]
    assert trace["reference"] == "index"
    assert trace["sample_rate_hz"] == 50000
    assert trace["seconds"] == pytest.approx(0.3, rel=0.01)


def test_weights_vacuum_and_hand(tmp_path: Path) -> None:
    _, truth = simulate(tmp_path, "a.bbr")
    assert truth["advance"]["max_deg"] == pytest.approx(10.0, abs=1.5)  # type: ignore[index]
    options = ("--advance", "400:0,700:4,1200:9", "--vacuum", "0:30")
    _, truth = simulate(tmp_path, "a.bbr", *options, "--fault", "vacuum-leaking=dead")
    assert truth["advance"]["max_deg"] == pytest.approx(9.0)  # type: ignore[index]
    assert truth["vacuum"]["points"] == [{"kpa": 30.0, "deg": 0.0}]  # type: ignore[index]
    ran = breakerbench(
        "simulate", "--out", "h.bbr", "--kind", "hand", "--seconds", "9", folder=tmp_path
    )
    assert (ran.status, ran.err) == (0, "")
    truth = json.loads((tmp_path / "h.bbr.truth.json").read_text())
    assert truth["hand"]["state"] == "opening and closing"  # type: ignore[index]
    assert 3 < truth["hand"]["openings"] < 40  # type: ignore[index]


@pytest.mark.parametrize(
    ("options", "named"),
    [
        (("--advance", "400:0,900:9"), "three points"),
        (("--advance", "400:1,700:4,1200:9"), "0 deg"),
        (("--advance", "400:0,700:4,600:9"), "speeds"),
        (("--advance", "400:0,1100:1,1200:9"), "steeper"),
        (("--vacuum", "0:200"), "101 kPa"),
        (("--vacuum", "0:20,0.1:0"), "apart"),
        (("--kind", "hand"), "--speed"),
    ],
)
def test_what_no_distributor_has(options: tuple[str, ...], named: str, tmp_path: Path) -> None:
    ran = breakerbench("simulate", "--out", "a.bbr", *SHORT, *options, folder=tmp_path)
    assert ran.status == 2
    assert named in ran.error
    assert not names(tmp_path)


def test_list_of_faults_and_conditions(tmp_path: Path) -> None:
    ran = breakerbench("simulate", "--fault", "list", folder=tmp_path)
    assert (ran.status, ran.err) == (0, "")
    for word in ("points-gap-wide", "vacuum-leaking", "needs-repair", "no-encoder", "hand-turned"):
        assert word in ran.out
    assert not names(tmp_path)


@pytest.mark.parametrize(
    ("out", "named"),
    [("missing/a.bbr", "missing/a.bbr"), (".", "folder"), ("/dev/null", "/dev/null")],
)
def test_places_that_cannot_be_written(out: str, named: str, tmp_path: Path) -> None:
    ran = breakerbench("simulate", "--out", out, *SHORT, folder=tmp_path)
    assert named in ran.error
    assert not names(tmp_path)
    assert not Path("/dev/null").is_file()


def test_neither_where_one_of_the_two_cannot_be_written(tmp_path: Path) -> None:
    (tmp_path / "a.bbr.truth.json").mkdir()
    assert "truth.json" in breakerbench("simulate", "--out", "a.bbr", *SHORT, folder=tmp_path).error
    assert names(tmp_path) == {"a.bbr.truth.json"}


speeds = st.floats(0, 5000)
plans = st.lists(st.tuples(st.floats(0, 100), speeds), min_size=1, max_size=6).map(
    lambda pairs: tuple(sorted({round(at, 3): rpm for at, rpm in pairs}.items()))
)


@given(plans, st.none() | st.floats(0.01, 200))
def test_plans_run_from_0_to_their_end(
    plan: tuple[tuple[float, float], ...], seconds: float | None
) -> None:
    made = plan_of(plan, seconds)
    times = [at for at, _ in made]
    assert times[0] == 0
    assert len(made) >= 2
    assert all(before < after for before, after in pairwise(times))
    if seconds is not None:
        assert times[-1] == seconds
    low, high = min(rpm for _, rpm in plan), max(rpm for _, rpm in plan)
    assert all(low - 1e-6 <= rpm <= high + 1e-6 for _, rpm in made)
    kept = {point for point in plan if point[0] < times[-1]}
    assert kept <= set(made)


@pytest.mark.parametrize("seconds", [0.0, -1.0, 1e9])
def test_lengths_that_are_not_possible(seconds: float) -> None:
    with pytest.raises(BadInput):
        plan_of(None, seconds)
