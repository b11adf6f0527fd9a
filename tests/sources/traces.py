"""Traces for the tests of the sources, and what must hold of anything read back."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

import numpy as np
from hypothesis import strategies as st
from numpy.typing import NDArray

from breakerbench.trace import (
    Block,
    Channel,
    EdgeChannel,
    EdgeTimes,
    Event,
    Header,
    Hole,
    Samples,
)

TICK_S = 16e-9

HEADER = Header(
    250e3,
    (
        Channel("points_v", "V", 0.01, -0.5, 0.0, 5e-6, 1e-7, (-2048.0, 2047.0), u_zero=0.01),
        Channel("current_a", "A", 0.003, offset_s=2e-6, u_gain=0.002),
    ),
    (EdgeChannel("index", TICK_S, 1e-6), EdgeChannel("encoder", TICK_S, 0.0, 0.01)),
    encoder_pulses=360,
    simulated=True,
    origin="made for a test",
    temperature_c=20.0,
    series_ohm=47.0,
    u_series_share=0.005,
    probe_ohm=10e6,
    pickup_sense=-1,
    vacuum_steps=((0.0, 0.0), (10.0, 20.0)),
    notes={"bench": "ours", "levels": [1, 2.5, None]},
)


class ListSource:
    """Events from memory."""

    def __init__(self, header: Header, events: Iterable[Event]) -> None:
        self.header = header
        self.events = list(events)
        self.closed = False

    def __iter__(self) -> Iterator[Event]:
        yield from self.events

    def progress(self) -> tuple[float, float]:
        return 0.0, float(len(self.events))

    def close(self) -> None:
        self.closed = True


@dataclass
class Whole:
    """A trace put together: how it was cut into events is forgotten.

    samples  per channel, number of the sample -> count, as one array with NaN where there is none
    """

    samples: list[NDArray[np.float64]]
    edges: dict[str, list[tuple[float, bool]]]
    holes: list[tuple[int, int]]
    end: int
    dtypes: set[str] = field(default_factory=set)


def whole(header: Header, events: Iterable[Event]) -> Whole:
    """Put together, checking that blocks and holes follow each other without overlap or gap."""
    parts: list[list[Samples | NDArray[np.float64]]] = [[] for _ in header.channels]
    edges: dict[str, list[tuple[float, bool]]] = {e.name: [] for e in header.edge_channels}
    holes = []
    dtypes = set()
    end = 0
    for event in events:
        if isinstance(event, EdgeTimes):
            assert len(event.time_s) == len(event.rising) > 0
            assert event.time_s.dtype == np.float64
            assert event.rising.dtype == np.bool_
            edges[event.name] += zip(event.time_s.tolist(), event.rising.tolist(), strict=True)
        elif isinstance(event, Hole):
            assert event.first == end
            assert event.end >= end
            holes.append((event.first, event.end))
            for part in parts:
                part.append(np.full(event.end - end, np.nan))
            end = event.end
        else:
            assert event.first == end
            assert len(event) > 0
            assert len(event.samples) == len(parts)
            for part, samples in zip(parts, event.samples, strict=True):
                assert len(samples) == len(event)
                dtypes.add(samples.dtype.str)
                part.append(samples)
            end += len(event)
    for name, found in edges.items():
        assert [t for t, _ in found] == sorted(t for t, _ in found), name
    arrays = [np.concatenate([np.empty(0), *part]) for part in parts]
    return Whole(arrays, edges, [h for h in holes if h[0] < h[1]], end, dtypes)


def same(a: Whole, b: Whole) -> None:
    """Both traces are the same to the last bit."""
    assert a.end == b.end
    assert a.edges == b.edges
    assert a.holes == b.holes
    for x, y in zip(a.samples, b.samples, strict=True):
        np.testing.assert_array_equal(x, y)


def made_trace(
    seconds: float = 2.0, seed: int = 0, block: int = 4096, header: Header = HEADER
) -> list[Event]:
    """A trace as a bench would give it: blocks, with the edges up to their end before them."""
    rng = np.random.default_rng(seed)
    total = int(seconds * header.sample_rate_hz)
    pitch = {"index": 0.02, "encoder": 0.0005}
    ticks = {
        e.name: np.cumsum(
            rng.integers(1, max(2, int(2 * pitch[e.name] / TICK_S)), int(seconds / pitch[e.name]))
        )
        for e in header.edge_channels
    }
    events: list[Event] = []
    for first in range(0, total, block):
        count = min(block, total - first)
        for name, all_ticks in ticks.items():
            low, high = (
                np.searchsorted(all_ticks * TICK_S, n / header.sample_rate_hz)
                for n in (first, first + count)
            )
            if low < high:
                some = all_ticks[low:high]
                events.append(EdgeTimes(name, some * TICK_S, np.arange(low, high) % 2 == 0))
        samples = rng.integers(-2048, 2048, (len(header.channels), count), np.int16)
        events.append(Block(first, tuple(samples)))
    return events


@st.composite
def traces(draw: st.DrawFn) -> tuple[Header, list[Event]]:
    """Any header and any events that a source may yield: small and odd."""
    names = draw(st.lists(st.sampled_from(["points_v", "contact_v", "spark", "x"]), unique=True))
    number = st.floats(-1e6, 1e6)
    channels = tuple(
        Channel(
            name,
            draw(st.sampled_from(["V", "A", "logic"])),
            draw(number.filter(bool)),
            draw(number),
            draw(number),
            draw(number),
            draw(st.floats(0, 1)),
            draw(st.none() | st.just((-5.0, 7.5))),
        )
        for name in names
    )
    edge_names = draw(st.lists(st.sampled_from(["index", "encoder"]), unique=True))
    if not names and not edge_names:
        edge_names = ["index"]
    edge_channels = tuple(
        EdgeChannel(name, draw(st.sampled_from([0.0, TICK_S, 1e-3])), draw(number))
        for name in edge_names
    )
    header = Header(
        draw(st.floats(1e-3, 1e9)),
        channels,
        edge_channels,
        draw(st.none() | st.integers(1, 5000)),
        draw(st.sampled_from(["run", "hand", "coil", "condenser"])),
        draw(st.booleans()),
        draw(st.text(st.characters(categories=["L", "N", "P"]), max_size=20)),
        draw(st.none() | number),
        vacuum_steps=tuple(draw(st.lists(st.tuples(number, number), max_size=3))),
        notes=draw(st.dictionaries(st.text(max_size=5), st.none() | st.text(max_size=5) | number)),
    )
    last = dict.fromkeys(edge_names, 0.0)
    events: list[Event] = []
    end = 0
    for _ in range(draw(st.integers(0, 12))):
        kind = draw(st.sampled_from(["block", "edges", "hole"]))
        if kind == "block" and names:
            count = draw(st.integers(1, 60))
            if draw(st.booleans()):
                array = np.array(
                    draw(
                        st.lists(
                            st.integers(-32768, 32767),
                            min_size=count * len(names),
                            max_size=count * len(names),
                        )
                    ),
                    np.int16,
                )
            else:
                seed = draw(st.integers(0, 1000))
                rng = np.random.default_rng(seed)
                array = rng.normal(size=count * len(names)).astype(np.float32)
            events.append(Block(end, tuple(array.reshape(len(names), count))))
            end += count
        elif kind == "edges" and edge_names:
            name = draw(st.sampled_from(edge_names))
            steps = draw(
                st.lists(st.one_of(st.just(0.0), st.floats(0, 1e-3), st.floats(0, 1e5)), max_size=9)
            )
            times = last[name] + np.cumsum([0.0, *steps])[1:]
            if draw(st.booleans()):
                times = np.maximum(last[name], np.rint(times / TICK_S) * TICK_S)
            if len(times):
                last[name] = float(times[-1])
            rising = np.array(draw(st.lists(st.booleans(), min_size=len(times), max_size=9)))
            events.append(EdgeTimes(name, times, np.resize(rising, len(times)).astype(bool)))
        elif kind == "hole":
            size = draw(st.integers(0, 1000))
            frames = draw(st.integers(0, 5))
            events.append(Hole(end, end + size, frames, draw(st.sampled_from(["", "unplugged"]))))
            end += size
    return header, events
