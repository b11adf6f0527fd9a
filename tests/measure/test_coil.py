"""Coil, feed and contact from traces in closed form; what cannot be told is said."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from breakerbench.bench.drive import steady
from breakerbench.bench.feed import Feed
from breakerbench.bench.model import Bench
from breakerbench.bench.simulated import simulate
from breakerbench.pipeline import analyze

from .coil_traces import Coil, CoilSource

TWO = ("points_v", "current_a")
FOUR = ("points_v", "current_a", "supply_v", "contact_v")


def result(c: Coil, told: dict[str, float] | None = None, change: object = None) -> dict[str, Any]:
    return analyze(CoilSource(c, told, change))


def test_the_car_ignition_example_of_a_textbook() -> None:
    """Alexander and Sadiku, Fundamentals of Electric Circuits (attribution from memory).

    12 V, 4 ohm, 6 mH: 3 A and 27 mJ; the time constant is 1.5 ms.
    """
    coil = result(Coil())["coil"]
    assert coil["resistance_ohm"] == pytest.approx(4.0, rel=0.002)
    assert coil["inductance_h"] == pytest.approx(6e-3, rel=0.005)
    assert coil["current_a"] == pytest.approx(3.0, abs=0.005)
    assert coil["energy_j"] == pytest.approx(27e-3, rel=0.01)
    assert coil["standing_a"] == pytest.approx(3.0, rel=0.002)
    assert coil["heat_w"] == pytest.approx(36.0, rel=0.005)


@pytest.mark.parametrize(
    ("ohm", "henry", "volts"),
    [
        (3.0, 7.5e-3, 30.0),  # OpenStax College Physics, RL circuits: 10 A, time constant 2.50 ms
        (2.0, 10e-3, 12.0),  # textbook exercise: 14.98 ms to 95 % of 6 A
        (15.0, 80e-3, 12.0),  # OpenStax College Physics, exercise: 24.6 ms to 99.0 %
    ],
)
def test_time_constants_of_textbooks(ohm: float, henry: float, volts: float) -> None:
    tau = henry / ohm
    c = Coil(volts, ohm, 0.0, henry, closed_s=4.0 * tau, open_s=2.0 * tau + 6e-3, cycles=40)
    coil = result(c)["coil"]
    assert coil["inductance_h"] / coil["resistance_ohm"] == pytest.approx(tau, rel=0.005)
    assert coil["current_a"] == pytest.approx(volts / ohm * -np.expm1(-4.0), rel=0.003)


def test_the_winding_at_20_degrees() -> None:
    """Copper, IEC 60028 (from memory): 0.00393 per kelvin from 20 degrees on."""
    cold = result(Coil(), {"temperature_c": 20.0})["coil"]
    warm = result(Coil(coil_ohm=4.0 * (1 + 0.00393 * 60)), {"temperature_c": 80.0})["coil"]
    assert cold["resistance_20c_ohm"] == pytest.approx(4.0, rel=0.002)
    assert warm["resistance_20c_ohm"] == pytest.approx(4.0, rel=0.002)
    untold = result(Coil())
    assert untold["coil"]["resistance_20c_ohm"] is None
    assert "--temperature-c" in untold["why"]["coil.resistance_20c_ohm"]


def test_what_lies_in_the_feed_is_told_apart() -> None:
    found = result(Coil(coil_ohm=1.5, feed_ohm=1.6))
    assert found["coil"]["resistance_ohm"] == pytest.approx(1.5, rel=0.004)
    assert found["coil"]["ballast_ohm"] == pytest.approx(1.6, rel=0.004)
    assert found["coil"]["loop_ohm"] == pytest.approx(3.1, rel=0.002)
    assert found["supply"]["volts"] == pytest.approx(12.0, abs=0.02)
    current = found["coil"]["current_a"]
    assert found["supply"]["sag_v"] == pytest.approx(1.6 * current, abs=0.02)
    assert found["supply"]["closed_volts"] == pytest.approx(12.0 - 1.6 * current, abs=0.03)


def test_two_channels_cannot_tell_coil_from_feed() -> None:
    c = Coil(coil_ohm=1.5, feed_ohm=1.6, channels=TWO)
    found = result(c)
    assert found["coil"]["loop_ohm"] == pytest.approx(3.1, rel=0.003)
    assert found["coil"]["inductance_h"] == pytest.approx(6e-3, rel=0.01)
    for key in ("resistance_ohm", "ballast_ohm"):
        assert found["coil"][key] is None
        assert "supply_v" in found["why"][f"coil.{key}"]
    told = result(c, {"series_ohm": 1.6})
    assert told["coil"]["resistance_ohm"] == pytest.approx(1.5, rel=0.006)
    too_much = result(c, {"series_ohm": 5.0})
    assert too_much["coil"]["resistance_ohm"] is None
    assert "more ohms were told" in too_much["why"]["coil.resistance_ohm"]


def test_iron_that_saturates() -> None:
    found = result(Coil(coil_ohm=3.0, saturates_per_a=0.06))
    coil = found["coil"]
    assert coil["saturates"] is True
    assert any("saturates" in note for note in found["notes"])
    assert coil["resistance_ohm"] == pytest.approx(3.0, rel=0.004)
    assert result(Coil())["coil"]["saturates"] is False


def test_a_dwell_too_short_for_resistance_and_inductance() -> None:
    found = result(Coil(henry=12e-3, coil_ohm=1.5, closed_s=0.9e-3, open_s=3e-3, noise=(0.05,) * 4))
    assert found["coil"]["resistance_ohm"] is None
    assert "lower speed" in found["why"]["coil.resistance_ohm"]
    assert found["coil"]["current_a"] == pytest.approx(0.85, abs=0.02)


def test_contact_drop_and_resistance() -> None:
    found = result(Coil(contact_ohm=0.03, channels=FOUR))["contact"]
    assert found["resistance_ohm"] == pytest.approx(0.03, abs=1e-3)
    assert found["drop_v"] == pytest.approx(0.03 * found["current_a"], abs=5e-3)
    assert found["spread_v"] == pytest.approx(0.0, abs=1e-3)


def test_a_film_on_the_contact_is_part_of_the_drop() -> None:
    whole = result(Coil(contact_ohm=0.03, film_v=0.15, channels=FOUR))
    assert whole["contact"]["drop_v"] == pytest.approx(0.15 + 0.03 * 2.94, abs=0.01)
    assert any("do not grow with the current" in note for note in whole["notes"])


def test_no_current_channel() -> None:
    """A burn line would pass for the feed: nothing is told, but where supply_v is there."""
    found = result(Coil(channels=("points_v",)))
    assert found["coil"]["resistance_ohm"] is None
    assert found["supply"]["volts"] is None
    for key in ("coil", "contact", "supply.volts"):
        assert found["why"][key].startswith("no current_a or supply_v channel")
    fed = result(Coil(channels=("points_v", "supply_v")))
    assert fed["why"]["coil"] == "no current_a channel"
    assert fed["supply"]["volts"] == pytest.approx(12.0, abs=0.02)
    assert fed["contact"]["current_a"] is None


# --- nonsense -------------------------------------------------------------------------------------


def _all_refused(found: dict[str, Any], word: str) -> None:
    for table in ("coil", "contact"):
        figures = {k: v for k, v in found[table].items() if v not in (None, [])}
        assert figures == {}
        assert word in found["why"][table]


def test_polarity_that_changes_in_mid_trace() -> None:
    def turn(samples: dict[str, Any]) -> None:
        half = len(samples["points_v"]) * 2 // 3
        for name in ("points_v", "supply_v"):
            samples[name][half:] *= -1.0

    found = result(Coil(), change=turn)
    assert found["coil"]["resistance_ohm"] is None
    assert found["why"]["coil"]


def test_current_that_turns_round_in_mid_trace() -> None:
    def turn(samples: dict[str, Any]) -> None:
        samples["current_a"][len(samples["current_a"]) // 2 :] *= -1.0

    _all_refused(result(Coil(), change=turn), "current turned round")


def test_a_probe_clipped_at_its_range() -> None:
    def clip(samples: dict[str, Any]) -> None:
        np.minimum(samples["current_a"], 2.0, out=samples["current_a"])

    _all_refused(result(Coil(), change=clip), "end of its channel's range")


def test_a_probe_that_is_off() -> None:
    def off(samples: dict[str, Any]) -> None:
        samples["current_a"][:] = (
            np.random.default_rng(2).standard_normal(len(samples["current_a"])) * 5e-3
        )

    _all_refused(result(Coil(), change=off), "no current")


def test_a_current_that_is_not_a_coils() -> None:
    """The probe is on a lamp: the current stands at once."""

    def lamp(samples: dict[str, Any]) -> None:
        samples["current_a"][:] = np.where(samples["points_v"] < 6.0, 2.0, 0.0)

    found = result(Coil(), change=lamp)
    assert found["coil"]["inductance_h"] is None
    assert found["coil"]["resistance_ohm"] is None


def test_a_probe_put_on_backwards_and_a_zero_that_is_off() -> None:
    def backwards(samples: dict[str, Any]) -> None:
        samples["current_a"] *= -1.0
        samples["current_a"] += 0.3
        samples["supply_v"] += 0.1
        samples["points_v"] -= 0.05

    coil = result(Coil(), change=backwards)["coil"]
    assert coil["resistance_ohm"] == pytest.approx(4.0, rel=0.003)
    assert coil["current_a"] == pytest.approx(3.0, abs=0.01)


def test_the_result_does_not_depend_on_the_blocks() -> None:
    whole = json.dumps(analyze(CoilSource(Coil(cycles=30))))
    for blocks in (997, 10_000):
        assert json.dumps(analyze(CoilSource(Coil(cycles=30), blocks=blocks))) == whole


@settings(deadline=None, max_examples=25)
@given(
    volts=st.sampled_from([6.0, 12.0, -12.0]),
    coil_ohm=st.floats(1.0, 4.0),
    feed_ohm=st.floats(0.0, 2.0),
    henry=st.floats(3e-3, 12e-3),
    seed=st.integers(0, 1000),
)
def test_any_coil(volts: float, coil_ohm: float, feed_ohm: float, henry: float, seed: int) -> None:
    c = Coil(
        abs(volts),
        coil_ohm,
        feed_ohm,
        henry,
        contact_ohm=0.02,
        closed_s=15e-3,
        cycles=40,
        seed=seed,
    )

    def ground(samples: dict[str, Any]) -> None:
        if volts < 0:
            for name in samples:
                samples[name] *= -1.0

    found = result(c, change=ground)
    coil = found["coil"]
    polarity = "positive ground" if volts < 0 else "negative ground"
    assert found["supply"]["polarity"] == polarity
    assert coil["resistance_ohm"] == pytest.approx(coil_ohm, rel=0.004)
    assert coil["inductance_h"] == pytest.approx(henry, rel=0.015)
    assert coil["ballast_ohm"] == pytest.approx(feed_ohm, abs=0.008)


def test_a_condenser_across_a_dry_feed_that_has_not_charged_is_not_the_feed() -> None:
    """The points close at 78 % of the feed: what they show then is not its voltage."""
    made = simulate(
        Bench(drive=steady(900.0, 3.0), feed=Feed(series_ohm=24e3, condenser_f=0.22e-6)), 3
    )
    found = analyze(made)
    assert found["supply"]["volts"] is None
    assert "condenser" in found["why"]["supply.volts"]
    quick = analyze(simulate(Bench(drive=steady(300.0, 3.0)), 3))
    assert quick["supply"]["volts"] == pytest.approx(12.0, abs=0.03)
