"""A trace played at any speed is the same trace; one begun anew midway is a trace."""

from __future__ import annotations

import json
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.boards import RATE_HZ, run_of
from breakerbench.app.replay import PIECE_S, Anew, played
from breakerbench.pipeline import analyze, analyzer
from breakerbench.sources.recording import RecordingSource, RecordingWriter
from breakerbench.trace import Block, EdgeTimes, Event, Header, Hole

#: A short run out of the simulated one, rows: it turns at 300 rpm and faster.
FIRST, END = round(2.5 * RATE_HZ), round(4.0 * RATE_HZ)


class Cut:
    """The run in pieces as they are given, with holes, edges before or after their samples."""

    def __init__(self, cuts: list[int], holes: list[tuple[int, int]], early: bool) -> None:
        self.header: Header = run_of()[1].plan.header
        self._bounds = sorted({0, *cuts, *(at for hole in holes for at in hole), END - FIRST})
        self._holes, self._early = holes, early

    def progress(self) -> tuple[float, float]:
        return 0.0, 0.0

    def close(self) -> None:
        pass

    def __iter__(self) -> Iterator[Event]:
        _, _, counts, edges = run_of()
        for begin, end in zip(self._bounds, self._bounds[1:], strict=False):
            if any(a <= begin and end <= b for a, b in self._holes):
                yield Hole(begin, end, 1, "cut out")
                continue
            a, b = begin + FIRST, end + FIRST
            block = Block(begin, tuple(counts[:, a:b]))
            if not self._early:
                yield block
            for name, (ticks, rising) in edges.items():
                i, j = np.searchsorted(ticks, [a * 250, b * 250])
                if j > i:
                    yield EdgeTimes(name, (ticks[i:j] - FIRST * 250) * 16e-9, rising[i:j])
            if self._early:
                yield block


def told(result: Any) -> str:
    return json.dumps(result, sort_keys=True)


@cache
def plain() -> str:
    return told(analyze(Cut([], [], True)))


class Clock:
    """Waiting is all that takes time, and what the reader does between events."""

    def __init__(self) -> None:
        self.s = 1000.0
        self.waited: list[float] = []

    def now(self) -> float:
        return self.s

    def wait(self, seconds: float) -> None:
        assert seconds > 0.0
        self.waited.append(seconds)
        self.s += seconds


ROWS = st.integers(1, END - FIRST - 1)


@settings(max_examples=25)
@given(st.lists(ROWS, max_size=12), st.sampled_from([0.0, 0.5, 1.0, 40.0]), st.booleans())
def test_the_result_is_that_of_the_source_however_it_is_cut(
    cuts: list[int], pace: float, early: bool
) -> None:
    source, clock = Cut(cuts, [], early), Clock()
    measuring = analyzer(source.header)
    for event in played(source, pace, clock.wait, clock.now):
        measuring.feed(event)
    assert told(measuring.finish()) == plain()


@settings(max_examples=15)
@given(
    st.lists(ROWS, max_size=6), st.lists(ROWS, min_size=2, max_size=6, unique=True), st.booleans()
)
def test_and_with_holes_too(cuts: list[int], ends: list[int], early: bool) -> None:
    ends = sorted(ends)
    holes = list(zip(ends[::2], ends[1::2], strict=False))
    source, clock = Cut(cuts, holes, early), Clock()
    measuring = analyzer(source.header)
    for event in played(source, 2.0, clock.wait, clock.now):
        measuring.feed(event)
    assert told(measuring.finish()) == told(analyze(source))


@pytest.mark.parametrize("pace", [0.25, 1.0, 8.0])
@pytest.mark.parametrize("early", [False, True])
def test_each_piece_comes_when_it_is_due_and_not_before(pace: float, early: bool) -> None:
    clock = Clock()
    source = Cut([40_000, 200_000], [(100_000, 160_000)], early)
    begun_s, longest, end_s = None, 0, 0.0
    for event in played(source, pace, clock.wait, clock.now):
        if begun_s is None:
            begun_s = clock.s - PIECE_S / pace  # the first is there at once
        passed_s = (clock.s - begun_s) * pace
        if isinstance(event, EdgeTimes):
            assert event.time_s[-1] <= passed_s + 1e-9
            continue
        end_s = (event.end if isinstance(event, Hole) else event.first + len(event)) / RATE_HZ
        assert passed_s == pytest.approx(end_s, abs=1e-6)
        longest = max(longest, len(event) if isinstance(event, Block) else 0)
    assert end_s == (END - FIRST) / RATE_HZ
    assert longest == PIECE_S * RATE_HZ
    assert sum(clock.waited) == pytest.approx((end_s - PIECE_S) / pace)


def test_it_catches_up_when_the_reader_was_busy() -> None:
    clock = Clock()
    for n, event in enumerate(played(Cut([], [], True), 1.0, clock.wait, clock.now)):
        del event
        if n == 30:
            clock.s += 0.4
    whole_s = (END - FIRST) / RATE_HZ - PIECE_S
    assert clock.s - 1000.0 == pytest.approx(whole_s)
    assert sum(clock.waited) == pytest.approx(whole_s - 0.4)


def test_at_once_it_is_the_source_itself() -> None:
    clock = Clock()
    source = Cut([1000], [], True)
    kinds = [type(event) for event in played(source, 0.0, clock.wait, clock.now)]
    assert kinds == [type(event) for event in source]
    assert clock.waited == []


# --- begun anew midway


@settings(max_examples=25)
@given(
    st.lists(ROWS, max_size=8), st.lists(ROWS, max_size=4, unique=True), st.booleans(),
    st.integers(0, 20), st.integers(0, 3),
)  # fmt: skip
def test_begun_anew_it_is_a_trace_of_its_own(
    cuts: list[int], ends: list[int], early: bool, skipped: int, path_number: int
) -> None:
    """From any event on: nothing is refused, all of it is shifted, edges of before are left out."""
    ends = sorted(ends)
    all_events = list(Cut(cuts, list(zip(ends[::2], ends[1::2], strict=False)), early))
    events = all_events[min(skipped, len(all_events) - 1) :]
    first = next((e.first for e in events if not isinstance(e, EdgeTimes)), END - FIRST)
    anew, header = Anew(RATE_HZ, first), run_of()[1].plan.header
    path = FOLDER[0] / f"{path_number}.bbr"
    path.unlink(missing_ok=True)
    came: list[Event] = []
    with RecordingWriter(path, header) as writer:
        for event in events:
            placed = anew(event)
            if placed is not None:
                writer.write(placed)
                came.append(placed)
    rows = [(e.first + first, type(e)) for e in came if not isinstance(e, EdgeTimes)]
    assert rows == [(e.first, type(e)) for e in events if not isinstance(e, EdgeTimes)]
    for name in ("index", "encoder"):
        got = [e.time_s for e in came if isinstance(e, EdgeTimes) and e.name == name]
        was = [e.time_s for e in events if isinstance(e, EdgeTimes) and e.name == name]
        want = np.concatenate([*was, np.empty(0)]) - first / RATE_HZ
        assert np.array_equal(np.concatenate([*got, np.empty(0)]), want[want >= 0.0])
    measuring = analyzer(header)
    for event in came:
        measuring.feed(event)
    live = measuring.finish()
    with RecordingSource(path) as source:
        assert told(analyze(source)) == told(live)


FOLDER: list[Path] = []


@pytest.fixture(autouse=True, scope="module")
def _folder(tmp_path_factory: pytest.TempPathFactory) -> None:
    FOLDER[:] = [tmp_path_factory.mktemp("anew")]
