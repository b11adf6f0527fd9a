"""What is drawn while a run goes on, against simulated truth and against the result of the same trace."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from benchmarks.latency import as_sent
from breakerbench.bench.cam import cam_for
from breakerbench.bench.drive import Drive, steady
from breakerbench.bench.electric_faults import on_a_coil
from breakerbench.bench.model import Bench
from breakerbench.bench.random_bench import (
    random_arm_bench,
    random_bench,
    random_ignition_bench,
    random_sweep,
)
from breakerbench.bench.scenario import healthy
from breakerbench.bench.shaft import Shaft
from breakerbench.bench.simulated import Simulated, simulate
from breakerbench.edges.recent import Seen
from breakerbench.edges.run import EdgeRun
from breakerbench.pipeline import Analyzer
from breakerbench.result.live import Live, Watch
from breakerbench.result.live_pictures import LivePictures
from breakerbench.trace import Block, Channel, EdgeChannel, EdgeTimes, Event, Header, Hole

TICK_S = 1.0 / 30.0


def followed(
    source: Simulated, events: Iterator[Event] | None = None, pictured: bool = True
) -> Iterator[tuple[float, Live, Analyzer]]:
    """A run as it would be watched: when, what is read; the analyzer may be asked for pictures."""
    measuring, drawn = Analyzer(source.header, watched=True, pictured=pictured), 0.0
    for event in as_sent(source) if events is None else events:
        measuring.feed(event)
        if isinstance(event, Block):
            at = (event.first + len(event)) / source.header.sample_rate_hz
            if at - drawn >= TICK_S:
                drawn = at
                yield at, measuring.live(), measuring
    yield drawn, measuring.live(), measuring


def last(source: Simulated, events: Iterator[Event] | None = None) -> tuple[Analyzer, LivePictures]:
    measuring = None
    for _, _, each in followed(source, events):
        measuring = each
    assert measuring is not None
    return measuring, measuring.live_pictures()


def lobed(lobes: int, coil: bool, reference: str, rpm: float = 900.0) -> Bench:
    pitch = 360.0 / lobes
    cam = cam_for(lobes, 0.58 * pitch, 0.5, first_opening_deg=0.3 * pitch)
    rng = np.random.default_rng(lobes)
    bench = Bench(
        cam=replace(cam, angle_error_deg=tuple(rng.normal(0.0, 0.3, lobes).tolist())),
        shaft=Shaft(scatter_deg=0.05),
        drive=steady(rpm, 3.0),
    )
    bench = replace(bench, encoder=None) if reference == "index" else bench
    bench = replace(bench, index=None) if reference == "encoder" else bench
    return on_a_coil(bench) if coil else bench


@pytest.mark.parametrize("reference", ["index", "encoder", "both"])
@pytest.mark.parametrize("coil", [False, True])
@pytest.mark.parametrize("lobes", [4, 6, 8])
def test_each_lobe_is_that_of_the_truth(lobes: int, coil: bool, reference: str) -> None:
    source = simulate(lobed(lobes, coil, reference), 3)
    _, pictures = last(source)
    late, dwell = pictures.lobe_late_deg, pictures.lobe_dwell_deg
    truth = source.truth["realized"]
    error = np.array(truth["spacing"]["error_deg"], float)
    closed = np.array(truth["dwell"]["per_lobe_deg"], float)
    assert late.shape == dwell.shape
    assert late.shape[1] == lobes
    assert 20 <= len(late) <= 45
    np.testing.assert_allclose(late.mean(axis=1), 0.0, atol=1e-9)
    mine, own = late.mean(axis=0), np.nanmean(dwell, axis=0)
    if reference == "encoder":
        # Which is lobe 1 nothing tells.
        turn = min(range(lobes), key=lambda k: np.abs(np.roll(mine, k) - error).max())
        mine, own = np.roll(mine, turn), np.roll(own, turn)
    assert np.abs(mine - error).max() < 0.1
    assert np.abs(own - closed).max() < 0.15
    # Each turn is its own: no more than the scatter of the lobes and of placing.
    assert late.std(axis=0).max() < 0.25


@pytest.mark.parametrize("make", [random_bench, random_arm_bench, random_ignition_bench])
@pytest.mark.parametrize("seed", range(200, 206))
def test_lobes_and_traces_of_any_distributor(make: Any, seed: int) -> None:
    source = simulate(make(seed), seed)
    measuring, pictures = last(source)
    result = measuring.finish()
    if source.header.position("points_v") is not None:
        for seen in (pictures.opening, pictures.touch):
            assert seen is not None
            assert seen.n > 5
            assert (seen.low <= seen.high).all()
    late = pictures.lobe_late_deg
    error = result["spacing"]["error_deg"]
    if not error or None in error or "index" not in result["trace"]["reference"]:
        return
    assert late.shape[1] == len(error)
    # The mean over the last turns against that over all.
    spread = late.std(axis=0).max() / np.sqrt(len(late))
    assert np.abs(late.mean(axis=0) - np.array(error)).max() < 0.1 + 4.0 * spread


@pytest.mark.parametrize("encoder", [False, True])
def test_the_trail_is_the_curve_of_the_result_at_110_rpm_a_second(encoder: bool) -> None:
    bench = healthy()
    source = simulate(bench if encoder else replace(bench, encoder=None), 3)
    measuring, pictures = last(source)
    result = measuring.finish()["advance"]
    for rising, way in ((True, "rising"), (False, "falling")):
        mine = [p for p in pictures.advance if p.rising == rising]
        rpm, deg = (np.array([p[key] for p in result[way]]) for key in ("rpm", "deg"))
        assert len(mine) >= len(rpm) - 1
        off = [p.deg - float(np.interp(p.rpm, rpm, deg)) for p in mine]
        assert np.abs(off).max() < 0.3, way
        assert np.sqrt(np.mean(np.square(off))) < 0.1, way
    # And the lobes are those of the result after it, by an encoder that sees the ripple of the drive.
    if encoder:
        error = measuring._result()["spacing"]["error_deg"]
        assert np.abs(pictures.lobe_late_deg.mean(axis=0) - np.array(error)).max() < 0.1


@pytest.mark.parametrize("encoder", [False, True])
@pytest.mark.parametrize("seed", range(300, 304))
def test_the_trail_of_any_distributor_within_the_curve(seed: int, encoder: bool) -> None:
    bench = random_sweep(seed)
    source = simulate(bench if encoder else replace(bench, encoder=None), seed)
    measuring, pictures = last(source)
    result = measuring.finish()["advance"]
    for rising, way in ((True, "rising"), (False, "falling")):
        rpm, deg = (np.array([p[key] for p in result[way]]) for key in ("rpm", "deg"))
        for p in pictures.advance:
            if p.rising == rising and len(rpm) and rpm[0] <= p.rpm <= rpm[-1]:
                assert p.deg == pytest.approx(float(np.interp(p.rpm, rpm, deg)), abs=0.3)


def crossing_s(seen: Seen) -> float:
    """When the mean stands halfway between what it is before and after."""
    v = seen.mean
    middle = 0.5 * (v[:40].mean() + v[-40:].mean())
    above = (v > middle) == (v[-1] > middle)
    k = int(np.flatnonzero(~above)[-1])
    share = (middle - v[k]) / (v[k + 1] - v[k])
    return float(seen.time_s[k] + share * (seen.time_s[k + 1] - seen.time_s[k]))


@pytest.mark.parametrize("positive", [False, True])
@pytest.mark.parametrize("size", [None, 17 * 40, 9000])
def test_edges_stand_at_zero(positive: bool, size: int | None) -> None:
    """On a dry feed without a condenser both are steps; in blocks of the board, or any others."""
    bench = Bench(drive=steady(900.0, 1.5))
    bench = replace(bench, feed=replace(bench.feed, positive_ground=positive, condenser_f=0.0))
    source = simulate(bench, 5)

    def cut() -> Iterator[Event]:
        for event in as_sent(source) if size is None else source:
            if not isinstance(event, Block) or size is None:
                yield event
                continue
            for k in range(0, len(event), size):
                yield Block(event.first + k, tuple(x[k : k + size] for x in event.samples))

    _, pictures = last(source, cut())
    sample_s = 1.0 / source.header.sample_rate_hz
    for seen in (pictures.opening, pictures.touch):
        assert seen is not None
        assert seen.n > 40
        assert crossing_s(seen) == pytest.approx(0.0, abs=0.5 * sample_s)
    volts = -bench.feed.volts if positive else bench.feed.volts
    assert pictures.opening is not None
    assert pictures.opening.mean[-1] == pytest.approx(volts, rel=0.02)
    assert pictures.touch is not None
    assert pictures.touch.mean[0] == pytest.approx(volts, rel=0.02)
    assert pictures.burn is not None
    assert pictures.burn.time_s[-1] == pytest.approx(5e-3, abs=5e-5)


@pytest.mark.parametrize("rpm", [400.0, 2500.0])
def test_the_current_on_a_coil_rises_to_that_of_the_truth(rpm: float) -> None:
    source = simulate(lobed(4, True, "both", rpm), 3)
    _, pictures = last(source)
    current, burn, opening = pictures.current, pictures.burn, pictures.opening
    assert current is not None
    assert burn is not None
    assert opening is not None
    closed_s = 52.2 / 6.0 / rpm
    top = current.mean.max()
    assert top == pytest.approx(source.truth["coil"]["current_a"], rel=0.02)
    assert current.time_s[np.argmax(current.mean)] == pytest.approx(closed_s, rel=0.15)
    assert current.time_s[-1] == pytest.approx(closed_s + 3e-4, rel=0.05)
    assert abs(current.mean[current.time_s < -5e-5]).max() < 0.3 * top + 0.05
    # The ring of the opening is far above the feed, the burn lasts up to the touch or 5 ms.
    assert burn.high.max() > 60.0
    assert burn.time_s[-1] <= min(5e-3, (90.0 - 52.0) / 6.0 / rpm)
    assert opening.mean.max() > 30.0


@pytest.mark.parametrize("bench", [lobed(4, False, "both", 700.0), lobed(6, True, "index")])
def test_the_result_is_the_same_to_the_digit(bench: Bench) -> None:
    results = []
    for pictured in (None, False, True):
        source = simulate(bench, 3)
        measuring = Analyzer(source.header, watched=pictured is not None, pictured=bool(pictured))
        for k, event in enumerate(as_sent(source)):
            measuring.feed(event)
            if k % 26 == 0:
                measuring.live()
                measuring.live_pictures()
        results.append(measuring.finish())
    assert results[0] == results[1] == results[2]


def test_what_is_read_is_the_same_with_pictures() -> None:
    bench = lobed(4, False, "both", 700.0)
    plain = [live for _, live, _ in followed(simulate(bench, 3), pictured=False)]
    assert plain == [live for _, live, _ in followed(simulate(bench, 3))]


def test_not_pictured_it_collects_nothing() -> None:
    source = simulate(lobed(4, False, "both"), 3)
    for watched in (False, True):
        measuring = Analyzer(source.header, watched=watched)
        for event in as_sent(source):
            measuring.feed(event)
        measuring.live()
        pictures = measuring.live_pictures()
        for each in (pictures.opening, pictures.touch, pictures.current, pictures.burn):
            assert each is None
        assert pictures.lobe_late_deg.shape == (0, 0)
        assert pictures.advance == ()
        assert watched == (measuring.watch is not None)
    assert measuring.watch is not None
    assert len(measuring.watch._newest.recent._held) == 1  # the points alone


def test_pictures_are_there_soon_and_a_hole_leaves_them() -> None:
    """A tenth of a second of the trace is lost: lobes keep their number, traces stay clean."""
    source = simulate(lobed(4, False, "both"), 3)
    rate = source.header.sample_rate_hz

    def holed() -> Iterator[Event]:
        lost = False
        for event in as_sent(source):
            if isinstance(event, Block) and 1.5 * rate <= event.first < 1.6 * rate:
                if not lost:
                    yield Hole(event.first, -(-int(1.6 * rate) // 320) * 320)
                lost = True
            elif not (isinstance(event, EdgeTimes) and 1.5 < event.time_s[0] < 1.6):
                yield event

    first, measuring = None, None
    for at, _, each in followed(source, holed()):
        measuring = each
        if first is None and each.live_pictures().opening is not None:
            first = at
    assert first is not None
    assert first < 0.6
    assert measuring is not None
    pictures = measuring.live_pictures()
    error = np.array(source.truth["realized"]["spacing"]["error_deg"], float)
    assert np.abs(pictures.lobe_late_deg - error).max() < 0.5
    opening = pictures.opening
    assert opening is not None
    # Windows that reached over it would show a closed contact where it is open.
    assert opening.low[opening.time_s > 1e-4].min() > 0.8 * opening.mean[-1]
    assert opening.high[opening.time_s < -1e-4].max() < 0.2 * opening.mean[-1]


def test_memory_is_bounded() -> None:
    source = simulate(Bench(drive=Drive(((0.0, 300.0), (20.0, 1500.0)))), 5)
    sizes = []
    for _, _, measuring in followed(source):
        assert measuring.watch is not None
        pictures = measuring.watch._pictures
        assert pictures is not None
        windows = pictures._windows
        sizes.append(
            measuring.watch._newest.recent.nbytes
            + sum(each._rows.nbytes for each in windows._layers.values())
        )
        assert len(pictures._turns._rows) <= 100
    assert max(sizes) < 20e6
    assert sizes[-1] <= max(sizes[len(sizes) // 4 : len(sizes) // 2]) * 1.01


@example(136)  # openings all at one time
@example(6734)  # contacts that end before they begin
@given(st.integers(0, 2**32 - 1))
@settings(max_examples=25, deadline=None)
def test_nothing_that_comes_ends_a_recording(seed: int) -> None:
    """Contacts, current, index and encoder without rhyme or reason, holes, silence."""
    rng = np.random.default_rng(seed)
    rate = 50e3
    names = [name for name in ("points_v", "current_a") if rng.random() < 0.8]
    header = Header(
        rate,
        tuple(Channel(name, "V", 0.01) for name in names),
        tuple(EdgeChannel(name) for name in ("index", "encoder") if rng.random() < 0.7),
        encoder_pulses=int(rng.choice([1, 4, 360])) if rng.random() < 0.8 else None,
    )
    watch, edges, first = Watch(header, pictured=True), EdgeRun(header, None), 0
    for _ in range(int(rng.integers(5, 25))):
        many = int(rng.choice([1, 50, 2000, 20000]))
        runs = rng.exponential(rng.choice([2.0, 40.0, 800.0]), 4000)
        state = np.searchsorted(np.cumsum(runs), np.arange(many)) % 2
        x = 1200.0 * state * rng.choice([-1.0, 1.0]) + rng.normal(0.0, 4.0, many)
        for channel in header.edge_channels:
            count = int(rng.choice([0, 1, 3, 200]))
            time_s = np.sort(rng.uniform(first, first + many, count)) / rate
            watch.feed(EdgeTimes(channel.name, time_s, rng.random(count) < 0.6))
        watch.feed(Block(first, (np.clip(x, -2048, 2047).astype(np.int16),) * len(names)))
        first += many
        if rng.random() < 0.1:
            gone = int(rng.integers(0, 5000))
            watch.feed(Hole(first, first + gone))
            first += gone
        watch.live(edges, None, -np.inf)
        pictures = watch.pictures(None)
        for seen in (pictures.opening, pictures.touch, pictures.current, pictures.burn):
            if seen is not None and len(seen.time_s):
                assert np.isfinite(seen.mean).all()
                assert (seen.low <= seen.high).all()
        assert np.isfinite(pictures.lobe_late_deg).all()
        assert all(np.isfinite(p.deg) for p in pictures.advance)
