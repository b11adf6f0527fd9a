"""``simulate`` on a coil: circuit, channels, probe, and what a fault of the circuit asks for."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from breakerbench.bench.electric_faults import ELECTRIC_FAULTS
from breakerbench.sources.open import open_trace
from cli.command import breakerbench, names

SHORT = ("--speed", "1500", "--seconds", "0.3")


def simulate(folder: Path, *options: str) -> tuple[Any, dict[str, Any]]:
    ran = breakerbench("simulate", "--out", "a.bbr", *options, folder=folder)
    assert (ran.status, ran.err) == (0, "")
    truth = json.loads((folder / "a.bbr.truth.json").read_text(), parse_constant=pytest.fail)
    source = open_trace(folder / "a.bbr")
    source.close()
    return source.header, truth


def test_circuit_channels_and_probe_reach_the_bench(tmp_path: Path) -> None:
    three = ("--feed", "coil", "--channels", "points_v,current_a,supply_v", *SHORT)
    header, truth = simulate(tmp_path, *three)
    assert [channel.name for channel in header.channels] == ["points_v", "current_a", "supply_v"]
    assert header.sample_rate_hz == pytest.approx(500e3 / 3)
    assert truth["supply"]["open_volts"] == pytest.approx(12.6)
    assert truth["bench"]["ignition"]["coil_ohm_20c"] == 3.0
    more = ("--system", "6", "--probe", "plate", "--channels", "points_v,current_a,contact_v,spark")
    header, truth = simulate(tmp_path, *more, *SHORT)
    assert [channel.unit for channel in header.channels] == ["V", "A", "V", "V"]
    assert truth["supply"]["open_volts"] < 7.0
    assert truth["contact"]["probe_at"] == "plate"


def test_a_fault_of_the_circuit_asks_for_a_coil(tmp_path: Path) -> None:
    header, truth = simulate(tmp_path, "--fault", "condenser-shorted=dead", *SHORT)
    assert truth["put in"] == ["condenser-shorted: dead"]
    assert truth["spark"]["misses"] == truth["spark"]["openings"] > 0
    assert header.temperature_c == 20.0


def test_the_kind_coil_turns_slowly(tmp_path: Path) -> None:
    header, truth = simulate(tmp_path, "--kind", "coil", "--seconds", "1")
    assert header.kind == "coil"
    assert truth["speed"]["max_rpm"] == pytest.approx(300.0)


def test_without_any_of_it_the_feed_is_dry(tmp_path: Path) -> None:
    header, truth = simulate(tmp_path, *SHORT)
    assert [channel.name for channel in header.channels] == ["points_v", "current_a"]
    assert truth["bench"]["ignition"] is None
    assert "coil" not in truth


@pytest.mark.parametrize(
    ("options", "what"),
    [
        (("--feed", "dry", "--fault", "points-burnt=slight"), "points-burnt"),
        (("--feed", "dry", "--kind", "coil"), "--kind coil"),
        (("--feed", "dry", "--channels", "points_v,spark"), "spark"),
        (("--feed", "dry", "--probe", "plate"), "--probe plate"),
        (("--channels", "points_v,nonsense"), "nonsense"),
        (("--channels", "points_v,points_v"), "once"),
        (("--system", "9"), "9"),
        (("--system", "6", "--fault", "ballast-missing=dead"), "ballast"),
        (("--feed", "coil", "--condition", "condenser-across-feed"), "condenser"),
    ],
)
def test_what_cannot_be_is_one_line(tmp_path: Path, options: tuple[str, ...], what: str) -> None:
    ran = breakerbench("simulate", "--out", "a.bbr", *options, *SHORT, folder=tmp_path)
    assert ran.status == 2
    assert ran.err.count("\n") == 1
    assert what in ran.err
    assert names(tmp_path) == set()


def test_the_list_shows_them(tmp_path: Path) -> None:
    ran = breakerbench("simulate", "--fault", "list", folder=tmp_path)
    for name in ELECTRIC_FAULTS:
        assert f"  {name}\n" in ran.out
