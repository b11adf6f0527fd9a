"""Condenser figures against the simulated bench's truth, and what must not become a figure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from breakerbench.bench.charging import Charging, SimulatedCharging, with_fault
from breakerbench.bench.front_end import Converter
from breakerbench.measure.condenser_found import CondenserTrace
from breakerbench.measure.condenser_trace import Kept
from breakerbench.result.condenser import CondenserCheck
from breakerbench.trace import Block, Channel, Event, Header, Hole


def result_of(header: Header, events: Iterable[Event]) -> dict[str, Any]:
    check = CondenserCheck(header)
    for event in events:
        check.feed(event)
    return check.finish()


def measured(test: Charging, seed: int = 1) -> dict[str, Any]:
    source = SimulatedCharging(test, seed)
    return result_of(source.header, source)


def drawn(seed: int, hold: bool = True, u_share: float = 1e-3) -> Charging:
    """A test as people make them, and as they should not: wide ranges on purpose."""
    g = np.random.default_rng([seed, 7])
    rate = float(np.exp(g.uniform(np.log(20e3), np.log(250e3))))
    farad = float(g.uniform(0.05e-6, 0.5e-6))
    least_ohm = max(max(8.0 / rate, 60e-6) / farad, 300.0)
    ohm = float(np.exp(g.uniform(np.log(least_ohm), np.log(1e5))))
    leak = max(float(np.exp(g.uniform(np.log(300e3), np.log(1e9)))), 3.0 * ohm)
    probe = float(g.choice([1e6, 10e6, 100e6]))
    tau, fall = ohm * farad, farad / (1.0 / leak + 1.0 / probe)
    supply = float(g.choice([6.0, 12.0, 24.0]) * g.uniform(0.9, 1.1))
    return Charging(
        capacitance_f=farad,
        series_ohm=float(g.uniform(0.0, 1.0)),
        leakage_ohm=leak,
        supply_v=supply,
        positive_ground=bool(g.integers(2)),
        resistor_ohm=ohm * (1.0 + u_share * float(g.standard_normal())),
        told_resistor_ohm=ohm,
        told_supply_v=None,
        told_probe_ohm=probe * float(1.0 + 0.02 * g.uniform(-1.0, 1.0)),
        u_resistor_share=u_share,
        probe_ohm=probe,
        discharge_ohm=float(g.choice([0.02, 1.0, ohm])),
        charges=int(g.integers(3, 12)),
        charge_s=tau * float(g.uniform(4.0, 15.0)),
        rest_s=max(12.0 * tau, 20.0 / rate),
        first_s=float(g.uniform(0.0, 0.02)) + 30.0 / rate,
        hold_s=min(fall * float(g.uniform(0.3, 2.0)), 6.0) if hold else 0.0,
        gain=1.0 + 0.01 * float(g.uniform(-1.0, 1.0)),
        zero_v=float(g.uniform(-0.05, 0.05)),
        supply_gain=1.0 + 0.01 * float(g.uniform(-1.0, 1.0)),
        range_v=2.0 * supply * float(g.uniform(0.6, 1.2)),
        converter=Converter(rate),
        points=bool(g.integers(2)),
    )


def _covered(seeds: range, hold: bool, u_share: float = 1e-3) -> tuple[float, float, list[float]]:
    """Shares of capacitances and of leakages whose truth lies inside U, and the errors of C."""
    inside, leaks, off = [], [], []
    for seed in seeds:
        test = drawn(seed, hold, u_share)
        found = measured(test, seed)["condenser"]
        error = found["capacitance_f"] - test.capacitance_f
        inside.append(abs(error) <= found["u_capacitance_f"])
        if test.resistor_ohm * test.capacitance_f * test.converter.sample_rate_hz >= 40.0:
            off.append(abs(error) / test.capacitance_f)
        if found["leakage_at_least_ohm"] is not None:
            leaks.append(found["leakage_at_least_ohm"] <= test.leakage_ohm)
        if found["leakage_ohm"] is not None:
            leaks.append(abs(found["leakage_ohm"] - test.leakage_ohm) <= found["u_leakage_ohm"])
    return float(np.mean(inside)), float(np.mean(leaks)), off


def test_the_truth_is_inside_and_near() -> None:
    inside, leaks, off = _covered(range(5000, 5120), hold=True, u_share=3e-4)
    # of 120 with 95.45 % each, fewer than this come by chance once in a thousand
    assert inside >= 0.895
    assert leaks >= 0.93
    assert np.quantile(off, 0.99) <= 0.006


@pytest.mark.sweep
def test_the_truth_is_inside_as_often_as_it_is_said() -> None:
    inside, leaks, off = _covered(range(1000), hold=True)
    assert 0.944 <= inside <= 0.971  # the figures to reach
    assert leaks >= 0.9545
    assert np.quantile(off, 0.99) <= 0.006


@pytest.mark.sweep
def test_without_a_hold_the_uncertainty_covers_the_leakage() -> None:
    inside, leaks, _ = _covered(range(400), hold=False)
    assert inside >= 0.93
    assert leaks >= 0.93


# --- one trace, cut and spoilt ----------------------------------------------------------------

SHORT = replace(Charging(), hold_s=0.5, leakage_ohm=2e6)
SOURCE = SimulatedCharging(SHORT, 3)
WHOLE = result_of(SOURCE.header, SOURCE)
SAMPLES = tuple(
    np.concatenate(rows)
    for rows in zip(*(e.samples for e in SOURCE if isinstance(e, Block)), strict=True)
)


def cut(at: list[int]) -> list[Event]:
    ends = [0, *sorted(at), len(SAMPLES[0])]
    return [Block(a, tuple(row[a:b] for row in SAMPLES)) for a, b in pairwise(ends)]


@settings(max_examples=20)
@given(st.lists(st.integers(0, len(SAMPLES[0])), max_size=12))
def test_the_result_does_not_hang_on_the_blocks(at: list[int]) -> None:
    assert result_of(SOURCE.header, cut(at)) == WHOLE


@settings(max_examples=25)
@given(
    st.lists(st.integers(1, 3000), min_size=1, max_size=12),
    st.sets(st.integers(0, 11), max_size=3),
    st.integers(50, 900),
    st.booleans(),
)
def test_what_is_kept_does_not_hang_on_the_blocks(
    sizes: list[int], holes: set[int], keep: int, counts: bool
) -> None:
    rng = np.random.default_rng(len(sizes))
    channel = Channel("condenser_v", "V", 0.01, -20.0, rail_counts=(0.0, 4095.0))
    stretches, first = [], 0
    for k, size in enumerate(sizes):
        x = rng.integers(0, 4096, size).astype(np.int16)
        stretches.append((first, x if counts else x.astype(np.float32) * np.float32(0.1)))
        first += size + (5 if k in holes else 0)
    once, often = Kept(channel, keep), Kept(channel, keep)
    joined: list[tuple[int, np.ndarray[Any, Any]]] = []
    for begin, x in stretches:
        for k in range(0, len(x), 7):
            often.feed(begin + k, x[k : k + 7])
        if joined and joined[-1][0] + len(joined[-1][1]) == begin:
            joined[-1] = (joined[-1][0], np.concatenate([joined[-1][1], x]))
        else:
            joined.append((begin, x))
    for begin, x in joined:
        once.feed(begin, x)
    assert once.size == often.size
    pairs = list(zip(once.finish(), often.finish(), strict=True))
    assert sum(len(x) for (_, x), _ in pairs) <= keep + len(pairs)
    for (begin, x), (other, y) in pairs:
        assert begin == other
        np.testing.assert_array_equal(x, y)


def test_joined_values_are_means_and_what_was_cut_off_stays_seen() -> None:
    channel = Channel("condenser_v", "V", 1.0, rail_counts=(0.0, 100.0))
    kept = Kept(channel, 4)
    kept.feed(0, np.array([1, 3, 5, 7, 100, 9, 11, 13], np.int16))
    ((_, values),) = kept.finish()
    assert kept.size == 2
    assert values.tolist() == [2.0, 6.0, np.inf, 12.0]


@pytest.mark.parametrize(("keep", "size"), [(1 << 16, 4), (1 << 14, 16)])
def test_a_long_trace_is_joined_and_the_same(keep: int, size: int) -> None:
    trace = CondenserTrace(SOURCE.header, keep)
    for event in SOURCE:
        assert isinstance(event, Block)
        trace.block(event)
    found = trace.finish()
    assert found.size == size
    assert found.step is None  # blurred: it would pass for a resistance in series
    plain = CondenserTrace(SOURCE.header)
    for event in SOURCE:
        assert isinstance(event, Block)
        plain.block(event)
    for fine, coarse in zip(plain.finish().charges, found.charges, strict=True):
        assert coarse.tau_s == pytest.approx(fine.tau_s, rel=2e-3)


def test_a_hole_ends_a_phase_and_nothing_reaches_across() -> None:
    """The third charge and the middle of the hold are gone: four charges, and half a hold."""
    rate = SHORT.converter.sample_rate_hz
    period = SHORT.charge_s + SHORT.rest_s
    first = int((SHORT.first_s + 2 * period + 0.001) * rate)
    last = int((SHORT.first_s + 4 * period + SHORT.charge_s + 0.2) * rate)
    events: list[Event] = []
    for begin, end in ((0, first), (first + 2000, last), (last + 10000, len(SAMPLES[0]))):
        events += [Block(begin, tuple(row[begin:end] for row in SAMPLES)), Hole(end, end)]
    found = result_of(SOURCE.header, events)
    assert found["condenser"]["charges"] == 4
    for key in ("capacitance_f", "leakage_ohm"):
        off = abs(found["condenser"][key] - SOURCE.truth["condenser"][key])
        assert off <= 1.1 * found["condenser"][f"u_{key}"]


def test_positive_ground_and_points_v_are_the_same_condenser() -> None:
    for test in (replace(SHORT, positive_ground=True), replace(SHORT, points=True)):
        found = measured(test, 3)
        assert found["condenser"]["capacitance_f"] == pytest.approx(0.22e-6, rel=0.006)
        assert found["condenser"]["test_v"] > 0.0
        sign = "positive ground" if test.positive_ground else "negative ground"
        assert found["supply"]["polarity"] == sign


def test_gain_and_zero_of_the_channel_fall_out() -> None:
    for gain, zero in ((0.9, 0.0), (1.0, 1.0), (1.1, -1.0)):
        found = measured(replace(SHORT, gain=gain, zero_v=zero), 3)["condenser"]
        assert found["capacitance_f"] == pytest.approx(
            WHOLE["condenser"]["capacitance_f"], rel=1e-3
        )


def test_values_that_an_import_holds_as_floats() -> None:
    channel = SOURCE.header.channels[0]
    volts = (channel.zero + channel.scale * SAMPLES[0]).astype(np.float32)
    plain = Channel("condenser_v", "V", delay_s=channel.delay_s)
    header = replace(SOURCE.header, channels=(plain,))
    found = result_of(header, [Block(0, (volts,))])["condenser"]
    assert found["capacitance_f"] == pytest.approx(WHOLE["condenser"]["capacitance_f"], rel=1e-4)


# --- states and faults ------------------------------------------------------------------------


@pytest.mark.parametrize("level", ["slight", "needs repair", "dead"])
@pytest.mark.parametrize("name", ["open", "shorted", "leaky", "small"])
def test_each_fault_is_seen_for_what_it_is(name: str, level: str) -> None:
    test = with_fault(Charging(), f"condenser-{name}", level)
    found = measured(test)["condenser"]
    state = {"open": "open", "shorted": "shorted", "leaky": "leaky", "small": None}[name]
    if level == "slight":
        state = None
    assert found["state"] == state
    if found["capacitance_f"] is None:
        assert state in ("open", "shorted")
    else:
        off = abs(found["capacitance_f"] - test.capacitance_f)
        assert off <= found["u_capacitance_f"]


def test_leakage_from_the_end_of_the_charge_where_it_shows() -> None:
    test = replace(Charging(), leakage_ohm=50e3, hold_s=0.0)
    found = measured(test)["condenser"]
    assert abs(found["leakage_ohm"] - 50e3) <= found["u_leakage_ohm"]
    assert abs(found["capacitance_f"] - 0.22e-6) <= found["u_capacitance_f"]
    assert found["state"] == "leaky"


def test_a_probe_that_was_not_told_leaves_a_lower_bound() -> None:
    found = measured(replace(Charging(), told_probe_ohm=None))
    table = found["condenser"]
    assert table["leakage_ohm"] is None
    assert 8e6 < table["leakage_at_least_ohm"] < 9.6e6
    assert "--probe-ohm" in found["why"]["condenser.leakage_ohm"]


def test_a_discharge_through_a_resistor_is_no_leakage() -> None:
    test = replace(Charging(), discharge_ohm=100e3, rest_s=0.4, charges=3, hold_s=0.0)
    found = measured(test)
    assert found["condenser"]["leakage_ohm"] is None
    assert any("emptied through a resistor" in note for note in found["notes"])
    assert found["condenser"]["capacitance_f"] == pytest.approx(0.22e-6, rel=0.012)


def test_without_supply_and_hold_an_assumption_is_made_and_said() -> None:
    test = replace(Charging(), hold_s=0.0, supply_gain=None, told_supply_v=None)
    found = measured(test)
    assert found["condenser"]["leakage_at_least_ohm"] is None
    assert any("taken for granted, unseen" in note for note in found["notes"])
    assert found["condenser"]["u_capacitance_f"] > 0.02 * 0.22e-6


# --- nonsense ---------------------------------------------------------------------------------


def _nothing(found: dict[str, Any], *words: str) -> None:
    for key in ("capacitance_f", "leakage_ohm", "series_ohm"):
        assert found["condenser"][key] is None
        for word in words:
            assert word in found["why"][f"condenser.{key}"]


def test_supply_of_nought() -> None:
    _nothing(measured(replace(Charging(), told_supply_v=0.0)), "0 V", "--supply-v")


@pytest.mark.parametrize("ohm", [None, 0.0])
def test_resistor_not_told(ohm: float | None) -> None:
    found = measured(replace(Charging(), told_resistor_ohm=ohm))
    _nothing(found, "--series-ohm", "2.19")
    assert found["condenser"]["tau_s"] == pytest.approx(2.2e-3, rel=0.01)


def test_cut_off_at_the_range() -> None:
    for volts in (6.0, 11.9):
        _nothing(measured(replace(Charging(), range_v=volts)), "cut off", "larger range")


def test_cut_off_where_nobody_told_the_range() -> None:
    channel = SOURCE.header.channels[0]
    volts = np.clip(channel.zero + channel.scale * SAMPLES[0], -20.0, 10.0).astype(np.float32)
    header = replace(SOURCE.header, channels=(Channel("condenser_v", "V", delay_s=3.7e-6),))
    _nothing(result_of(header, [Block(0, (volts,))]), "cut off")


def test_polarity_reversed_in_mid_trace() -> None:
    half = len(SAMPLES[0]) // 8
    turned = SAMPLES[0].copy()
    turned[half:] = 4095 - turned[half:]
    found = result_of(SOURCE.header, [Block(0, (turned, SAMPLES[1]))])
    _nothing(found, "reversed")
    assert found["supply"]["polarity"] is None


def test_a_resistor_that_is_too_small() -> None:
    test = replace(Charging(), resistor_ohm=47.0, told_resistor_ohm=47.0)
    found = measured(test)
    _nothing(found, "10 kohm")
    assert found["condenser"]["state"] is None
    unknown = measured(replace(test, told_resistor_ohm=None))
    _nothing(unknown, "10 kohm", "--series-ohm")


def test_never_rises_with_the_feed_unseen_may_be_either() -> None:
    test = replace(with_fault(Charging(), "condenser-shorted", "dead"), supply_gain=None)
    found = measured(test)
    _nothing(found, "or the feed was not on")
    assert found["condenser"]["state"] is None


def test_charges_that_are_cut_short_and_no_charge_at_all() -> None:
    short = replace(Charging(), charge_s=0.5e-3, hold_s=0.0)
    _nothing(measured(short), "five time constants")
    stands = np.full(50000, 3000, np.int16)
    _nothing(result_of(SOURCE.header, [Block(0, (stands, stands))]), "stands all the time")


@pytest.mark.parametrize("count", [0, 1, 2, 7])
def test_hardly_a_sample(count: int) -> None:
    block = Block(0, tuple(row[5200 : 5200 + count] for row in SAMPLES))
    assert result_of(SOURCE.header, [block])["condenser"]["capacitance_f"] is None


def test_no_channel_for_it() -> None:
    header = replace(SOURCE.header, channels=(Channel("current_a", "A"),))
    _nothing(result_of(header, [Block(0, (SAMPLES[1],))]), "condenser_v")


def test_what_is_no_exponential() -> None:
    t = np.arange(20000) / 20e3
    ramp = np.where((t > 0.2) & (t < 0.6), 12.0 * np.minimum((t - 0.2) / 0.1, 1.0), 0.0)
    volts = (ramp + 0.01 * np.random.default_rng(1).standard_normal(len(t))).astype(np.float32)
    header = Header(20e3, (Channel("condenser_v", "V"),), kind="condenser", series_ohm=1e5)
    _nothing(result_of(header, [Block(0, (volts,))]), "no exponential")


def test_a_step_without_noise_is_no_charge() -> None:
    """Flat before, flat after: a fit through it is exact, and says nothing."""
    x = np.repeat(np.array([100, 3000, 100, 3000, 100], np.int16), [3000, 4000, 2000, 4000, 900])
    channel = Channel("condenser_v", "V", 0.01, -1.0, delay_s=4e-6, rail_counts=(0.0, 4095.0))
    header = Header(250e3, (channel,), kind="condenser", series_ohm=1e4)
    found = result_of(header, [Block(0, (x,))])
    _nothing(found, "rises at once")
    assert found["condenser"]["state"] == "open"


def test_values_without_noise_give_a_figure() -> None:
    t = np.arange(20000) / 20e3
    volts = np.where(t > 0.1, 12.0 * (1.0 - np.exp(-(t - 0.1) / 20e-3)), 0.0).astype(np.float32)
    header = Header(20e3, (Channel("condenser_v", "V"),), kind="condenser", series_ohm=1e5)
    found = result_of(header, [Block(0, (volts,))])["condenser"]
    assert found["capacitance_f"] == pytest.approx(0.2e-6, rel=1e-3)


@settings(max_examples=40)
@given(st.integers(0, 2**32), st.sampled_from(["noise", "steps", "walk", "sine"]))
def test_no_trace_whatever_brings_it_down(seed: int, shape: str) -> None:
    rng = np.random.default_rng(seed)
    n = int(rng.integers(1, 6000))
    x = rng.standard_normal(n)
    if shape == "steps":
        x = np.repeat(rng.uniform(-1.0, 12.0, n // 50 + 1), 50)[:n] + 0.01 * x
    elif shape == "walk":
        x = np.cumsum(x)
    elif shape == "sine":
        x = 5.0 + 5.0 * np.sin(np.arange(n) / rng.uniform(1.0, 500.0)) + 0.01 * x
    header = Header(1e5, (Channel("condenser_v", "V"),), kind="condenser", series_ohm=1e4)
    result_of(header, [Block(0, (x.astype(np.float32),))])
    # and as counts of a converter that it drives to both ends
    channel = Channel("condenser_v", "V", 0.01, -20.48, rail_counts=(0.0, 4095.0))
    counts = np.clip(x * rng.choice([10.0, 1000.0]) + 2048.0, 0, 4095).astype(np.int16)
    result_of(replace(header, channels=(channel,)), [Block(0, (counts,))])
