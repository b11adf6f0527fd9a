"""The simulated bench on a coil: channels, probes, polarity, towers, truth, and the same bytes again."""

from __future__ import annotations

import hashlib
import json
from collections import defaultdict
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from breakerbench.bench import Bench, Simulated, simulate
from breakerbench.bench.arm_for import healthy_arm
from breakerbench.bench.cam import cam_for
from breakerbench.bench.drive import Drive, steady
from breakerbench.bench.electric_faults import on_a_coil
from breakerbench.bench.faults import apply, set_condition
from breakerbench.bench.front_end import Converter, FrontEnd
from breakerbench.bench.hand import by_hand
from breakerbench.bench.ignition import Gap, Ignition
from breakerbench.bench.ignition_modes import CURRENT_A, POINTS_V
from breakerbench.bench.random_bench import random_ignition_bench
from breakerbench.bench.second import second_for
from breakerbench.errors import BadInput
from breakerbench.trace import Block

Array = np.ndarray[Any, np.dtype[np.float64]]

ALL = ("points_v", "current_a", "supply_v", "contact_v", "spark")
QUIET = Converter(125e3, noise_counts=0.0)
OPEN_LEAD = Gap(breakdown_v=None)


def _bench(**changed: Any) -> Bench:
    base = {
        "ignition": Ignition(),
        "drive": steady(900.0, 0.5),
        "converter": QUIET,
        "channels": ALL,
    }
    return Bench(**(base | changed))


def read(simulated: Simulated) -> dict[str, Array]:
    """Samples of every channel, in its unit."""
    blocks = [event for event in simulated if isinstance(event, Block)]
    return {
        channel.name: np.concatenate([block.samples[row] for block in blocks]) * channel.scale
        + channel.zero
        for row, channel in enumerate(simulated.header.channels)
    }


def _times(simulated: Simulated, name: str) -> Array:
    row = simulated.header.position(name)
    assert row is not None
    channel = simulated.header.channels[row]
    number = np.arange(int(simulated.progress()[1] * simulated.header.sample_rate_hz + 0.5))
    return number / simulated.header.sample_rate_hz + channel.offset_s


def _digest(simulated: Simulated) -> dict[str, str]:
    sums: dict[str, hashlib._Hash] = defaultdict(hashlib.sha256)
    for event in simulated:
        if isinstance(event, Block):
            for channel, samples in zip(simulated.header.channels, event.samples, strict=True):
                sums[channel.name].update(samples.tobytes())
    return {name: value.hexdigest() for name, value in sums.items()}


RICH = random_ignition_bench(3, channels=ALL, seconds=0.6, bounces=True, breakdown_v=6e3)
WHOLE = _digest(simulate(RICH, 7))


@settings(max_examples=8, deadline=None)
@given(block=st.integers(100, 100_000))
def test_the_bytes_do_not_depend_on_the_size_of_blocks(block: int) -> None:
    assert _digest(simulate(RICH, 7, block)) == WHOLE


def test_once_more_through_gives_the_same_bytes() -> None:
    simulated = simulate(RICH, 7)
    assert _digest(simulated) == _digest(simulated) == WHOLE
    other = _digest(simulate(RICH, 8))
    assert all(other[name] != WHOLE[name] for name in WHOLE)


def test_sparks_do_not_disturb_the_turning() -> None:
    dry = replace(RICH, ignition=None, channels=("points_v", "current_a"))
    found, expected = simulate(RICH, 7), simulate(dry, 7)
    assert found.contact.time_s.tolist() == expected.contact.time_s.tolist()
    for key in ("dwell", "spacing", "scatter", "bounce", "missed", "advance"):
        assert found.truth[key] == expected.truth[key]


def test_channels_take_turns_in_their_order() -> None:
    simulated = simulate(_bench(channels=("supply_v", "points_v", "spark")), 1)
    assert [channel.name for channel in simulated.header.channels] == [
        "supply_v",
        "points_v",
        "spark",
    ]
    assert [channel.unit for channel in simulated.header.channels] == ["V"] * 3
    thirds = [channel.offset_s * 3 * 125e3 for channel in simulated.header.channels]
    assert thirds == pytest.approx([0.0, 1.0, 2.0])


def test_ranges_are_those_of_a_coil_where_none_is_asked_for() -> None:
    spans = {
        channel.name: channel.scale * 2048 for channel in simulate(_bench(), 1).header.channels
    }
    assert spans == pytest.approx(
        {"points_v": 400.0, "current_a": 10.0, "supply_v": 20.0, "contact_v": 2.5, "spark": 2.5}
    )
    narrow = simulate(_bench(points_range_v=50.0), 1)
    volts = read(narrow)["points_v"]
    assert np.max(volts) == pytest.approx(50.0, abs=0.05)
    assert narrow.header.channels[0].rail_counts == (0.0, 4095.0)


def test_samples_are_the_circuit_behind_its_front_end() -> None:
    """A front end of first order is a mean of the past with exponential weights (Gauss-Laguerre)."""
    bench = _bench(channels=("points_v", "current_a"), converter=Converter(250e3, noise_counts=0.0))
    simulated = simulate(bench, 1)
    run = simulated.run
    assert run is not None
    tau = bench.points.tau_s
    nodes, weights = np.polynomial.laguerre.laggauss(40)
    for name, signal in (("points_v", POINTS_V), ("current_a", CURRENT_A)):
        times, values = _times(simulated, name), read(simulated)[name]
        row = np.searchsorted(run.start_s, times, side="right") - 1
        calm = times - run.start_s[row] > 25.0 * tau
        past = times[calm][:, None] - tau * nodes
        expected = run.at(signal, past.ravel()).reshape(past.shape) @ weights
        assert np.count_nonzero(calm) > 100_000
        count = bench.full_scale(name) / 2048
        assert np.max(np.abs(values[calm] - expected)) < 0.51 * count


def test_gain_and_zero_are_wrong_by_what_nobody_is_told() -> None:
    right = read(simulate(_bench(), 1))
    ends = {
        "points": FrontEnd(gain_error=0.01, offset=2.0, u_gain=0.006, u_zero=1.5),
        "supply": FrontEnd(gain_error=-0.02, offset=-0.3),
        "contact": FrontEnd(offset=0.05, u_zero=0.03),
    }
    simulated = simulate(_bench(**ends), 1)
    wrong = read(simulated)
    for name, end, count in (("points_v", "points", 0.2), ("supply_v", "supply", 0.01)):
        expected = right[name] * (1.0 + ends[end].gain_error) + ends[end].offset
        assert np.max(np.abs(wrong[name] - expected)) < 1.1 * count
    inside = np.abs(right["contact_v"]) < 2.4
    assert np.max(np.abs(wrong["contact_v"] - right["contact_v"] - 0.05)[inside]) < 2 * 5 / 4096
    assert np.array_equal(right["current_a"], wrong["current_a"])
    stated = {c.name: (c.u_gain, c.u_zero) for c in simulated.header.channels}
    assert stated["points_v"] == (0.006, 1.5)
    assert stated["supply_v"] == (None, None)
    assert stated["contact_v"] == (None, 0.03)


def test_the_probe_of_the_contact_moves_from_part_to_part() -> None:
    circuit = Ignition(contact_ohm=0.03, lead_ohm=0.02, plate_ohm=0.05, clamp_ohm=0.01, film_v=0.1)
    drops, ohms = {}, {}
    for place in ("points", "contact", "plate", "clamp"):
        simulated = simulate(_bench(ignition=circuit, probe_at=place, drive=steady(900.0, 1.0)), 1)
        truth = simulated.truth["contact"]
        drops[place], ohms[place] = truth["drop_v"], truth["resistance_ohm"]
        assert truth["drop_v"] == pytest.approx(
            truth["film_v"] + truth["resistance_ohm"] * truth["current_a"], rel=1e-6
        )
        # what the channel shows just before an opening, and that points_v stays where it was
        values, times = read(simulated), _times(simulated, "contact_v")
        run = simulated.run
        assert run is not None
        opening = run.begin_s[run.proper][3]
        before = values["contact_v"][(times > opening - 60e-6) & (times < opening - 5e-6)]
        assert np.mean(before) == pytest.approx(drops[place], abs=2.5 / 2048)
        assert np.max(values["points_v"]) > 100.0
    assert ohms == {"points": 0.11, "contact": 0.03, "plate": 0.05, "clamp": 0.01}
    lead = circuit.lead_ohm * simulated.truth["contact"]["current_a"]
    parts = drops["contact"] + drops["plate"] + drops["clamp"] + lead
    assert drops["points"] == pytest.approx(parts, rel=1e-7)
    # without a channel of its own the probe is that of points_v
    plain = {"ignition": circuit, "channels": ("points_v",), "points_range_v": 2.5}
    alone = simulate(_bench(probe_at="plate", **plain), 1)
    assert np.max(read(alone)["points_v"]) == pytest.approx(drops["plate"], abs=0.01)


def test_positive_ground_turns_the_signs_of_the_primary_round() -> None:
    straight = read(simulate(_bench(), 1))
    turned = simulate(set_condition(_bench(), "positive-ground"), 1)
    assert turned.truth["supply"]["polarity"] == "positive ground"
    volts = read(turned)
    for name in ("points_v", "current_a", "supply_v"):
        span = {"points_v": 0.2, "current_a": 0.005, "supply_v": 0.01}[name]
        assert np.max(np.abs(volts[name] + straight[name])) < 1.1 * span
    assert np.array_equal(volts["spark"], straight["spark"])


def test_the_pick_up_shows_every_breakdown_with_the_sign_of_the_coil() -> None:
    for circuit, sense, sign in (
        (Ignition(), 1.0, 1.0),
        (Ignition(reversed=True), 1.0, -1.0),
        (Ignition(reversed=True, positive_ground=True), -1.0, 1.0),
    ):
        simulated = simulate(_bench(ignition=circuit, pickup_sense=sense), 1)
        run, values = simulated.run, read(simulated)["spark"]
        assert run is not None
        assert simulated.truth["coil"]["polarity"] == ("reversed" if circuit.reversed else "right")
        times = _times(simulated, "spark")
        for breakdown in run.breakdown_s[1:-1]:
            after = sign * values[(times > breakdown) & (times < breakdown + 30e-6)]
            assert np.max(after) > 0.3
        quiet = np.min(np.abs(times[:, None] - run.breakdown_s - 150e-6), axis=1) > 150e-6
        assert np.max(np.abs(values[quiet])) < 0.01


def test_the_pick_up_on_one_lead_shows_one_tower() -> None:
    simulated = simulate(_bench(pickup_tower=2, drive=steady(900.0, 1.0)), 1)
    run, values = simulated.run, read(simulated)["spark"]
    assert run is not None
    times = _times(simulated, "spark")
    for breakdown, phase in zip(run.breakdown_s[1:-1], run.breakdown_phase[1:-1], strict=True):
        highest = np.max(values[(times > breakdown) & (times < breakdown + 30e-6)])
        assert (highest > 0.3) == (run.tower[phase] == 2)
        assert highest < 0.05 or highest > 0.3


@pytest.mark.parametrize("number_one", [1, 3])
@pytest.mark.parametrize("dead", [0, 2])
def test_a_tower_fires_at_its_lobe(number_one: int, dead: int) -> None:
    gaps = [Gap()] * 4
    gaps[dead] = OPEN_LEAD
    circuit = Ignition(gaps=tuple(gaps), number_one_lobe=number_one)
    # uneven lobes, so that they can be told apart
    cam = cam_for(4, 52.0, 0.6, first_opening_deg=40.0, nominal_deg=(0.0, 88.0, 180.0, 266.0))
    simulated = simulate(_bench(ignition=circuit, cam=cam, drive=steady(900.0, 2.0)), 1)
    spark = simulated.truth["spark"]
    lobe = (dead + number_one - 1) % 4
    assert [bool(misses) for misses in spark["by_lobe"]] == [n == lobe for n in range(4)]
    assert [row["misses"] > 0 for row in spark["by_tower"]] == [n == dead for n in range(4)]
    assert spark["misses"] == sum(spark["by_lobe"]) == spark["by_lobe"][lobe]
    # by angle: what is missed opens where that lobe opens
    each = spark["each"]
    opened = np.array(each["opening_s"])[np.array(each["missed"])]
    angle = np.mod(simulated.motion.rotor.angle_deg(opened), 360.0)
    assert angle == pytest.approx(np.full(angle.size, 40.0 + cam.nominal_deg[lobe]), abs=1.0)


def test_spark_truth_is_what_the_gap_did() -> None:
    simulated = simulate(_bench(drive=steady(900.0, 2.0)), 1)
    run, spark = simulated.run, simulated.truth["spark"]
    assert run is not None
    durations = np.array(spark["each"]["duration_s"])
    assert spark["openings"] == durations.size == 120
    assert spark["duration_s"] == pytest.approx(np.median(durations))
    assert spark["range_s"] == pytest.approx(np.ptp(durations))
    # 900 V and its spread over 80 turns, where the current has all but gone
    assert spark["burn_end_v"] == pytest.approx(900.0 * 0.96 / 80.0, rel=0.05)
    assert spark["burn_v"] > spark["burn_end_v"]


def test_a_spark_that_the_closing_cuts_off_has_no_duration() -> None:
    eight = cam_for(8, 30.0, 0.4)
    bench = _bench(cam=eight, drive=steady(2400.0, 1.0), ignition=Ignition(coil_ohm_20c=1.5))
    spark = simulate(bench, 1).truth["spark"]
    assert spark["cut"] > 0.9 * spark["openings"] > 100
    assert spark["misses"] == 0
    assert spark["each"]["duration_s"].count(None) == spark["cut"]


def test_current_and_energy_by_speed() -> None:
    """By the formula of the rise from nothing: dwell at a low speed is long, at a high one short."""
    bench = _bench(
        drive=Drive(((0.0, 300.0), (2.0, 300.0), (4.0, 2400.0), (6.0, 2400.0))),
        channels=("points_v",),
    )
    simulated = simulate(bench, 1)
    coil = simulated.truth["coil"]
    rows = coil["by_speed"]
    assert rows[0]["rpm"] == pytest.approx(300.0, abs=3.0)
    assert rows[-1]["rpm"] == pytest.approx(2400.0, abs=3.0)
    dwell = simulated.truth["dwell"]["mean_deg"]
    for row in (rows[0], rows[-1]):
        lasts = dwell / (6.0 * row["rpm"])
        rise = 1.0 - np.exp(-lasts * coil["loop_ohm"] / coil["inductance_h"])
        assert row["current_a"] == pytest.approx(coil["standing_a"] * rise, rel=0.03)
        assert row["energy_j"] == pytest.approx(3.5e-3 * row["current_a"] ** 2, rel=1e-3)
    total = sum(row["openings"] for row in rows)
    mean = sum(row["openings"] * row["current_a"] for row in rows) / total
    assert coil["current_a"] == pytest.approx(mean)
    assert coil["heat_w"] == pytest.approx(coil["standing_a"] ** 2 * coil["resistance_ohm"])
    supply = simulated.truth["supply"]
    assert supply["open_volts"] == pytest.approx(12.6)
    assert supply["sag_v"] == pytest.approx(12.6 - supply["volts"])


def test_copper_warms() -> None:
    """IEC 60028 (from memory): 0.00393 per kelvin at 20 degrees C."""
    coil = simulate(_bench(ignition=Ignition(coil_c=80.0)), 1).truth["coil"]
    assert coil["resistance_ohm"] == pytest.approx(3.0 * (1.0 + 0.00393 * 60.0))
    assert coil["resistance_20c_ohm"] == 3.0


def test_a_burnt_contact_drops_otherwise_at_every_closing() -> None:
    circuit = Ignition(film_v=0.3, film_spread_v=0.05, contact_ohm=0.05)
    contact = simulate(_bench(ignition=circuit, drive=steady(900.0, 10.0)), 1).truth["contact"]
    assert contact["spread_v"] == pytest.approx(0.05, rel=0.1)
    expected = 0.3 + contact["resistance_ohm"] * contact["current_a"]
    assert contact["drop_v"] == pytest.approx(expected, abs=0.01)


def test_bounce_second_set_and_hand_work_on_a_coil() -> None:
    bouncing = apply(_bench(drive=steady(2200.0, 1.0)), "points-bounce", "needs repair")
    simulated = simulate(bouncing, 1)
    run = simulated.run
    assert run is not None
    openings = ~run.closed[1:]
    assert np.count_nonzero(openings) > 1.5 * np.count_nonzero(run.proper)
    assert simulated.truth["spark"]["openings"] <= np.count_nonzero(run.proper)
    assert sum(len(e) for e in simulated if isinstance(e, Block)) == 125_000
    arms = replace(_bench(), arm=healthy_arm(_bench()))
    pair = replace(arms, second=second_for(arms.cam, 45.0, 52.0), points_set="both")
    truth = simulate(pair, 1).truth
    assert len(truth["spark"]["by_lobe"]) == 8
    hand = simulate(_bench(drive=by_hand(3, 6.0), chatter_s=0.002, index=None, encoder=None), 1)
    assert hand.header.kind == "hand"
    assert all(isinstance(event, Block) for event in hand)
    assert hand.truth["spark"]["openings"] >= 1


def test_never_opening_never_closing_and_standing_still() -> None:
    for gap_mm, state, volts in ((-0.1, "always closed", 0.069), (2.0, "always open", 12.6)):
        bench = _bench(cam=replace(Bench().cam, gap_mm=gap_mm), channels=("points_v", "current_a"))
        simulated = simulate(bench, 1)
        assert simulated.truth["state"] == state
        assert simulated.truth["coil"]["current_a"] is None
        assert simulated.truth["spark"]["openings"] == 0
        values = read(simulated)["points_v"]
        assert np.all(np.abs(values - volts) < 0.11)
        json.dumps(simulated.truth, allow_nan=False)
    standing = simulate(_bench(drive=steady(0.0, 0.3)), 1)
    assert standing.truth["contact"]["drop_v"] is None


def test_a_drifting_supply_is_taken_over_at_each_change() -> None:
    bench = set_condition(_bench(drive=steady(900.0, 4.0)), "supply-unsteady")
    supply = simulate(bench, 1).truth["supply"]
    assert supply["open_volts"] == pytest.approx(12.6 * (1.0 - 0.02 * 2.0), rel=2e-3)


def test_truth_is_json_and_kind_and_temperature_are_told() -> None:
    simulated = simulate(_bench(kind="coil", temperature_c=25.0), 1)
    assert simulated.header.kind == "coil"
    assert simulated.header.temperature_c == 25.0
    truth = json.loads(json.dumps(simulated.truth, allow_nan=False))
    assert truth["bench"]["ignition"]["coil_h"] == 7e-3


@pytest.mark.parametrize(
    "wrong",
    [
        {"ignition": None},
        {"channels": ("points_v", "points_v")},
        {"channels": ()},
        {"channels": ("points_v", "condenser_v")},
        {"probe_at": "lead"},
        {"ignition": None, "channels": ("points_v",), "probe_at": "plate"},
        {"ignition": None, "channels": ("points_v",), "kind": "coil"},
        {"kind": "hand"},
    ],
)
def test_an_impossible_bench_is_refused(wrong: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match=r"channel|prob|kind|coil"):
        _bench(**wrong)


def test_a_condenser_across_the_feed_is_one_of_the_dry_feed() -> None:
    with pytest.raises(BadInput, match="dry feed"):
        set_condition(on_a_coil(Bench()), "condenser-across-feed")
