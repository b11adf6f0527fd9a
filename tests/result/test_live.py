"""What a run shows while it goes on, against simulated truth and against the way of the result.

``benchmarks/latency.py`` prints how far it is off over many more; the limits here leave room for chance.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from benchmarks.latency import Seen, as_sent, watched
from breakerbench.bench.drive import Drive, steady
from breakerbench.bench.electric_faults import on_a_coil
from breakerbench.bench.faults import apply, set_condition
from breakerbench.bench.model import Bench
from breakerbench.bench.random_bench import random_arm_bench, random_bench, random_ignition_bench
from breakerbench.bench.scenario import healthy
from breakerbench.bench.sensors import Index
from breakerbench.bench.shaft import Shaft
from breakerbench.bench.simulated import Simulated, simulate
from breakerbench.edges.run import EdgeRun
from breakerbench.judge.specification import find_specification
from breakerbench.pipeline import Analyzer
from breakerbench.result.live import Live, Watch
from breakerbench.trace import Block, Channel, EdgeChannel, EdgeTimes, Header, Hole

MAKERS = (random_bench, random_arm_bench, random_ignition_bench)


def run(points: tuple[tuple[float, float], ...], **changes: Any) -> Bench:
    """A plain four-lobe distributor through these speeds, (s, rpm)."""
    bench = Bench(shaft=Shaft(scatter_deg=0.05), drive=Drive(points))
    return replace(bench, **changes)


def compared(seen: Seen, lobes: int, rate_hz: float) -> tuple[np.ndarray, np.ndarray, int]:
    """Shares that the speed, and degrees that the dwell is off the result's of the same contacts.

    Third: readings that an opening was missing in which had come.
    """
    o = seen.openings
    assert o is not None
    rpm, deg, old = [], [], 0
    for at, live, _ in seen.shown:
        if live.opened_s is None or live.rpm is None:
            continue
        k = int(np.argmin(np.abs(o.time_s - live.opened_s)))
        # Some samples after an opening are needed to place it.
        old += k + 1 < int(np.searchsorted(o.time_s, at - 64.0 / rate_hz))
        if k < lobes:
            continue
        turned = float(o.open_deg[k] - o.open_deg[k - lobes])
        true = turned / float(o.time_s[k] - o.time_s[k - lobes]) / 6.0
        rpm += [live.rpm / true - 1.0] if np.isfinite(true) else []
        last = slice(k - lobes + 1, k + 1)
        if live.dwell_deg is not None and o.valid[last].all():
            deg.append(live.dwell_deg - float((o.open_deg - o.touch_deg)[last].mean()))
    return np.array(rpm), np.array(deg), old


@pytest.mark.parametrize("make", MAKERS)
@pytest.mark.parametrize("seed", range(100, 106))
def test_readings_are_those_of_the_result_and_there_at_once(make: Any, seed: int) -> None:
    """Any lobes, speed, feed, sampling, noise, bounce; and coils of all kinds."""
    bench = make(seed)
    lobes = bench.cam.lobes
    seen = watched(simulate(bench, seed))
    rpm, deg, old = compared(seen, lobes, bench.converter.sample_rate_hz)
    first = min(at for at, live, _ in seen.shown if live.rpm is not None)
    # Two revolutions of the slowest of them, four touches of one lobe, and until it is asked.
    slowest_s = 60.0 / min(speed for _, speed in bench.drive.points)
    assert first < max(2.0, 6.0 / lobes) * slowest_s + 0.5
    assert len(rpm) > 20
    assert np.quantile(np.abs(rpm), 0.95) < 0.005
    # By the time alone it scatters with the openings, which for one lobe is all of the dwell.
    assert np.median(np.abs(deg)) < 0.15 if lobes > 2 else 0.6
    assert np.quantile(np.abs(deg), 0.95) < 0.35 if lobes > 2 else 1.5
    assert old <= 0.05 * len(seen.shown)


@pytest.mark.sweep
@pytest.mark.parametrize("make", MAKERS)
def test_readings_over_many(make: Any) -> None:
    rpms, degs = [], []
    for seed in range(1000, 1060):
        bench = make(seed)
        seen = watched(simulate(bench, seed))
        rpm, deg, old = compared(seen, bench.cam.lobes, bench.converter.sample_rate_hz)
        assert old <= 5, seed
        rpms.append(float(np.quantile(np.abs(rpm), 0.95)))
        degs.append(float(np.median(np.abs(deg))) if len(deg) else 0.0)
    print(f"\n{make.__name__}: speed 95 % within {100 * np.quantile(rpms, [0.5, 0.95, 1.0])} %")
    print(f"dwell, medians: {np.quantile(degs, [0.5, 0.95, 1.0])} deg")
    assert np.quantile(rpms, 0.95) < 0.005
    assert np.quantile(degs, 0.95) < 0.3


@pytest.mark.parametrize("bench", [run(((0.0, 700.0), (3.0, 900.0))), healthy()])
def test_the_result_is_the_same_to_the_digit(bench: Bench) -> None:
    bench = replace(bench, drive=Drive(((0.0, 700.0), (3.0, 900.0)), bench.drive.ripples))
    results = []
    for watching in (False, True):
        source = simulate(bench, 3)
        measuring = Analyzer(source.header, watched=watching)
        for k, event in enumerate(as_sent(source)):
            measuring.feed(event)
            if watching and k % 50 == 0:
                measuring.live()
        results.append(measuring.finish())
    assert results[0] == results[1]


def test_unwatched_it_shows_nothing() -> None:
    source = simulate(run(((0.0, 700.0), (1.0, 700.0))), 3)
    measuring = Analyzer(source.header)
    for event in source:
        measuring.feed(event)
    assert measuring.live() == Live()


@pytest.mark.parametrize("coil", [False, True])
@pytest.mark.parametrize("encoder", [False, True])
def test_a_stop_is_seen_and_a_new_start_too(coil: bool, encoder: bool) -> None:
    bench = run(((0.0, 600.0), (3.0, 600.0), (3.5, 0.0), (8.0, 0.0), (9.0, 800.0), (11.0, 800.0)))
    bench = bench if encoder else replace(bench, encoder=None)
    seen = watched(simulate(on_a_coil(bench) if coil else bench, 4))
    for at, live, _ in seen.shown:
        if 1.0 < at < 3.0:
            assert live.rpm == pytest.approx(600.0, rel=0.005)
            assert live.stale_s is not None
            assert live.stale_s < 0.05
        elif 3.5 < at < 8.0 and at > (3.7 if encoder else 5.6):
            assert live.standing
            assert (live.dwell_deg, live.advance_deg) == (None, None)
            assert not live.opening
        elif 3.7 < at < 5.6:
            # By the openings alone it may only turn slower and slower.
            assert live.rpm is not None
            assert live.rpm <= 96.0 / 4.0 / (at - 3.52) + 1.0
        elif at > 9.5:
            assert live.rpm == pytest.approx(800.0, rel=0.005)
            assert live.dwell_deg == pytest.approx(52.0, abs=0.5)
    assert all(live.stale_s < 2.3 + at - 5.0 for at, live, _ in seen.shown if 5.0 < at < 8.0)


def test_before_anything_turns_nothing_is_said() -> None:
    seen = watched_until(simulate(run(((0.0, 0.0), (3.0, 0.0), (4.0, 500.0))), 4), 2.9)
    live = seen[-1]
    assert (live.rpm, live.openings_a_minute, live.dwell_deg) == (None, None, None)
    assert (live.opened_s, live.stale_s, live.opening) == (None, None, False)
    assert live.covered == live.missing == ()


def watched_until(source: Simulated, end_s: float) -> list[Live]:
    measuring, found = Analyzer(source.header, watched=True), []
    for event in as_sent(source):
        measuring.feed(event)
        if isinstance(event, Block):
            at = (event.first + len(event)) / source.header.sample_rate_hz
            if at >= 0.1 * (len(found) + 1):
                found.append(measuring.live())
            if at >= end_s:
                break
    return found


def test_a_lead_that_falls_off_the_points() -> None:
    """The shaft turns on: the speed is told, by the index alone or the encoder, and no dwell."""
    for encoder in (True, False):
        bench = run(((0.0, 600.0), (6.0, 600.0)))
        bench = bench if encoder else replace(bench, encoder=None)
        source = simulate(bench, 4)
        measuring, at = Analyzer(source.header, watched=True), 0.0
        shown: list[tuple[float, Live]] = []
        for event in as_sent(source):
            part = event
            if isinstance(event, Block):
                at = (event.first + len(event)) / source.header.sample_rate_hz
                if at > 3.0:
                    dead = np.full(len(event), event.samples[0][0] * 0 + 3, np.int16)
                    part = Block(event.first, (dead, *event.samples[1:]))
            measuring.feed(part)
            if isinstance(event, Block) and event.first % 16000 == 0:
                shown.append((at, measuring.live()))
        for when, live in shown:
            if when > 1.0:
                assert live.rpm == pytest.approx(600.0, rel=0.02), (when, encoder)
            if when > 3.4:
                assert not live.opening
                assert live.dwell_percent is None
                assert live.opened_s == pytest.approx(3.0, abs=0.2)


def test_without_index_and_encoder_the_openings_are_counted() -> None:
    bench = run(((0.0, 600.0), (4.0, 600.0)), index=None, encoder=None)
    live = watched(simulate(bench, 4)).shown[-1][1]
    assert (live.rpm, live.dwell_deg, live.mean_dwell_deg, live.covered) == (None, None, None, ())
    assert live.openings_a_minute == pytest.approx(2400.0, rel=0.005)
    assert live.dwell_percent == pytest.approx(100.0 * 52.0 / 90.0, abs=0.5)


def test_with_the_lobes_told_the_openings_tell_the_speed() -> None:
    source = simulate(run(((0.0, 600.0), (4.0, 600.0)), index=None, encoder=None), 4)
    measuring = Analyzer(source.header, find_specification("four-lobe"), watched=True)
    for event in as_sent(source):
        measuring.feed(event)
    live = measuring.live()
    assert live.rpm == pytest.approx(600.0, rel=0.005)
    assert live.dwell_percent == pytest.approx(100.0 * 52.0 / 90.0, abs=0.5)
    assert live.dwell_deg is None  # as in the result: nothing tells an angle


@pytest.mark.parametrize("encoder", [False, True])
def test_the_advance_against_the_slowest_speed(encoder: bool) -> None:
    """Weights of the demo: none up to 450 rpm, 11 deg from 1,700 rpm on."""
    points = ((0.0, 300.0), (3.0, 300.0), (9.0, 1800.0), (11.0, 1800.0))
    bench = replace(healthy(), drive=Drive(points))
    bench = bench if encoder else replace(bench, encoder=None)
    seen = watched(simulate(bench, 4))
    for at, live, _ in seen.shown:
        if 1.5 < at < 3.0:
            assert live.advance_deg == pytest.approx(0.0, abs=0.3)
            assert live.advance_from_rpm == 300.0
        elif at > 9.5:
            assert live.advance_deg == pytest.approx(11.0, abs=0.4)
            assert live.advance_from_rpm == 300.0


def test_no_advance_without_an_index() -> None:
    seen = watched(simulate(run(((0.0, 600.0), (2.0, 600.0)), index=None), 4))
    assert all(live.advance_deg is None for _, live, _ in seen.shown)
    assert seen.shown[-1][1].rpm == pytest.approx(600.0, rel=0.005)


@pytest.mark.parametrize(
    "name", ["index-pulses-missing", "index-pulses-doubled", "index-spurious", "index-inverted"]
)
@pytest.mark.parametrize("encoder", [False, True])
def test_a_bad_index_does_not_spoil_the_reading(name: str, encoder: bool) -> None:
    bench = set_condition(replace(healthy(), drive=steady(600.0, 6.0)), name)
    seen = watched(simulate(bench if encoder else replace(bench, encoder=None), 4))
    late = [live for at, live, _ in seen.shown if at > 1.5]
    rpm = np.array([live.rpm for live in late], float)
    dwell = np.array([live.dwell_deg for live in late], float)
    assert np.mean(np.abs(rpm / 600.0 - 1.0) < 0.02) > 0.97
    assert np.mean(np.abs(dwell - 52.4) < 1.0) > 0.97


def test_missed_openings_make_no_dwell_of_their_own() -> None:
    bench = apply(replace(healthy(), drive=steady(600.0, 6.0)), "contact-missing", "needs repair")
    seen = watched(simulate(bench, 4))
    dwell = [live.dwell_deg for at, live, _ in seen.shown if at > 1.5]
    told = np.array([d for d in dwell if d is not None])
    assert 0.5 * len(dwell) < len(told) < len(dwell)
    assert np.abs(told - 52.4).max() < 1.0


def test_covered_speeds_are_there_before_the_result_has_counted_them() -> None:
    """And none is there that the result does not cover in the end."""
    points = ((0.0, 300.0), (4.0, 300.0), (4.5, 600.0), (7.0, 600.0), (7.2, 700.0), (9.0, 700.0))
    seen = watched(simulate(run(points), 4))
    source = simulate(run(points), 4)
    measuring = Analyzer(source.header)
    for event in source:
        measuring.feed(event)
    covered = {row["rpm"] for row in measuring.finish()["dwell"]["by_speed"]}
    for at, live, _ in seen.shown:
        assert all(any(abs(rpm - c) < 25.0 for c in covered) for rpm in live.covered)
        if at > 4.0:
            assert 300.0 in live.covered
        if at > 6.5:
            assert 600.0 in live.covered
    last = seen.shown[-1][1]
    assert {300.0, 600.0, 700.0} <= set(last.covered)
    assert {400.0, 450.0, 500.0} <= set(last.missing)


def test_a_hole_is_not_read_across() -> None:
    source = simulate(run(((0.0, 600.0), (4.0, 600.0))), 4)
    rate = source.header.sample_rate_hz
    measuring = Analyzer(source.header, watched=True)
    before = after = Live()
    for event in as_sent(source):
        if isinstance(event, Block) and 2.0 * rate <= event.first < 3.0 * rate:
            if before == Live():
                before = measuring.live()
                measuring.feed(Hole(event.first, int(3.0 * rate)))
                after = measuring.live()
            continue
        if isinstance(event, EdgeTimes) and 2.0 < event.time_s[0] < 3.0:
            continue
        measuring.feed(event)
    assert before.rpm == pytest.approx(600.0, rel=0.005)
    assert (after.rpm, after.dwell_deg, after.opening) == (None, None, False)
    assert measuring.live().rpm == pytest.approx(600.0, rel=0.005)


@example(335672558)  # hardly anything swings, and no end of the converter is known
@example(258)  # a swing without any noise
@given(st.integers(0, 2**32 - 1))
@settings(max_examples=25, deadline=None)
def test_nothing_that_comes_ends_a_recording(seed: int) -> None:
    """Contacts, index and encoder without rhyme or reason, holes, silence: it may say nothing."""
    rng = np.random.default_rng(seed)
    rate = 50e3
    header = Header(
        rate,
        (Channel("points_v", "V", 0.01),),
        tuple(EdgeChannel(name) for name in ("index", "encoder") if rng.random() < 0.7),
        encoder_pulses=int(rng.choice([1, 4, 360])) if rng.random() < 0.8 else None,
    )
    watch, edges, first = Watch(header), EdgeRun(header, None), 0
    for _ in range(int(rng.integers(5, 25))):
        many = int(rng.choice([1, 50, 2000, 20000]))
        runs = rng.exponential(rng.choice([2.0, 40.0, 800.0]), 4000)
        state = np.searchsorted(np.cumsum(runs), np.arange(many)) % 2
        level = float(rng.choice([0.0, 50.0, 1200.0]))
        noise = rng.normal(0.0, rng.choice([0.0, 4.0]), many)
        x = np.clip(level * state * rng.choice([-1.0, 1.0]) + noise, -2048, 2047).astype(np.int16)
        for channel in header.edge_channels:
            count = int(rng.choice([0, 1, 3, 200]))
            time_s = np.sort(rng.uniform(first, first + many, count)) / rate
            watch.feed(EdgeTimes(channel.name, time_s, rng.random(count) < 0.6))
        watch.feed(Block(first, (x,)))
        first += many
        if rng.random() < 0.1:
            gone = int(rng.integers(0, 5000))
            watch.feed(Hole(first, first + gone))
            first += gone
        live = watch.live(edges, None, -np.inf)
        assert live.rpm is None or 0.0 <= live.rpm < np.inf
        assert live.stale_s is None or live.stale_s >= 0.0


def test_an_index_without_jitter_tells_the_place() -> None:
    """An even drive and an ideal index: the openings stand where the cam has them."""
    bench = run(((0.0, 600.0), (3.0, 600.0)), index=Index(jitter_deg=0.0), encoder=None)
    seen = watched(simulate(bench, 4))
    advance = [live.advance_deg for at, live, _ in seen.shown if at > 1.5]
    assert np.abs(np.array(advance, float)).max() < 0.3
