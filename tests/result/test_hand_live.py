"""A shaft turned by hand, watched: against paths drawn independently, and against the whole trace."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from breakerbench.pipeline import analyzer
from breakerbench.result.hand import HandCheck, HandLive
from breakerbench.trace import Block, Channel, EdgeChannel, EdgeTimes, Event, Header, Hole
from independent.turning import HandSource, Turning

RATE_HZ = 50_000.0


def followed(
    source: HandSource, every_s: float = 1.0 / 30.0
) -> Iterator[tuple[float, HandLive, HandCheck]]:
    """In blocks of a board, asked as often as a window is drawn."""
    header = source.header
    measuring, drawn = HandCheck(header, watched=True), 0.0
    at = 0.0
    for event in source:
        if not isinstance(event, Block):
            measuring.feed(event)
            continue
        for k in range(0, len(event), 320):
            measuring.feed(Block(event.first + k, tuple(x[k : k + 320] for x in event.samples)))
            at = (event.first + k + 320) / header.sample_rate_hz
            if at - drawn >= every_s:
                drawn = at
                yield at, measuring.live(), measuring
    yield at, measuring.live(), measuring


@pytest.mark.parametrize("reference", ["none", "index", "encoder"])
@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("polarity", [1, -1])
def test_changes_and_travel_as_they_come(seed: int, reference: str, polarity: int) -> None:
    """Chatter at every separation; rests, no way back."""
    c = Turning(seed, reference=reference, reversals=0, jerks=0, chatter_s=0.003, polarity=polarity)
    source = HandSource(c)
    before, shown = HandLive(), list(followed(source))
    for _, live, _ in shown:
        assert live.openings >= before.openings
        assert live.closings >= before.closings
        assert (live.turned_deg or 0.0) >= (before.turned_deg or 0.0)
        if live.open_now is not None and before.open_now is not None:
            assert abs(live.openings - live.closings) <= 1
        before = live
    result = shown[-1][2].finish()["hand"]
    assert before.openings == result["openings"]
    assert before.volts is not None
    if before.open_now:
        assert before.volts * polarity > 2.0
    if reference == "none":
        assert before.turned_deg is None
    else:
        assert before.turned_deg is not None
        # From the first pulse to the last; whole turns by the index.
        step = 1.0 if reference == "encoder" else 360.0
        assert c.turns * 360.0 * 1.3 >= before.turned_deg >= c.turns * 360.0 - step - 30.0


def header(kinds: tuple[str, ...] = (), pulses: int | None = None, **told: float) -> Header:
    return Header(
        RATE_HZ,
        (Channel("points_v", "V", 0.01),),
        tuple(EdgeChannel(kind) for kind in kinds),
        encoder_pulses=pulses,
        kind="hand",
        supply_v=told.get("supply_v"),
    )


def volts(first: int, parts: list[tuple[float, float]], seed: int = 1) -> Block:
    """Of (s, V) one after another, with noise of 4 counts."""
    level = np.concatenate([np.full(round(s * RATE_HZ), 100.0 * v) for s, v in parts])
    x = level + np.random.default_rng(seed).normal(0.0, 4.0, len(level))
    return Block(first, (x.astype(np.int16),))


@given(
    st.lists(st.floats(0.006, 0.3), min_size=2, max_size=12),
    st.floats(2.5, 14.0),
    st.sampled_from([1.0, -1.0]),
    st.integers(1, 5000),
)
@settings(max_examples=40, deadline=None)
def test_each_state_that_lasts_is_counted_once_however_it_was_cut(
    lasting: list[float], supply_v: float, sign: float, size: int
) -> None:
    parts = [(s, supply_v * sign if k % 2 else 0.0) for k, s in enumerate([0.05, *lasting])]
    block = volts(0, parts)
    measuring = HandCheck(header(), watched=True)
    for k in range(0, len(block), size):
        measuring.feed(Block(k, (block.samples[0][k : k + size],)))
        if k % 3 == 0:
            measuring.live()
    live = measuring.live()
    assert (live.openings, live.closings) == ((len(lasting) + 1) // 2, len(lasting) // 2)
    assert live.open_now == (len(lasting) % 2 == 1)


def test_chatter_is_left_out() -> None:
    chatter = [(0.002, 12.0), (0.001, 0.0)] * 4
    parts = [(0.1, 0.0), *chatter, (0.1, 12.0), *chatter[:-1], (0.1, 0.0)]
    measuring = HandCheck(header(), watched=True)
    measuring.feed(volts(0, parts))
    assert measuring.live() == HandLive(
        pytest.approx(0.0, abs=0.01), open_now=False, openings=1, closings=1
    )


def test_no_change_is_told_across_a_hole() -> None:
    measuring = HandCheck(header(), watched=True)
    measuring.feed(volts(0, [(0.1, 0.0), (0.1, 12.0), (0.1, 0.0)]))
    assert (measuring.live().openings, measuring.live().closings) == (1, 1)
    measuring.feed(Hole(15_000, 20_000))
    live = measuring.live()
    assert (live.volts, live.open_now) == (None, None)
    measuring.feed(volts(20_000, [(0.1, 12.0), (0.1, 0.0)]))
    live = measuring.live()
    assert (live.openings, live.closings, live.open_now) == (1, 2, False)


@pytest.mark.parametrize(
    ("level", "supply_v", "open_now"),
    [
        (12.0, None, True),
        (-6.0, None, True),
        (0.0, None, None),
        (0.0, 12.0, False),
        (1.5, 12.0, None),
    ],
)
def test_a_contact_that_never_moves(level: float, supply_v: float, open_now: bool | None) -> None:
    """Closed is said only where a feed shows or was told; between closed and open nothing is."""
    told = {} if supply_v is None else {"supply_v": supply_v}
    measuring = HandCheck(header(**told), watched=True)
    measuring.feed(volts(0, [(0.5, level)]))
    live = measuring.live()
    assert live.open_now is open_now
    assert (live.openings, live.closings, live.turned_deg) == (0, 0, None)
    assert live.volts == pytest.approx(level, abs=0.01)


def test_the_voltage_is_that_of_the_last_twenty_milliseconds() -> None:
    measuring = HandCheck(header(), watched=True)
    measuring.feed(volts(0, [(0.5, 12.0), (0.015, 6.0)]))
    assert measuring.live().volts == pytest.approx(0.75 * 6.0 + 0.25 * 12.0, abs=0.02)


def test_travel_by_encoder_and_by_index() -> None:
    rising = np.tile([True, False], 50)
    edges = np.arange(100) * 1e-3
    for name, pulses, turned in (("encoder", 360, 49.0), ("index", None, 49 * 360.0)):
        measuring = HandCheck(header((name,), pulses), watched=True)
        assert measuring.live().turned_deg == 0.0
        for k in range(0, 100, 20):
            part = slice(k, k + 20)
            measuring.feed(EdgeTimes(name, edges[part], rising[part]))
            measuring.live()
        assert measuring.live().turned_deg == pytest.approx(turned)
    assert HandCheck(header(("encoder",)), watched=True).live().turned_deg is None


def test_the_result_is_the_same_and_unwatched_it_shows_nothing() -> None:
    results = []
    for watched in (False, True):
        source = HandSource(Turning(3))
        measuring = analyzer(source.header, watched=watched)
        assert isinstance(measuring, HandCheck)
        events: list[Event] = list(source)
        for event in events:
            measuring.feed(event)
            live = measuring.live()
        assert (live == HandLive()) == (not watched)
        results.append(measuring.finish())
    assert results[0] == results[1]


def test_memory_is_bounded() -> None:
    """Not asked for minutes it keeps no more than it needs."""
    measuring = HandCheck(header(), watched=True)
    block = volts(0, [(0.5, 0.0), (0.5, 12.0)])
    for k in range(100):
        measuring.feed(Block(k * len(block), block.samples))
    now = measuring._now
    assert now is not None
    assert sum(map(len, now._waiting)) < RATE_HZ
    assert len(now._recent) <= 200
    assert measuring.live().openings == 100
