"""A condenser alone on the simulated board: charged, emptied and held, over and over."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from breakerbench.bench.charging import Charging, SimulatedCharging
from breakerbench.bench.endless import Stamps
from breakerbench.bench.front_end import channel_of
from breakerbench.bench.model import Bench
from breakerbench.trace import Block


class ChargingRows:
    """Rows of ``points_v`` and a current probe that nothing flows through; no edges. As `Endless` is.

    The test is that of ``test`` on the board's own input and converter, again and again.
    """

    edge_names: tuple[str, ...] = ()

    def __init__(self, test: Charging, bench: Bench, seed: int) -> None:
        test = replace(
            test, points=True, supply_gain=None, converter=bench.converter,
            range_v=bench.full_scale("points_v"), front_end=bench.front_end("points_v"),
        )  # fmt: skip
        volts = [e.samples[0] for e in SimulatedCharging(test, seed) if isinstance(e, Block)]
        clamps = np.concatenate(volts)
        current = channel_of(
            "current_a", "A", bench.full_scale("current_a"), bench.front_end("current_a"),
            bench.converter, 1, 2,
        )  # fmt: skip
        still = np.full(len(clamps), round(-current.zero / current.scale), np.int16)
        self._rows = np.stack([clamps, still])
        self._at = 0

    def take(self, rows: int) -> tuple[NDArray[np.int16], dict[str, Stamps]]:
        """The next rows, (channels, rows) counts."""
        place = np.arange(self._at, self._at + rows) % self._rows.shape[1]
        self._at += rows
        return self._rows[:, place], {}
