"""Figures of a connection under random faults: those made live are those made of its recording."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from breakerbench.bench.board_inputs import inputs_of
from breakerbench.bench.drive import Drive
from breakerbench.bench.electric_faults import on_a_coil
from breakerbench.bench.endless import Endless, Stamps
from breakerbench.bench.model import Bench
from breakerbench.bench.scenario import healthy
from breakerbench.pipeline import analyze, analyzer
from breakerbench.sources.recording import RecordingSource, RecordingWriter
from breakerbench.trace import Block
from breakerbench.wire.messages import Mode
from sources.faulty_line import World
from sources.tape import TapedBoard
from sources.test_port_fuzz import opened

#: Speeds; what is recorded, rows; rows that come after the last fault.
SPEED = ((0.0, 600.0), (1.0, 600.0), (3.0, 2400.0), (4.0, 600.0))
LONG, CALM = 8 * 250_000, 150_000


@cache
def run_of(coil: bool) -> tuple[Bench, Mode, Endless, np.ndarray, dict[str, Stamps]]:
    """A run of the simulated bench: played from its beginning by each capture, simulated once."""
    bench = replace(healthy(), drive=Drive(SPEED, healthy().drive.ripples))
    if coil:
        bench = replace(on_a_coil(bench), channels=("points_v", "current_a", "supply_v"))
    inputs = inputs_of(bench)
    endless = Endless(inputs.benches[1], 0, inputs.modes[1].row_ticks)
    counts, edges = endless.take(LONG)
    return bench, inputs.modes[1], endless, counts, edges


class _Playing:
    def __init__(self, coil: bool) -> None:
        _, self.mode, self.bench, self.counts, self.edges = run_of(coil)
        self.edge_names, self._row = self.bench.edge_names, 0

    def take(self, rows: int) -> tuple[np.ndarray, dict[str, Stamps]]:
        begin, self._row = self._row, self._row + rows
        assert self._row <= LONG, "longer than was simulated"
        found = {}
        for name, (ticks, rising) in self.edges.items():
            ends = [begin * self.mode.row_ticks, self._row * self.mode.row_ticks]
            a, b = np.searchsorted(ticks, ends)
            found[name] = ticks[a:b], rising[a:b]
        return self.counts[:, begin : self._row], found


class _BenchBoard(TapedBoard):
    coil = False

    def _bench(self) -> Bench:
        return run_of(self.coil)[0]

    def _endless(self, mode: int) -> Any:
        del mode
        return _Playing(self.coil)


class _CoilBoard(_BenchBoard):
    coil = True


class _BenchWorld(World):
    """A real bench at full rate, from a board that holds enough for a read."""

    def __init__(self, seed: int, coil: bool) -> None:
        self.kind = _CoilBoard if coil else _BenchBoard
        super().__init__(seed, run_of(coil)[1])
        self.read_s = min(self.read_s, 0.01)


def live_and_after(seed: int, coil: bool, path: Path) -> tuple[dict[str, Any], dict[str, Any]]:
    world = _BenchWorld(seed, coil)
    port = opened(world, encoder_pulses=360)
    measuring = analyzer(port.header)
    calm_rows = 0
    with RecordingWriter(path, port.header) as writer:
        for event in port:
            writer.write(event)
            measuring.feed(event)
            calm_rows += len(event) if isinstance(event, Block) and world.calm else 0
            if calm_rows > CALM:
                port.stop()
    port.close()
    source = RecordingSource(path)
    try:
        return measuring.finish(), analyze(source)
    finally:
        source.close()
        path.unlink()


def hold(seeds: range, coil: bool, folder: Path) -> list[float]:
    dwells = []
    for seed in seeds:
        live, after = live_and_after(seed, coil, folder / "run.bbr")
        assert live == after, seed
        if live["dwell"]["mean_deg"] is not None:
            dwells.append(live["dwell"]["mean_deg"])
    return dwells


def test_live_figures_are_those_of_the_recording(tmp_path: Path) -> None:
    assert len(hold(range(8), False, tmp_path)) > 3


@pytest.mark.sweep
@pytest.mark.parametrize("coil", [False, True])
def test_live_figures_are_those_of_the_recording_at_length(coil: bool, tmp_path: Path) -> None:
    """And no fault of the wire makes another dwell of it: holes are never bridged."""
    dwells = hold(range(1000, 1040), coil, tmp_path)
    print(f"{len(dwells)} dwells, {min(dwells):.3f} to {max(dwells):.3f} deg")
    assert len(dwells) > 15
    assert np.ptp(dwells) < 0.3
