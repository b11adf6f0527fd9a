"""A simulated board in this process behind a port that breaks as it is told, faster than real time."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from breakerbench.app import course
from breakerbench.app.snapshot import Recording, Snapshot, Task
from breakerbench.app.worker import Worker
from breakerbench.bench.board import SimulatedBoard
from breakerbench.bench.board_faults import BoardFaults
from breakerbench.bench.board_inputs import inputs_of
from breakerbench.bench.drive import Drive
from breakerbench.bench.endless import Endless, Stamps
from breakerbench.bench.model import Bench
from breakerbench.bench.scenario import healthy
from breakerbench.errors import BadInput
from breakerbench.pipeline import analyze
from breakerbench.sources import port
from breakerbench.sources.line import LineLost
from breakerbench.sources.recording import RecordingSource
from breakerbench.trace import EdgeTimes, Event, Hole
from breakerbench.wire.messages import Reason

RATE_HZ = 250_000
#: The shaft stands, turns up and down, and stands again: (s, rpm).
SPEED = (
    (0.0, 0.0), (1.5, 0.0), (2.0, 300.0), (3.5, 300.0), (5.5, 1500.0), (6.0, 300.0), (6.5, 0.0),
    (7.0, 0.0),
)  # fmt: skip
#: Simulated, s; what follows is its last second again and again.
LONG_S = 10.0
#: The board's time in one read, s, at most: the program has come back from something else.
STEP_S = 0.1
#: A test waits so long for what has to happen, s.
PATIENCE_S = 60.0


@cache
def run_of() -> tuple[Bench, Endless, np.ndarray, dict[str, Stamps]]:
    """Simulated once; each capture plays it from its beginning."""
    bench = replace(healthy(), drive=Drive(SPEED, healthy().drive.ripples))
    inputs = inputs_of(bench)
    endless = Endless(inputs.benches[1], 0, inputs.modes[1].row_ticks)
    return bench, endless, *endless.take(round(LONG_S * RATE_HZ))


class _Playing:
    """Stands where ``Endless`` stands."""

    def __init__(self, first: int) -> None:
        _, self._endless, self._counts, self._edges = run_of()
        self.plan, self.edge_names = self._endless.plan, self._endless.edge_names
        self._row = first

    def take(self, rows: int) -> tuple[np.ndarray, dict[str, Stamps]]:
        begin, self._row = self._row, self._row + rows
        long, at = self._counts.shape[1], np.arange(begin, self._row)
        at = np.where(at < long, at, long - RATE_HZ + (at - long) % RATE_HZ)
        found = {}
        for name, (ticks, rising) in self._edges.items():
            ends = [begin * self._endless.row_ticks, self._row * self._endless.row_ticks]
            a, b = np.searchsorted(ticks, ends)
            found[name] = ticks[a:b], rising[a:b]
        return self._counts[:, at], found


class PlayedBoard(SimulatedBoard):
    first = 0  # row that each capture begins with

    def _endless(self, mode: int) -> Any:
        del mode
        return _Playing(self.first)


class StandingBoard(PlayedBoard):
    first = round(7.0 * RATE_HZ)


class Desk:
    """A port with a board plugged in. What the test changes, the next read or opening shows.

    fast  the board's time against this machine's
    """

    def __init__(self, faults: BoardFaults | None = None, fast: float = 10.0) -> None:
        run_of()
        self.faults, self.fast = faults, fast
        self.plugged = True
        self.silent = False  # it neither takes nor sends anything
        self.opened = 0
        self.lines: list[PlayedLine] = []
        self.board = self._board()

    def _board(self, kind: type[PlayedBoard] = PlayedBoard) -> PlayedBoard:
        self.board_s = 0.0
        return kind(run_of()[0], 0, self.faults, buffer_s=4.0)

    def power(self, kind: type[PlayedBoard] = PlayedBoard) -> None:
        """Unplugged and plugged in: it begins anew."""
        self.board = self._board(kind)

    def reset(self) -> None:
        """The watchdog restarts it."""
        self.board._begin(Reason.WATCHDOG)

    def opener(self, port: str) -> PlayedLine:
        self.opened += 1
        if not self.plugged:
            raise BadInput(port, "there is no such port", "plug the board in")
        self.lines.append(PlayedLine(self))
        return self.lines[-1]

    @property
    def open(self) -> int:
        """Lines that nobody has closed."""
        return sum(line.open for line in self.lines)


class PlayedLine:
    def __init__(self, desk: Desk) -> None:
        self.desk, self.open, self.board = desk, True, desk.board
        self._last_s = time.monotonic()

    def read(self) -> bytes:
        assert self.open, "read after close"
        desk = self.desk
        time.sleep(0.002)
        now_s = time.monotonic()
        step_s, self._last_s = min((now_s - self._last_s) * desk.fast, STEP_S), now_s
        if not desk.plugged or desk.board is not self.board:
            raise LineLost("device disconnected")
        if desk.silent:
            return b""
        desk.board_s += step_s
        return self.board.give(desk.board_s, 1 << 20)

    def write(self, data: bytes) -> None:
        if not self.desk.plugged or self.desk.board is not self.board:
            raise LineLost("device disconnected")
        if not self.desk.silent:
            self.board.take(data)

    def close(self) -> None:
        self.open = False


def until(worker: Worker, holds: Callable[[Snapshot], object]) -> Snapshot:
    """The first look of which it holds."""
    end_s = time.monotonic() + PATIENCE_S
    while time.monotonic() < end_s:
        snapshot = worker.snapshot
        if holds(snapshot):
            return snapshot
        if "fault of this program" in snapshot.problem and snapshot.task is worker._task:
            break
        time.sleep(0.001)
    shown = replace(worker.snapshot, live=None, pictures=None, result=None, header=None)
    raise AssertionError(f"it never came to that: {shown}")


def threads() -> list[str]:
    """Those of workers and lines that are alive."""
    return [t.name for t in threading.enumerate() if t.name in ("bench", "line")]


# --- for tests of the worker


def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Looks and flushes as often as the board's clock goes faster; a board is found again at once."""
    monkeypatch.setattr(port, "LOOK_S", 0.05)
    monkeypatch.setattr(course, "LOOK_S", 0.005)
    monkeypatch.setattr(course, "FLUSH_S", 0.1)


@contextmanager
def working(desk: Desk, kind: type[Worker] = Worker) -> Iterator[Worker]:
    worker = kind(desk.opener)
    try:
        yield worker
    finally:
        assert worker.close()
    assert threads() == []
    assert desk.open == 0


def task(folder: Path, recording: Recording, **other: Any) -> Task:
    told = {"encoder_pulses": 360}
    return Task("a port", recording=recording, stem=str(folder / "run"), told=told, **other)


def events(path: str | Path) -> list[Event]:
    with RecordingSource(path) as source:
        return list(source)


def whole(path: str | Path) -> list[Hole]:
    """Asserts that a recording has its end mark and goes on without a step; its holes."""
    row, holes = 0, []
    for event in events(path):
        if isinstance(event, EdgeTimes):
            assert event.time_s[0] >= 0.0
            continue
        assert event.first == row
        row = event.end if isinstance(event, Hole) else row + len(event)
        if isinstance(event, Hole):
            holes.append(event)
    assert all(hole.reason != "the file was cut short" for hole in holes)
    return holes


def hold(result: Any, path: str, of: Task) -> None:
    """Asserts that the result is that of the recording, to the digit."""
    with RecordingSource(path) as source:
        after = analyze(source, of.spec, hand=of.hand)
    assert json.dumps(result, sort_keys=True) == json.dumps(after, sort_keys=True)
