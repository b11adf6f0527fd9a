"""A run of the bench that does not end, as counts and ticks: after its plan the last speed is held.

Held in memory is the plan's run or one round of two seconds, never the whole trace. Each round is
simulated by itself, with chance of its own and the angle going on. It begins a little early, the
mechanics taken through all speeds of the plan at once, so that friction holds the weights where the
plan left them; that lead is thrown away. Left out at the seam of two rounds: what scatters from one
opening to the next may differ there, and the phase of the mains begins anew.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from breakerbench.bench.drive import DEG_PER_S_PER_RPM
from breakerbench.bench.feed import supply_share
from breakerbench.bench.model import Bench
from breakerbench.bench.sensors import TICK_S
from breakerbench.bench.simulated import PAGE, Simulated, simulate
from breakerbench.trace import Block, EdgeTimes

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
#: Edges of one input: ticks from the first row on, True where the line went up.
Stamps = tuple[Ints, Bools]

#: Length of a round, s; in its lead, from one speed of the plan to the next, and then held.
ROUND_S, STEP_S, SETTLE_S = 2.0, 0.02, 0.5


class Endless:
    """Rows and edges of a bench, in order, for ever.

    row_ticks  ticks of the 16 ns clock a row
    """

    def __init__(self, bench: Bench, seed: int, row_ticks: int) -> None:
        self.bench, self.seed, self.row_ticks = bench, seed, row_ticks
        #: The plan's run: the trace up to its end.
        self.plan = simulate(bench, seed, PAGE)
        self.edge_names = tuple(channel.name for channel in self.plan.header.edge_channels)
        self._blocks = self._going_on()
        self._counts: NDArray[np.int16] = np.empty((len(self.plan.header.channels), 0), np.int16)
        self._row = 0  # number of the first row not taken yet
        self._edges: dict[str, list[Stamps]] = {
            channel.name: [] for channel in self.plan.header.edge_channels
        }

    def take(self, rows: int) -> tuple[NDArray[np.int16], dict[str, Stamps]]:
        """The next rows, (channels, rows) counts, and the edges up to their end."""
        while self._counts.shape[1] < rows:
            self._counts = np.concatenate((self._counts, next(self._blocks)), axis=1)
        taken, self._counts = self._counts[:, :rows], self._counts[:, rows:]
        self._row += rows
        end = self._row * self.row_ticks
        return taken, {name: _before(held, end) for name, held in self._edges.items()}

    def _going_on(self) -> Iterator[NDArray[np.int16]]:
        first, run, skip = 0, self.plan, 0
        rate_hz = self.plan.header.sample_rate_hz
        while True:
            made = skip
            for event in run:
                if isinstance(event, EdgeTimes):
                    self._stamp(event, skip, first)
                elif isinstance(event, Block):
                    made = event.first + len(event)
                    counts = np.array(event.samples, np.int16)[:, max(skip - event.first, 0) :]
                    if counts.shape[1]:
                        yield counts
            first += made - skip
            for waiting in self._edges.values():
                # what a run says of the time after its last row is the next one's to say
                waiting[:] = [_before(waiting, first * self.row_ticks)]
            run, skip = self._round(first, first / rate_hz)

    def _stamp(self, edges: EdgeTimes, skip: int, first: int) -> None:
        """Keeps edges from row ``skip`` of a run on, which is row ``first`` of the whole."""
        ticks = np.rint(edges.time_s / TICK_S).astype(np.int64) + (first - skip) * self.row_ticks
        own = ticks >= first * self.row_ticks
        if own.any():
            self._edges[edges.name].append((ticks[own], edges.rising[own]))

    def _round(self, first: int, begin_s: float) -> tuple[Simulated, int]:
        """The round from row ``first``, ``begin_s`` on; how many of its rows are its lead."""
        bench, rate_hz = self.bench, self.plan.header.sample_rate_hz
        drive = bench.drive
        last_rpm = drive.points[-1][1]
        speeds = [last_rpm] if drive.by_hand else [rpm for _, rpm in drive.points]
        lead_rows = round((len(speeds) * STEP_S + SETTLE_S) * rate_hz)
        lead_s = lead_rows / rate_hz
        points = [(k * STEP_S, rpm) for k, rpm in enumerate(speeds)]
        points.append((lead_s + ROUND_S, last_rpm))
        # the angle goes on: of the plan, of what was held since, less that of the lead
        held_s = begin_s - drive.seconds
        start = drive.start_deg + _turned_deg(drive.points, drive.seconds)
        start += DEG_PER_S_PER_RPM * last_rpm * held_s - _turned_deg(tuple(points), lead_s)
        start += 360.0 * max(np.ceil(-start / 360.0), 0.0)
        share = float(supply_share(bench.feed, np.array(drive.seconds)))
        feed = replace(bench.feed, volts=bench.feed.volts * share, drift_share_per_s=0.0)
        ignition = bench.ignition
        if ignition is not None:
            ignition = replace(ignition, volts=ignition.volts * share)
        vacuum = tuple((k * STEP_S, kpa) for k, (_, kpa) in enumerate(bench.vacuum_steps))
        encoder = bench.encoder
        if encoder is not None and encoder.disc_seed is None:
            encoder = replace(encoder, disc_seed=self.seed)
        again = replace(
            bench,
            drive=replace(drive, points=tuple(points), start_deg=float(start)),
            feed=feed,
            ignition=ignition,
            vacuum_steps=vacuum,
            encoder=encoder,
        )
        # no two rounds share their chance, nor does a round that of the plan
        return simulate(again, self.seed + (1 << 32) + first, PAGE), lead_rows


def _turned_deg(points: tuple[tuple[float, float], ...], until_s: float) -> float:
    """Smooth angle turned up to a time, deg."""
    turned = 0.0
    for (begin_s, begin), (end_s, end) in pairwise(points):
        if begin_s >= until_s:
            break
        share = min((until_s - begin_s) / (end_s - begin_s), 1.0)
        mean = begin + 0.5 * share * (end - begin)
        turned += DEG_PER_S_PER_RPM * mean * share * (end_s - begin_s)
    return turned


def _before(waiting: list[Stamps], end: int) -> Stamps:
    """Takes the edges before a tick."""
    ticks: list[Ints] = [np.empty(0, np.int64)]
    rising: list[Bools] = [np.empty(0, bool)]
    while waiting:
        times, up = waiting[0]
        split = int(np.searchsorted(times, end))
        ticks.append(times[:split])
        rising.append(up[:split])
        if split < times.size:
            waiting[0] = times[split:], up[split:]
            break
        waiting.pop(0)
    return np.concatenate(ticks), np.concatenate(rising)
