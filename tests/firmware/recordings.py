"""Recordings made through a board, and the same of its bench without one."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np

from breakerbench.bench.endless import Stamps
from breakerbench.judge.specification import Specification
from breakerbench.pipeline import analyze
from breakerbench.sources.recording import RecordingSource, RecordingWriter
from breakerbench.trace import Block, EdgeTimes, Event, Header

ROW_TICKS, PIECE = 250, 1000


def events_of(path: Path) -> tuple[list[Event], Header]:
    with closing(RecordingSource(path)) as source:
        return list(source), source.header


def analyzed(path: Path, spec: Specification | None = None) -> dict[str, Any]:
    with closing(RecordingSource(path)) as source:
        return analyze(source, spec)


def write_bench(path: Path, header: Header, counts: np.ndarray, edges: dict[str, Stamps]) -> None:
    """What was on the inputs, never seen by a wire; cut into other pieces than a board cuts it."""
    rows = counts.shape[1]
    with RecordingWriter(path, header) as writer:
        for first in range(0, rows, PIECE):
            end = min(first + PIECE, rows)
            writer.write(Block(first, tuple(counts[:, first:end])))
            for name, (ticks, rising) in edges.items():
                a, b = np.searchsorted(ticks, [first * ROW_TICKS, end * ROW_TICKS])
                if b > a:
                    writer.write(EdgeTimes(name, ticks[a:b] * 16e-9, rising[a:b]))
