"""The core behind a socket: the real ``record`` talks to it, and its figures are those of the bench."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from breakerbench.bench.board_serve import TcpDoor, serve
from breakerbench.bench.drive import Drive
from breakerbench.bench.endless import Endless, Stamps
from breakerbench.bench.front_end import Converter
from breakerbench.bench.scenario import healthy
from breakerbench.trace import Block, EdgeTimes, Hole
from breakerbench.wire.capture import Board
from cli.command import breakerbench
from firmware.core import Core, CoreBoard
from firmware.recordings import ROW_TICKS, analyzed, events_of, write_bench

SPEED = ((0.0, 600.0), (0.5, 600.0), (2.0, 1800.0), (2.5, 1800.0))
ROWS = 3 * 250_000
SPEC = ("--spec", "four-lobe")


@cache
def run() -> tuple[np.ndarray, dict[str, Stamps]]:
    """A distributor on the dry feed, sampled with the ranges that the board's design has; made once."""
    bench = replace(
        healthy(), drive=Drive(SPEED, healthy().drive.ripples), points_range_v=50.0,
        current_range_a=10.0, channels=("points_v", "current_a"), converter=Converter(250e3),
    )  # fmt: skip
    return Endless(bench, 11, ROW_TICKS).take(ROWS)


class _Run:
    """Plays it, from its beginning in each capture."""

    def __init__(self, _: int) -> None:
        (self.counts, self.edges), self.row = run(), 0

    def take(self, rows: int) -> tuple[np.ndarray, dict[str, Stamps]]:
        begin, self.row = self.row, self.row + rows
        assert self.row <= ROWS, "longer than was made"
        found = {}
        for name, (ticks, rising) in self.edges.items():
            a, b = np.searchsorted(ticks, [begin * ROW_TICKS, self.row * ROW_TICKS])
            found[name] = ticks[a:b], rising[a:b]
        return self.counts[:, begin : self.row], found


@contextmanager
def served(program: Path, told: Board) -> Iterator[tuple[str, Core]]:
    run()
    over = threading.Event()
    with Core(program) as core, closing(TcpDoor(0)) as door:
        board: Any = CoreBoard(core, told.modes, _Run)
        # Slower than the shaft turns: the sanitizers take their time, and no row may be lost by that.
        thread = threading.Thread(
            target=serve, args=(board, door, over.is_set, lambda: 0.5 * time.monotonic())
        )
        thread.start()
        try:
            yield f"socket://127.0.0.1:{door.name}", core
        finally:
            over.set()
            thread.join()


@pytest.fixture(scope="module")
def recorded(board_main: Path, told: Board, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with what the real command made of it."""
    folder = tmp_path_factory.mktemp("recorded")
    with served(board_main, told) as (port, _):
        ran = breakerbench(
            "record", "--port", port, "--out", "run.bbr", "--seconds", "2.4", "--json", "live.json",
            "--encoder-pulses", "360", *SPEC, folder=folder,
        )  # fmt: skip
    assert ran.status == 0, ran.err
    return folder


def test_what_is_recorded_is_what_was_sampled(recorded: Path) -> None:
    events, header = events_of(recorded / "run.bbr")
    counts, edges = run()
    assert header.simulated
    assert not [e for e in events if isinstance(e, Hole)]
    came = np.concatenate([np.array(e.samples) for e in events if isinstance(e, Block)], axis=1)
    rows = came.shape[1]
    assert rows >= 2.4 * 250_000
    assert np.array_equal(came, counts[:, :rows])
    for name, (ticks, rising) in edges.items():
        own = [e for e in events if isinstance(e, EdgeTimes) and e.name == name]
        found = np.rint(np.concatenate([e.time_s for e in own]) * 62.5e6)
        many = int(np.searchsorted(ticks, rows * ROW_TICKS))
        assert np.array_equal(found, ticks[:many])
        assert np.array_equal(np.concatenate([e.rising for e in own]), rising[:many])


def test_the_figures_are_those_of_the_bench_to_the_bit(recorded: Path, tmp_path: Path) -> None:
    """Held against a recording of the bench that never saw a wire, cut into other pieces."""
    events, header = events_of(recorded / "run.bbr")
    rows = sum(len(e) for e in events if isinstance(e, Block))
    counts, edges = run()
    write_bench(tmp_path / "bench.bbr", header, counts[:, :rows], edges)
    results = [analyzed(path) for path in (recorded / "run.bbr", tmp_path / "bench.bbr")]
    assert results[0] == results[1]
    assert abs(results[0]["dwell"]["mean_deg"] - 52.0) < 1.0


def test_live_figures_are_those_of_the_recording(recorded: Path) -> None:
    ran = breakerbench("analyze", "run.bbr", "--json", "after.json", *SPEC, folder=recorded)
    assert ran.status == 0
    live, after = (json.loads((recorded / f"{n}.json").read_text()) for n in ("live", "after"))
    assert live == after
