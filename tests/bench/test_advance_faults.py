"""Faults of weights and vacuum unit: each breaks a limit of its own, by its truth."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from breakerbench.bench import Bench, simulate
from breakerbench.bench.advance_faults import ADVANCE_FAULTS
from breakerbench.bench.drive import Drive
from breakerbench.bench.faults import apply
from breakerbench.bench.scenario import healthy
from breakerbench.bench.vacuum import VacuumUnit
from breakerbench.bench.weights import weights_for
from breakerbench.errors import BadInput

#: Either way about the curve of the healthy one, deg; hysteresis; scatter; change of the dwell.
BAND, HYSTERESIS, SCATTER, DWELL = 1.0, 1.0, 0.5, 2.0
RUN = Drive(((0.0, 300.0), (1.0, 300.0), (8.0, 2000.0), (15.0, 300.0), (16.0, 300.0)))
STEPS = ((0.0, 0.0), (2.0, 20.0), (5.0, 30.0), (8.0, 60.0), (11.0, 25.0), (14.0, 0.0))
HEALTHY = replace(
    healthy(),
    weights=weights_for(480.0, (950.0, 6.5), (1750.0, 11.5), 0.03),
    vacuum=VacuumUnit(),
    vacuum_steps=STEPS,
    drive=RUN,
)


@cache
def truth(bench: Bench) -> dict[str, object]:
    return simulate(bench, 1).truth


def breaks(bench: Bench) -> set[str]:
    """Which limits a distributor breaks, those about the healthy one's own figures."""
    sound, found, broken = truth(HEALTHY), truth(bench), set()
    for table, keys in (("advance", ("rising", "falling")), ("vacuum", ("points",))):
        for key in keys:
            pairs = zip(sound[table][key], found[table][key], strict=True)  # type: ignore[index]
            if max(abs(one["deg"] - other["deg"]) for one, other in pairs) > BAND:
                broken.add(table)
    if found["advance"]["hysteresis_deg"] > HYSTERESIS:  # type: ignore[index]
        broken.add("hysteresis")
    if found["scatter"]["deg"] > SCATTER:  # type: ignore[index]
        broken.add("scatter")
    if abs(found["dwell"]["mean_deg"] - sound["dwell"]["mean_deg"]) > DWELL:  # type: ignore[index]
        broken.add("dwell")
    return broken


OWN = {
    "weights-sticking": {"advance", "hysteresis"},
    "weights-dry": {"hysteresis"},
    "weights-spring-weak": {"advance"},
    "weights-spring-strong": {"advance"},
    "weights-spring-broken": {"advance"},
    "weights-stop-worn": {"advance"},
    "vacuum-leaking": {"vacuum"},
    "vacuum-stuck": {"vacuum"},
    "vacuum-plate-loose": {"scatter", "vacuum"},
}


def test_a_healthy_one_breaks_nothing_and_every_fault_has_its_limit() -> None:
    assert breaks(HEALTHY) == set()
    assert set(OWN) == set(ADVANCE_FAULTS)


@pytest.mark.parametrize("name", OWN)
def test_each_fault_breaks_its_own_limit_at_the_level_that_needs_repair(name: str) -> None:
    assert breaks(apply(HEALTHY, name, "slight")) == set()
    assert breaks(apply(HEALTHY, name, "needs repair")) == OWN[name]
    dead = apply(HEALTHY, name, "dead")
    assert dead.notes == (f"{name}: dead",)
    assert breaks(dead) & (OWN[name] | {"dwell"})


def curve(name: str, level: str, way: str = "rising") -> np.ndarray:
    advance = truth(apply(HEALTHY, name, level))["advance"]
    return np.array([point["deg"] for point in advance[way]])  # type: ignore[index]


def test_what_each_fault_of_the_weights_does_to_the_curve() -> None:
    sound = np.array([point["deg"] for point in truth(HEALTHY)["advance"]["rising"]])  # type: ignore[index]
    assert np.all(curve("weights-spring-weak", "needs repair") >= sound)
    assert np.all(curve("weights-spring-strong", "needs repair") <= sound)
    assert np.all(curve("weights-dry", "needs repair") <= sound)
    assert np.all(curve("weights-dry", "needs repair", "falling") >= sound - 1e-9)
    # out at once as far as the heavy spring, which comes in at 6.5 deg
    assert np.min(curve("weights-spring-broken", "needs repair")) >= 6.5 - 1e-9
    assert curve("weights-spring-broken", "dead") == pytest.approx(np.full(sound.size, 11.5))
    assert curve("weights-sticking", "dead") == pytest.approx(np.zeros(sound.size))
    assert np.max(curve("weights-stop-worn", "needs repair")) > 12.5
    assert np.max(sound) == pytest.approx(11.5)
    # sticking goes by steps
    steps = np.diff(curve("weights-sticking", "needs repair"))
    assert np.count_nonzero(steps < 1e-9) > np.count_nonzero(np.diff(sound) < 1e-9) + 5


@pytest.mark.parametrize("name", ADVANCE_FAULTS)
def test_what_a_distributor_has_not_got_cannot_be_faulty(name: str) -> None:
    with pytest.raises(BadInput, match="this distributor has no"):
        apply(Bench(), name, "slight")


@pytest.mark.parametrize("name", ADVANCE_FAULTS)
@pytest.mark.parametrize("level", ["slight", "needs repair", "dead"])
def test_each_makes_a_trace(name: str, level: str) -> None:
    short = replace(
        HEALTHY, drive=Drive(((0.0, 300.0), (1.0, 1500.0))), vacuum_steps=((0.0, 30.0),)
    )
    assert sum(1 for _ in simulate(apply(short, name, level), 1)) > 0
