"""Cycles laid upon each other for pictures: the right times, however the trace was cut."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from breakerbench.bench.drive import Drive
from breakerbench.bench.ignition import Ignition
from breakerbench.bench.model import Bench
from breakerbench.bench.simulated import simulate
from breakerbench.edges import shown
from breakerbench.edges.cycles import Batch, Cycles, Held
from breakerbench.edges.run import EdgeRun
from breakerbench.edges.shown import CycleTraces, SlowCycles
from breakerbench.trace import Block, Channel, Event, Header, Hole, Source

CHANNELS = ("points_v", "current_a", "supply_v")


def bench(*plan: tuple[float, float]) -> Bench:
    start = Bench(ignition=Ignition(), channels=CHANNELS)
    converter = replace(start.converter, sample_rate_hz=100e3)
    return replace(start, drive=Drive(plan), converter=converter)


def laid(source: Source, events: list[Event] | None = None) -> SlowCycles | None:
    run, traces = EdgeRun(source.header, None), CycleTraces(source.header)
    run.cycles = Cycles(source.header, (traces,))
    for event in source if events is None else events:
        if isinstance(event, Block):
            run.block(event)
        elif isinstance(event, Hole):
            run.hole(event)
        else:
            run.edge_times(event)
    run.finish()
    return traces.slowest()


def cut(events: list[Event], rng: np.random.Generator) -> Iterator[Event]:
    for event in events:
        if not isinstance(event, Block):
            yield event
            continue
        start = 0
        while start < len(event):
            end = start + int(rng.integers(1, 40_000))
            yield Block(event.first + start, tuple(x[start:end] for x in event.samples))
            start = end


def test_the_current_of_a_coil_and_the_end_of_its_spark() -> None:
    found = laid(simulate(bench((0.0, 300.0), (3.0, 300.0)), 1))
    assert found is not None
    assert set(found.closed) == set(CHANNELS)
    coil = Ignition()
    ohm = coil.inner_ohm + coil.feed_ohm + coil.coil_ohm_20c + coil.contact_ohm
    ohm += coil.lead_ohm + coil.plate_ohm + coil.clamp_ohm
    current = found.closed["current_a"]
    late = current.time_s > 0.5e-3  # the secondary has rung out
    t, mean = current.time_s[late], current.mean[late]
    expected = coil.volts / ohm * (1.0 - np.exp(-t * ohm / coil.coil_h))
    assert np.abs(mean - expected).max() < 0.03  # losses of iron and secondary begin at some 10 mA
    supply = found.closed["supply_v"]
    assert supply.mean[-1] == pytest.approx(coil.volts - 0.08 * mean[-1], abs=0.02)
    assert found.interval_s == pytest.approx(0.05, rel=1e-3)
    assert found.closed_s == pytest.approx(current.time_s[-1], rel=0.01)
    opening = found.opening
    assert opening is not None
    assert min(found.openings, found.closings) > 30
    assert opening.mean[opening.time_s < -50e-6] == pytest.approx(0.07, abs=0.5)
    end = opening.mean[opening.time_s > 6e-3]
    assert end == pytest.approx(coil.volts, abs=0.5)
    assert len(opening.singles) == shown.SINGLES
    assert found.rails_v is not None


def test_it_does_not_matter_how_the_trace_was_cut() -> None:
    source = simulate(bench((0.0, 400.0), (1.0, 400.0), (2.0, 1200.0)), 2)
    events = list(source)
    whole = laid(source, events)
    assert whole is not None
    again = laid(source, list(cut(events, np.random.default_rng(3))))
    assert again is not None
    assert (again.closings, again.openings) == (whole.closings, whole.openings)
    assert (again.interval_s, again.closed_s) == (whole.interval_s, whole.closed_s)
    for name, trace in whole.closed.items():
        for key in ("time_s", "mean", "std"):
            assert np.array_equal(getattr(trace, key), getattr(again.closed[name], key))
    assert whole.opening is not None
    assert again.opening is not None
    assert np.array_equal(whole.opening.mean, again.opening.mean)
    for one, other in zip(whole.opening.singles, again.opening.singles, strict=True):
        assert np.array_equal(one[1], other[1])


UP = ((0.0, 300.0), (2.0, 300.0), (4.0, 1500.0), (6.0, 1500.0))
DOWN = ((0.0, 1500.0), (2.0, 1500.0), (4.0, 300.0), (6.0, 300.0))


@pytest.mark.parametrize("plan", [UP, DOWN], ids=["up", "down"])
def test_the_slowest_speed_is_shown_wherever_it_comes(plan: Any) -> None:
    found = laid(simulate(bench(*plan), 4))
    assert found is not None
    assert found.interval_s == pytest.approx(0.05, rel=0.15)
    assert shown.ENOUGH <= found.closings <= shown.MOST


def test_no_more_than_so_many(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(shown, "MOST", 25)
    found = laid(simulate(bench((0.0, 900.0), (2.0, 900.0)), 5))
    assert found is not None
    assert (found.closings, found.openings) == (25, 25)


def test_a_trace_without_a_contact_shows_nothing() -> None:
    header = Header(1e5, (Channel("points_v", "V"), Channel("current_a", "A")))
    assert CycleTraces(header).slowest() is None


RAMP = Header(
    1e5,
    (
        Channel("points_v", "V", 0.5, -1.0, offset_s=0.0, delay_s=20e-6),
        Channel("current_a", "A", 0.01, 0.07, offset_s=5e-6, delay_s=45e-6),
    ),
)


def _batch(settled_after: float = 0.0, interval: float = 2000.0) -> Batch:
    """One cycle of a current that is 0 until the touch and then rises by 1 A a ms."""
    n = np.arange(4000)
    touch, opened, after = 1000.25, 2200.5, 3000.75
    held = Held(RAMP)
    # Sample n of a channel shows what was at n / rate + offset - delay.
    at_s = n / 1e5 + 5e-6 - 45e-6
    touch_s = touch / 1e5 - 20e-6
    amps = 1e3 * np.maximum(at_s - touch_s, 0.0)
    counts = (amps / 0.01).astype(np.float32), np.full(4000, 30.0, np.float32)
    held.add(Block(0, (counts[1], counts[0])))

    def one(x: float) -> Any:
        return np.array([x])

    return Batch(
        np.array([7]), one(touch), one(touch + settled_after), one(opened), one(after),
        one(interval), np.array([True]), held,
    )  # fmt: skip


def test_offset_and_delay_of_each_channel_are_taken_out() -> None:
    traces = CycleTraces(RAMP)
    traces.add(_batch())
    found = traces.slowest()
    assert found is not None
    trace = found.closed["current_a"]
    # Within a point, which is some samples wide, the samples lie to either side of its middle.
    assert trace.mean == pytest.approx(1e3 * trace.time_s, abs=0.02)
    assert found.closed["points_v"].mean == pytest.approx(14.0)
    assert found.closed_s == pytest.approx(1200.25e-5)


def test_what_bounced_or_has_no_interval_is_left_out() -> None:
    for batch in (_batch(settled_after=3.0), _batch(interval=np.nan)):
        traces = CycleTraces(RAMP)
        traces.add(batch)
        assert traces.slowest() is None
