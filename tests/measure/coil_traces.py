"""Traces of a textbook's coil behind points, in closed form: no bench, no circuit simulator.

Closed: i = E / R (1 - exp(-t R / L)), the loop's R; feed and points by Ohm's law. Open: a damped ring
about E, over before the points touch again. Channels as an import has them, in volts and amperes.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from breakerbench.trace import Block, Channel, EdgeChannel, EdgeTimes, Event, Header

Floats = NDArray[np.float64]
UNITS = {"points_v": "V", "current_a": "A", "supply_v": "V", "contact_v": "V"}


@dataclass(frozen=True)
class Coil:
    """One circuit and run; saturates: L falls by that share per ampere."""

    volts: float = 12.0
    coil_ohm: float = 4.0
    feed_ohm: float = 0.0
    henry: float = 6e-3
    contact_ohm: float = 0.0
    film_v: float = 0.0
    saturates_per_a: float = 0.0
    closed_s: float = 20e-3
    open_s: float = 12e-3
    cycles: int = 80
    rate_hz: float = 100e3
    noise: tuple[float, ...] = (5e-3, 5e-3, 5e-3, 5e-4)
    lobes: int = 4
    channels: tuple[str, ...] = ("points_v", "current_a", "supply_v")
    seed: int = 1

    @property
    def loop_ohm(self) -> float:
        return self.coil_ohm + self.feed_ohm + self.contact_ohm


def signals(c: Coil) -> dict[str, Floats]:
    """Samples of every channel without noise, in their units."""
    n = int(c.cycles * (c.closed_s + c.open_s) * c.rate_hz)
    t = np.arange(n) / c.rate_hz
    within = np.mod(t, c.open_s + c.closed_s)
    closed = within >= c.open_s
    drive = c.volts - c.film_v
    since = within - c.open_s
    if c.saturates_per_a:
        grid = np.linspace(0.0, c.closed_s, 4001)
        solved = solve_ivp(
            lambda _, i: (drive - c.loop_ohm * i) / (c.henry * (1.0 - c.saturates_per_a * i)),
            (0.0, c.closed_s), [0.0], t_eval=grid, rtol=1e-9, atol=1e-11,
        )  # fmt: skip
        current = np.where(closed, np.interp(since, grid, solved.y[0]), 0.0)
    else:
        flows = drive / c.loop_ohm * -np.expm1(-np.maximum(since, 0.0) * c.loop_ohm / c.henry)
        current = np.where(closed, flows, 0.0)
    ring = 30.0 * np.exp(-within / 0.4e-3) * np.sin(2 * np.pi * 5e3 * within)
    points = np.where(closed, c.contact_ohm * current + c.film_v, c.volts + ring)
    return {
        "points_v": points,
        "current_a": current,
        "supply_v": c.volts - c.feed_ohm * current,
        "contact_v": np.clip(points, -2.5, 2.5),
    }


class CoilSource:
    """A Source of such a trace, with an index; ``change`` alters the finished samples."""

    def __init__(
        self,
        c: Coil,
        told: dict[str, float] | None = None,
        change: object = None,
        blocks: int = 65536,
    ) -> None:
        self.c, self._blocks = c, blocks
        chance = np.random.default_rng(c.seed)
        clean = signals(c)
        self.samples = {
            name: clean[name] + noise * chance.standard_normal(len(clean[name]))
            for name, noise in zip(UNITS, c.noise, strict=True)
            if name in c.channels
        }
        if callable(change):
            change(self.samples)
        self.header = replace(
            Header(
                c.rate_hz,
                tuple(Channel(name, UNITS[name], u_gain=0.0) for name in self.samples),
                (EdgeChannel("index"),),
                simulated=True,
                origin="a textbook's coil, in closed form",
            ),
            **(told or {}),
        )

    def __iter__(self) -> Iterator[Event]:
        n = len(self.samples["points_v"])
        turn_s = self.c.lobes * (self.c.open_s + self.c.closed_s)
        begin = np.arange(0.4 * turn_s, n / self.c.rate_hz, turn_s)
        at = np.sort(np.concatenate([begin, begin + 0.02 * turn_s]))
        yield EdgeTimes("index", at, np.arange(len(at)) % 2 == 0)
        for first in range(0, n, self._blocks):
            end = first + self._blocks
            yield Block(
                first, tuple(x[first:end].astype(np.float32) for x in self.samples.values())
            )

    def progress(self) -> tuple[float, float]:
        return 0.0, 0.0

    def close(self) -> None:
        return
