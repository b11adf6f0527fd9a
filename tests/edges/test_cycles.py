"""Cycles: each contact once, with its samples, however the trace was cut."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import pytest

from breakerbench.bench.drive import steady
from breakerbench.bench.model import Bench
from breakerbench.bench.simulated import simulate
from breakerbench.edges import cycles
from breakerbench.edges.cycles import Batch, Cycles, Held
from breakerbench.edges.run import EdgeRun
from breakerbench.trace import Block, Channel, Event, Header, Hole

HEADER = Header(
    1e5,
    (
        Channel("points_v", "V", 0.5, -1.0, offset_s=0.0, delay_s=20e-6),
        Channel("current_a", "A", 0.01, offset_s=5e-6, delay_s=45e-6),
    ),
)


class Taker:
    """Notes what it is given, with the current around each opening."""

    def __init__(self) -> None:
        self.rows: list[tuple[Any, ...]] = []

    def add(self, batch: Batch) -> None:
        first = np.floor(batch.open_at).astype(np.int64) - 20
        window = batch.held.window("current_a", first, 40)
        for k in range(len(batch)):
            ends = (batch.touch_at, batch.settled_at, batch.open_at, batch.next_at, batch.interval)
            self.rows.append(
                (int(batch.number[k]), *(float(x[k]) for x in ends), window[k].tobytes())
            )


def taken(events: list[Event], header: Header) -> list[tuple[Any, ...]]:
    run, taker = EdgeRun(header, None), Taker()
    run.cycles = Cycles(header, (taker,))
    for event in events:
        if isinstance(event, Block):
            run.block(event)
        elif isinstance(event, Hole):
            run.hole(event)
        else:
            run.edge_times(event)
    run.finish()
    return taker.rows


def _same(a: list[tuple[Any, ...]], b: list[tuple[Any, ...]]) -> None:
    assert len(a) == len(b)
    for x, y in zip(a, b, strict=True):
        np.testing.assert_array_equal(x[:-1], y[:-1])
        assert x[-1] == y[-1]


def test_every_opening_once_with_the_touch_after_it() -> None:
    made = simulate(Bench(drive=steady(900.0, 3.0)), 3)
    rows = taken(list(made), made.header)
    assert [row[0] for row in rows] == list(range(len(rows)))
    assert len(rows) >= 175
    for row, after in pairwise(rows):
        assert row[4] == after[1]  # its next touch is the touch of the one after
        assert after[5] == pytest.approx(after[3] - row[3], abs=1e-6)
    assert np.isnan(rows[-1][4])


@pytest.mark.parametrize("blocks", [1000, 4096, 77_777])
def test_blocks_do_not_matter(blocks: int) -> None:
    bench = Bench(drive=steady(900.0, 2.0))
    whole = simulate(bench, 3, 1 << 20)
    cut = simulate(bench, 3, blocks)
    _same(taken(list(whole), whole.header), taken(list(cut), cut.header))


def test_nothing_reaches_across_a_hole() -> None:
    made = simulate(Bench(drive=steady(900.0, 3.0)), 3, 125_000)
    events = list(made)
    blocks = [event for event in events if isinstance(event, Block)]
    lost = blocks[2]
    at = next(k for k, event in enumerate(events) if event is lost)
    events[at] = Hole(lost.first, lost.first + len(lost), 1, "lost")
    rows = taken(events, made.header)
    for row in rows:
        inside = [x for x in row[1:5] if np.isfinite(x)]
        assert max(inside) < lost.first or min(inside) > lost.first + len(lost) - 3
    # The last before and the last of all have no touch after them.
    assert sum(np.isnan(row[4]) for row in rows) == 2


def test_only_so_much_is_held(monkeypatch: pytest.MonkeyPatch) -> None:
    """Points that never open: no contact lets go of the samples, the limit does."""
    monkeypatch.setattr(cycles, "KEEP", 1000)
    monkeypatch.setattr(cycles, "SLACK", 500)
    monkeypatch.setattr(cycles, "SPREAD_S", 0.0)
    collected = Cycles(HEADER, ())
    for first in range(0, 100_000, 250):
        block = np.zeros(250, np.int16)
        collected.block(Block(first, (block, block)))
    held = collected._held
    assert sum(len(part[0]) for part in held._parts) <= 2000


def test_windows_in_units_and_where_the_other_channel_stands() -> None:
    held = Held(HEADER)
    x = np.arange(10, dtype=np.int16)
    held.add(Block(100, (x, 2 * x)))
    held.add(Block(110, (x + 10, 2 * x + 20)))
    window = held.window("points_v", np.array([98, 108]), 4)
    np.testing.assert_array_equal(window[0], [np.nan, np.nan, -1.0, -0.5])
    np.testing.assert_array_equal(window[1], [3.0, 3.5, 4.0, 4.5])
    # Sampled 5 us later, shown 25 us later: 20 us, two samples.
    assert held.shift("current_a") == pytest.approx(2.0)
    assert held.shift("points_v") == 0.0
    assert held.counts("current_a", 0, 102).tolist() == [0, 2]
    held.forget_before(115)
    assert held.counts("points_v", 0, 200).tolist() == [15, 16, 17, 18, 19]


def test_a_contact_older_than_what_is_kept_is_left_out(monkeypatch: pytest.MonkeyPatch) -> None:
    taker = Taker()
    monkeypatch.setattr(cycles, "KEEP", 2000)
    collected = Cycles(replace(HEADER), (taker,))
    for first in range(0, 6000, 1000):
        block = np.zeros(1000, np.int16)
        collected.block(Block(first, (block, block)))
    touch = np.array([100.0, 4100.0, 4500.0, 4900.0])
    collected.contacts(touch, touch, touch + 200.0, np.ones(4, bool), 6000)
    collected.cut(6000)
    assert [row[0] for row in taker.rows] == [1, 2, 3]


def test_a_round_is_handed_out_while_half_a_second_comes_in() -> None:
    taker = Taker()
    collected = Cycles(HEADER, (taker,))
    silent = np.zeros(1000, np.int16)

    def come_in(first: int, end: int) -> list[int]:
        """How many are handed out after each thousand samples."""
        many = []
        for at in range(first, end, 1000):
            collected.block(Block(at, (silent, silent)))
            many.append(len(taker.rows))
        return many

    come_in(0, 500_000)
    touch = np.arange(401) * 1000.0
    collected.contacts(touch, touch, touch + 500.0, np.ones(401, bool), 500_000)
    assert taker.rows == []
    # Four batches of a hundred; the last contact waits for the touch after it.
    many = come_in(500_000, 560_000)
    assert np.flatnonzero(np.diff(many, prepend=0)).tolist() == [12, 24, 37, 49]
    assert many[-1] == 400
    touch = 401_000.0 + np.arange(100) * 1000.0
    collected.contacts(touch, touch, touch + 500.0, np.ones(100, bool), 560_000)
    assert come_in(560_000, 561_000) == [400]
    collected.contacts(
        touch[-1:] + 1e3, touch[-1:] + 1e3, touch[-1:] + 2e3, np.ones(1, bool), 561_000
    )
    assert len(taker.rows) == 500  # of a round the rest comes before the next
    collected.cut(561_000)
    assert [row[0] for row in taker.rows] == list(range(502))
