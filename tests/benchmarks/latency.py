"""How soon a recording shows its figures, how far they lag behind, how true they are, what that costs.

    python tests/benchmarks/latency.py             speeds, lobes, feeds and references
    python tests/benchmarks/latency.py --random 40 random distributors of every kind, bouncing ones too
    python tests/benchmarks/latency.py --pictured  what a window draws beside, 30 times a second

In simulated time: blocks as a board sends them, asked for a reading as often as the line on the
terminal is drawn. What is printed for each run:

    rpm s, dwell s  when the first speed and the first dwell were there, s
    late ms         how long an opening took to be on the screen, ms, in 95 % of the readings and at most
                    (goal 100): until the line is drawn, what the reading takes, and how old an opening
                    is that had come and was not in it
    rpm, dwell off  speed against that of the way of the result, %; dwell against what it tells of the
                    same contacts, deg: median, 95 %, most
    without         readings without a dwell
    core, both      share of one core of the readings, and of the measuring as a whole (goal 25 for all
                    of ``record``, which reads the wire and writes besides: ``live.py``)
"""

# ruff: noqa: E402  # the number of threads must be set before numpy is imported

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ[_name] = "1"  # one core, whatever the machine has

import argparse
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import product
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

import numpy as np

from breakerbench.bench.cam import cam_for
from breakerbench.bench.drive import Drive
from breakerbench.bench.electric_faults import on_a_coil
from breakerbench.bench.model import Bench
from breakerbench.bench.random_bench import (
    random_arm_bench,
    random_bench,
    random_ignition_bench,
    random_sweep,
)
from breakerbench.bench.sensors import Encoder, Index
from breakerbench.bench.shaft import Shaft
from breakerbench.bench.simulated import simulate
from breakerbench.cli.record_line import SHOW_S
from breakerbench.edges.events import Openings, join_openings
from breakerbench.edges.run import EdgeRun
from breakerbench.pipeline import Analyzer
from breakerbench.result.live import Live
from breakerbench.trace import Block, EdgeTimes, Event, Source

#: Samples of all channels together in a block of the board.
BLOCK_SAMPLES = 640


def as_sent(source: Source) -> Iterator[Event]:
    """The events of a trace in blocks as a board sends them, each after the edges up to its end."""
    waiting: dict[str, EdgeTimes] = {}
    rows = BLOCK_SAMPLES // len(source.header.channels)
    for event in source:
        if isinstance(event, EdgeTimes):
            held = waiting.get(event.name)
            time_s, rising = event.time_s, event.rising
            if held is not None:
                time_s = np.concatenate([held.time_s, time_s])
                rising = np.concatenate([held.rising, rising])
            waiting[event.name] = EdgeTimes(event.name, time_s, rising)
        elif isinstance(event, Block):
            for k in range(0, len(event), rows):
                block = Block(event.first + k, tuple(x[k : k + rows] for x in event.samples))
                end_s = (block.first + len(block)) / source.header.sample_rate_hz
                for name, held in waiting.items():
                    n = int(np.searchsorted(held.time_s, end_s))
                    if n:
                        yield EdgeTimes(name, held.time_s[:n], held.rising[:n])
                        waiting[name] = EdgeTimes(name, held.time_s[n:], held.rising[n:])
                yield block
        else:
            yield event


@dataclass(slots=True)
class Seen:
    """What one run showed: (when, s of the trace; what; what it took, s), and the time of all of it."""

    shown: list[tuple[float, Live, float]] = field(default_factory=list)
    readings_s: float = 0.0
    whole_s: float = 0.0
    seconds: float = 0.0
    openings: Openings | None = None


def watched(source: Source, show_s: float = SHOW_S, pictured: bool = False) -> Seen:
    """A run as it would be recorded, and the openings that the way of the result places in it.

    show_s    how often it is asked; pictured: also for all that a window draws
    """
    rate_hz = source.header.sample_rate_hz
    seen, drawn = Seen(), 0.0
    measuring = Analyzer(source.header, watched=True, pictured=pictured)
    alone, found = EdgeRun(source.header, None), []
    for event in as_sent(source):
        begun = time.process_time()
        measuring.feed(event)
        seen.whole_s += time.process_time() - begun
        if isinstance(event, EdgeTimes):
            alone.edge_times(event)
        elif isinstance(event, Block):
            found += alone.block(event)
            seen.seconds = (event.first + len(event)) / rate_hz
            if seen.seconds - drawn >= show_s:
                drawn, begun = seen.seconds, time.process_time()
                live = measuring.live()
                if pictured:
                    measuring.live_pictures()
                took = time.process_time() - begun
                seen.readings_s += took
                seen.shown.append((seen.seconds, live, took))
    found += alone.finish()
    seen.openings = join_openings(found) if found else None
    seen.whole_s += seen.readings_s
    return seen


def row(name: str, seen: Seen, lobes: int) -> str:
    """One line of the table; ``HEAD`` says what stands where."""
    o = seen.openings
    assert o is not None
    speed = [s for s, live, _ in seen.shown if live.rpm is not None or live.openings_a_minute]
    dwell = [s for s, live, _ in seen.shown if live.dwell_percent is not None]
    late, rpm, deg, without = [], [], [], 0
    for at, live, took in seen.shown:
        if live.opened_s is None:
            continue
        without += live.dwell_percent is None
        newest = int(np.searchsorted(o.time_s, at)) - 1
        k = int(np.argmin(np.abs(o.time_s - live.opened_s)))
        # What had come by then and was not shown is older by now than the line is.
        unseen = at - float(o.time_s[k + 1]) if k < newest else 0.0
        late.append(1e3 * (unseen + SHOW_S + took))
        if k < lobes:
            continue
        turned = float(o.open_deg[k] - o.open_deg[k - lobes])
        true = turned / float(o.time_s[k] - o.time_s[k - lobes]) / 6.0
        if live.rpm is not None and np.isfinite(true):
            rpm.append(100.0 * abs(live.rpm / true - 1.0))
        last = slice(k - lobes + 1, k + 1)
        if live.dwell_deg is not None and o.valid[last].all():
            deg.append(abs(live.dwell_deg - float((o.open_deg - o.touch_deg)[last].mean())))

    def spread(values: list[float]) -> str:
        if not values:
            return f"{'-':>20}"
        return "".join(
            f"{x:7.3f}" for x in (np.median(values), np.quantile(values, 0.95), max(values))
        )

    return (
        f"  {name:34}{min(speed, default=np.nan):7.2f}{min(dwell, default=np.nan):7.2f}"
        f"{np.quantile(late or [np.nan], 0.95):6.0f}{max(late, default=np.nan):6.0f}"
        f"  {spread(rpm):>21}  {spread(deg):>21}"
        f"{without:6d}/{len(seen.shown):<4d}{100 * seen.readings_s / seen.seconds:7.1f}"
        f"{100 * seen.whole_s / seen.seconds:7.1f}"
    )


HEAD = (
    f"  {'run':34}{'rpm s':>7}{'dwell s':>8}{'late ms':>11}  {'rpm off, %':>21}  {'dwell off, deg':>21}"
    f"{'without':>9}{'core %':>9}{'both %':>7}"
)


def plain(rpm: float, lobes: int, feed: str, reference: str, seconds: float) -> Bench:
    """A plain distributor at one speed."""
    bench = Bench(
        cam=cam_for(lobes, 0.58 * 360.0 / lobes, 0.5, first_opening_deg=31.0),
        shaft=Shaft(scatter_deg=0.09),
        drive=Drive(((0.0, rpm), (seconds, rpm))),
        index=None if reference == "neither" else Index(),
        encoder=Encoder() if reference == "encoder" else None,
    )
    return on_a_coil(bench) if feed == "coil" else bench


def pictured_costs(seconds: float) -> None:
    """Prints what a tick of a window takes, ms, mean and 95 %, with and without its pictures."""
    for (rpm, lobes), feed in product(((300.0, 4), (2500.0, 4), (3000.0, 8)), ("dry", "coil")):
        bench, took = plain(rpm, lobes, feed, "encoder", seconds), []
        for pictured in (False, True):
            shown = watched(simulate(bench, 1), 1.0 / 30.0, pictured).shown
            ms = [1e3 * each for at, _, each in shown if at > 1.0]
            took.append((float(np.mean(ms)), float(np.quantile(ms, 0.95))))
        ticks = "; ".join(f"{mean:.2f}, {late:.2f}" for mean, late in took)
        more = took[1][0] - took[0][0]
        print(
            f"  {rpm:g} rpm, {lobes} lobes, {feed}: live {ticks} pictured; {more:+.2f} ms",
            flush=True,
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--seconds", type=float, default=14.0, help="of each run (%(default)s)")
    parser.add_argument("--random", type=int, default=0, metavar="N", help="so many of each kind")
    parser.add_argument("--pictured", action="store_true", help="with the pictures, 30 a second")
    asked = parser.parse_args()
    if asked.pictured:
        pictured_costs(asked.seconds)
        return
    print(HEAD)
    if asked.random:
        makers = (random_bench, random_arm_bench, random_ignition_bench, random_sweep)
        for make, seed in product(makers, range(asked.random)):
            bench = make(seed)
            kind = f"{make.__name__} {seed}, {bench.cam.lobes} lobes"
            print(row(kind, watched(simulate(bench, seed)), bench.cam.lobes), flush=True)
        return
    for rpm, lobes, feed, reference in product(
        (100.0, 600.0, 3000.0), (4, 8), ("dry", "coil"), ("index", "encoder", "neither")
    ):
        bench = plain(rpm, lobes, feed, reference, asked.seconds)
        name = f"{rpm:g} rpm, {lobes} lobes, {feed}, {reference}"
        print(row(name, watched(simulate(bench, 1)), lobes), flush=True)


if __name__ == "__main__":
    main()
