"""Faults of the ignition circuit: slight ones break no limit, the others break the one they name.

Limits: contact drop by NAVEDTRA 14329 chapter 6 (0.1 V at most); condenser the common range and coil
resistance within a tenth, from memory; current within a quarter of that of the sound circuit, spark of
0.8 ms at least and no misses: common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from breakerbench.bench import Bench, simulate
from breakerbench.bench.cam import cam_for
from breakerbench.bench.drive import steady
from breakerbench.bench.electric_faults import ELECTRIC_FAULTS, coil_for, on_a_coil
from breakerbench.bench.faults import FAULTS, LEVELS, apply
from breakerbench.bench.feed import Feed
from breakerbench.bench.ignition import Ignition
from breakerbench.errors import BadInput
from breakerbench.trace import Block

#: Limits that each fault breaks at the level that needs repair.
BREAKS = {
    "points-burnt": {"drop"},
    "plate-ground-bad": {"drop"},
    "condenser-open": {"misses"},
    "condenser-shorted": {"leakage"},
    "condenser-leaky": {"leakage"},
    "condenser-small": {"capacitance"},
    "coil-wrong": {"coil ohm", "current"},
    "coil-shorted-turns": {"coil ohm"},
    "ballast-missing": {"ballast", "current"},
    "ballast-extra": {"ballast", "current"},
    "secondary-open": {"duration"},
    "tower-dead": {"misses"},
    "tower-leaking": {"misses"},
}


def _bench(volts: float, rpm: float = 1000.0, seconds: float = 3.0) -> Bench:
    return Bench(drive=steady(rpm, seconds), feed=Feed(volts))


def _broken(bench: Bench, sound: Ignition) -> set[str]:
    """Limits that a run breaks, by its truth."""
    truth = simulate(bench, 1).truth
    contact, coil = truth["contact"], truth["coil"]
    condenser, spark = truth["condenser"], truth["spark"]
    broken = set()
    if contact["drop_v"] > 0.1 * contact["current_a"] / 4.0:
        broken.add("drop")
    if not 0.18e-6 <= condenser["capacitance_f"] <= 0.25e-6:
        broken.add("capacitance")
    if condenser["leakage_ohm"] < 5e6:
        broken.add("leakage")
    if abs(coil["resistance_20c_ohm"] / sound.coil_ohm_20c - 1.0) > 0.1:
        broken.add("coil ohm")
    if abs(coil["standing_a"] / sound.most_a - 1.0) > 0.25:
        broken.add("current")
    if abs(coil["ballast_ohm"] - sound.ballast_ohm) > 0.1 * (sound.ballast_ohm + 2.0):
        broken.add("ballast")
    if spark["misses"]:
        broken.add("misses")
    if spark["duration_s"] is not None and spark["duration_s"] < 0.8e-3:
        broken.add("duration")
    return broken


def _sound(name: str, volts: float) -> Ignition:
    sound = coil_for(volts)
    return replace(sound, coil_ohm_20c=1.5, ballast_ohm=1.5) if name == "ballast-missing" else sound


def _cases() -> list[tuple[str, float]]:
    both = [(name, volts) for name in ELECTRIC_FAULTS for volts in (6.0, 12.0)]
    return [case for case in both if case != ("ballast-missing", 6.0)]


def test_every_fault_has_its_limit() -> None:
    assert BREAKS.keys() == ELECTRIC_FAULTS.keys() <= FAULTS.keys()


@pytest.mark.parametrize(("name", "volts"), _cases())
def test_levels_break_the_limit_they_name(name: str, volts: float) -> None:
    sound = _sound(name, volts)
    found = [_broken(apply(_bench(volts), name, level), sound) for level in LEVELS]
    assert found[0] == set()
    assert found[1] >= BREAKS[name]
    assert found[2]


@pytest.mark.parametrize("volts", [6.0, 12.0])
def test_a_sound_ignition_breaks_no_limit(volts: float) -> None:
    for rpm in (300.0, 2500.0):
        assert _broken(on_a_coil(_bench(volts, rpm)), coil_for(volts)) == set()


@pytest.mark.parametrize(("name", "volts"), _cases())
def test_a_dead_one_would_not_run_an_engine(name: str, volts: float) -> None:
    """No spark, or none at one tower; a condenser that shorts, and a tower, by other ways too."""
    spark = simulate(apply(_bench(volts), name, "dead"), 1).truth["spark"]
    if name.startswith("tower"):
        missing = [row["misses"] for row in spark["by_tower"]]
        assert missing[1] == pytest.approx(spark["openings"] / 4, abs=1)
        assert missing[0] == missing[2] == missing[3] == 0
    else:
        assert spark["misses"] >= 0.9 * spark["openings"] > 0


@pytest.mark.parametrize("name", ELECTRIC_FAULTS)
@pytest.mark.parametrize("lobes", [1, 4, 8])
def test_every_level_makes_a_trace_at_any_speed(name: str, lobes: int) -> None:
    for level in LEVELS:
        bench = replace(_bench(12.0, 2500.0, 0.1), cam=cam_for(lobes, 0.58 * 360.0 / lobes, 0.5))
        simulated = simulate(apply(bench, name, level), 2)
        assert sum(len(e) for e in simulated if isinstance(e, Block)) == 25_000
        assert np.all(np.isfinite(simulated.run.weights))  # type: ignore[union-attr]


def test_a_shorted_condenser_holds_the_points_down() -> None:
    simulated = simulate(apply(_bench(12.0, seconds=0.5), "condenser-shorted", "dead"), 1)
    channel = simulated.header.channels[0]
    volts = np.concatenate([e.samples[0] for e in simulated if isinstance(e, Block)])
    assert np.max(volts * channel.scale + channel.zero) < 6.0


def test_a_fault_keeps_the_circuit_that_is_there() -> None:
    circuit = Ignition(coil_h=5e-3, ballast_ohm=1.2, coil_ohm_20c=1.8)
    bench = replace(_bench(12.0), ignition=circuit)
    for name, field, value in (
        ("condenser-leaky", "leakage_ohm", 0.3e6),
        ("ballast-missing", "ballast_ohm", 0.0),
    ):
        changed = apply(bench, name, "needs-repair").ignition
        assert changed == replace(circuit, **{field: value})


def test_a_fault_puts_a_dry_distributor_on_a_coil() -> None:
    dry = replace(_bench(6.0), feed=Feed(6.0, positive_ground=True), current_range_a=0.5)
    bench = apply(dry, "points-burnt", "slight")
    assert bench.ignition is not None
    assert bench.ignition.positive_ground
    assert bench.ignition.volts < 7.0
    assert bench.full_scale("points_v") == 400.0
    assert bench.full_scale("current_a") == 10.0
    assert bench.notes == ("points-burnt: slight",)


def test_a_6_v_ignition_misses_no_ballast() -> None:
    with pytest.raises(BadInput, match="6 V"):
        apply(_bench(6.0), "ballast-missing", "dead")


@pytest.mark.parametrize("name", ["coil-wrong", "ballast-extra"])
def test_two_faults_at_once(name: str) -> None:
    bench = apply(apply(_bench(12.0), "condenser-small", "needs repair"), name, "needs repair")
    truth: dict[str, Any] = simulate(bench, 1).truth
    assert truth["condenser"]["capacitance_f"] == 0.1e-6
    assert truth["put in"] == ["condenser-small: needs repair", f"{name}: needs repair"]
