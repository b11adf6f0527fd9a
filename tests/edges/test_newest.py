"""The newest contacts: those of the way of the result, at once, and nothing older than they should be."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest

from breakerbench.bench.drive import steady
from breakerbench.bench.electric_faults import on_a_coil
from breakerbench.bench.model import Bench
from breakerbench.bench.random_bench import random_arm_bench
from breakerbench.bench.simulated import simulate
from breakerbench.edges.events import Openings, join_openings
from breakerbench.edges.newest import AGAIN_S, LEARN_S, MOST_S, Newest
from breakerbench.edges.run import EdgeRun
from breakerbench.edges.shapes import Learned
from breakerbench.trace import Block, Channel, EdgeTimes, Event, Header, Hole

NOTHING = Learned()


def cut(events: list[Event], size: int) -> Iterator[Event]:
    for event in events:
        if isinstance(event, Block):
            for k in range(0, len(event), size):
                yield Block(event.first + k, tuple(x[k : k + size] for x in event.samples))
        else:
            yield event


def of_the_result(header: Header, events: list[Event]) -> tuple[Openings, Learned]:
    run, found = EdgeRun(header, None), []
    for event in events:
        if isinstance(event, Block):
            found += run.block(event)
        elif isinstance(event, EdgeTimes):
            run.edge_times(event)
    found += run.finish()
    return join_openings(found), run.learned


def fed(header: Header, events: list[Event], size: int = 320) -> Newest:
    newest = Newest(header)
    for event in cut(events, size):
        if isinstance(event, Block):
            newest.block(event)
        elif isinstance(event, EdgeTimes):
            newest.edge_times(event)
    return newest


def benches() -> list[Bench]:
    plain = Bench(drive=steady(600.0, 3.0))
    positive = replace(plain, feed=replace(plain.feed, positive_ground=True))
    return [plain, positive, on_a_coil(plain), *(random_arm_bench(seed) for seed in range(4))]


@pytest.mark.parametrize("bench", benches())
def test_the_newest_contacts_are_those_of_the_result(bench: Bench) -> None:
    """Placed by what was learned from the whole, and by what the last two seconds alone tell."""
    source = simulate(bench, 5)
    events = list(source)
    whole, learned = of_the_result(source.header, events)
    sample_s = 1.0 / source.header.sample_rate_hz
    for known, most in ((learned, 0.05), (NOTHING, 0.3)):
        found = fed(source.header, events).contacts(0.8, known)
        assert found is not None
        found = found.take(slice(2, None))  # before the first ones there is nothing to go by
        place = np.searchsorted(whole.time_s, found.time_s - sample_s)
        assert (np.diff(place) == 1).all()
        assert place[-1] == len(whole) - 1
        np.testing.assert_allclose(found.time_s, whole.time_s[place], atol=most * sample_s)
        same = found.valid & np.isfinite(whole.touch_deg[place]) & whole.valid[place]
        assert same.mean() > 0.7
        off = np.abs(found.touch_s - whole.touch_s[place])[same]
        assert np.median(off) < most * sample_s


def test_it_does_not_matter_how_the_trace_was_cut() -> None:
    source = simulate(Bench(drive=steady(900.0, 8.0)), 5)
    events = list(source)
    found = []
    for size in (17, 320, 4096, 3_000_000):
        contacts = fed(source.header, events, size).contacts(MOST_S, NOTHING)
        assert contacts is not None
        found.append(contacts)
    for other in found[1:]:
        np.testing.assert_array_equal(other.time_s, found[0].time_s)
        np.testing.assert_array_equal(other.touch_s, found[0].touch_s)


def test_what_is_held_is_bounded_and_the_newest() -> None:
    source = simulate(Bench(drive=steady(300.0, 20.0)), 5)
    newest = fed(source.header, list(source))
    assert newest.now_s == pytest.approx(20.0)
    assert newest.recent.nbytes <= 2 * 2 * MOST_S * source.header.sample_rate_hz
    for line in newest.lines.values():
        time_s, _ = line.since(0.0)
        assert time_s[0] > 20.0 - 3 * MOST_S
        assert time_s[-1] == line.newest_s
        time_s, rising = line.since(19.0)
        assert time_s[0] >= 19.0
        assert len(time_s) == len(rising)


def test_nothing_reaches_over_a_hole() -> None:
    source = simulate(Bench(drive=steady(600.0, 3.0)), 5)
    events = list(source)
    _, learned = of_the_result(source.header, events)
    newest = fed(source.header, events)
    rate_hz = source.header.sample_rate_hz
    newest.hole(Hole(int(3.0 * rate_hz), int(7.0 * rate_hz)))
    assert newest.contacts(MOST_S, learned) is None
    for event in cut(events, 320):
        if isinstance(event, Block):
            newest.block(Block(event.first + int(7.0 * rate_hz), event.samples))
    contacts = newest.contacts(MOST_S, learned)
    assert contacts is not None
    assert contacts.touch_s[contacts.valid].min() > 7.0
    assert newest.now_s == pytest.approx(10.0)


@pytest.mark.parametrize("level", [0.0, 900.0])
def test_points_that_do_not_work_show_no_contacts(level: float) -> None:
    """Noise, closed or open; what is learned from it is looked for again only now and then."""
    rng = np.random.default_rng(3)
    header = Header(250e3, (Channel("points_v", "V", 0.01),))
    newest = Newest(header)
    for k in range(400):
        x = (level + rng.normal(0.0, 4.0, 2500)).astype(np.int16)
        newest.block(Block(2500 * k, (x,)))
        assert newest.contacts(LEARN_S, NOTHING) is None
    assert newest.now_s - newest._tried_s < AGAIN_S + 0.01
    assert not newest.learned


def test_no_points_channel() -> None:
    newest = Newest(Header(1e5, (Channel("current_a", "A"),)))
    newest.block(Block(0, (np.zeros(1000, np.int16),)))
    assert newest.contacts(MOST_S, NOTHING) is None
