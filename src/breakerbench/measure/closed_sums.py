"""Sums over the closed times of a run, centred in each cycle; slopes and their scatter from them."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from breakerbench.measure.closings import Closed

Floats = NDArray[np.float64]
Rows = slice | NDArray[np.intp]

#: Parts that a run is divided into to see how the figures scatter.
PARTS = 20


@dataclass(frozen=True, slots=True)
class Figure:
    """A value with its expanded uncertainty; NaN both where it could not be told, and why."""

    value: float = math.nan
    u: float = math.nan
    why: str = ""

    def __bool__(self) -> bool:
        return math.isfinite(self.value)


@dataclass(frozen=True, slots=True)
class Sums:
    """Products of all columns over the closed times, centred in each cycle: (n, m, m), n cycles.

    samples  (n,) of each cycle
    means    (n, m) of the columns
    """

    names: tuple[str, ...]
    centred: Floats
    samples: Floats
    means: Floats
    noise: Floats

    def value(self, name: str) -> int:
        """Place of the column of this channel's samples."""
        return 2 + self.names.index(name)

    def integral(self, name: str) -> int:
        return 2 + len(self.names) + self.names.index(name)

    @property
    def squares(self) -> int:
        return int(self.centred.shape[1]) - 1


def sums_of(closed: Closed, zero: Floats, factor: Floats) -> Sums:
    """The sums with every channel less its ``zero``, (n, 1 + v), and times its ``factor``, (1 + v,)."""
    v = len(closed.names)
    turn = np.tile(np.eye(3 + 2 * v), (len(closed), 1, 1))
    for k in range(v):
        off = -factor[k] * zero[:, k]
        turn[:, 2 + k, 0], turn[:, 2 + k, 2 + k] = off, factor[k]
        turn[:, 2 + v + k, 1], turn[:, 2 + v + k, 2 + v + k] = off, factor[k]
    # (i - z) squared
    turn[:, -1, -1] = factor[0] ** 2
    turn[:, -1, 2] = -2.0 * zero[:, 0] * factor[0] ** 2
    turn[:, -1, 0] = (factor[0] * zero[:, 0]) ** 2
    gram = turn @ closed.gram @ turn.transpose(0, 2, 1)
    samples = gram[:, 0, 0]
    means = gram[:, 0, :] / samples[:, None]
    centred = gram - samples[:, None, None] * means[:, :, None] * means[:, None, :]
    return Sums(closed.names, centred, samples, means, closed.noise * factor**2)


def slope_over_current(sums: Sums, rows: Rows, name: str) -> float:
    """Volts an ampere of one channel. The noise of the current is taken off its own square."""
    total = sums.centred[rows].sum(axis=0)
    i = sums.value("current_a")
    noise = float(((sums.samples[rows] - 1.0) * sums.noise[rows, 0]).sum())
    square = total[i, i] - noise
    return float(total[sums.value(name), i] / square) if square > noise else math.nan


def scattered(figure: Callable[[Rows], float], n: int) -> tuple[float, float, float]:
    """A figure of all n cycles, its standard uncertainty by leaving parts out, and the freedom of that.

    The delete-a-group jackknife (Quenouille, Tukey; any textbook on resampling): parts lie in a row,
    so that what drifts within the run widens it.
    """
    whole = figure(slice(None))
    parts = min(PARTS, n)
    if parts < 2:
        return whole, math.nan, 1.0
    bounds = np.linspace(0, n, parts + 1).astype(int)
    each = np.array(
        [
            figure(np.concatenate([np.arange(a), np.arange(b, n)]))
            for a, b in pairwise(bounds.tolist())
        ]
    )
    u = math.sqrt((parts - 1) / parts * float(((each - each.mean()) ** 2).sum()))
    return whole, u, parts - 1.0
