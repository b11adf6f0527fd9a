"""What the closed contact and the settled open one tell of each cycle, as sums.

Of every cycle the current and the voltages just before the opening are kept (of long runs of every
second, fourth ... one); of a bounded number at each speed the products of all columns over the closed
time, from which every straight-line and coil fit is made afterwards, whatever the zeros of the channels
turn out to be. The columns are, for current i and voltages v,

    1, t, i, v ..., S i, S v ..., m * m        S: integral from the beginning of the stretch, trapezoids

m is the current smoothed, so that the noise of i does not stand in both.

Sums of the converter's counts are integers (int64), so they are exact. Nothing depends on how the
cycles came in batches.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from breakerbench.edges.cycles import Batch, Held
from breakerbench.trace import Header

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Voltages that may be there, in the order of the columns.
VOLTAGES = ("points_v", "contact_v", "supply_v")
CURRENT = "current_a"

#: The closed time is looked at from so long after the last re-closing on, s, or this share of it: the
#: secondary rings on the coil's leakage as the current begins.
AFTER_TOUCH_S, AFTER_TOUCH_SHARE, LEAST_AFTER_S = 0.5e-3, 0.2, 60e-6
#: And up to so long before the opening, s; at least so many samples.
BEFORE_OPENING_S, BEFORE_OPENING = 16e-6, 2
#: The last of it, that tells current and drop at the opening, s, and samples.
LAST_S, LEAST_LAST = 0.2e-3, 6
#: The end of the open time in which all has settled: a share of it, at most so long, s.
SETTLED_SHARE, SETTLED_S = 0.2, 2e-3
#: Just after the opening, when the spike is over and a spark burns, s.
EARLY_S = (0.3e-3, 0.6e-3)
#: Shorter ones than this tell nothing, samples.
LEAST_CLOSED, LEAST_SETTLED = 12, 8
#: Samples of closed time that are summed up at each speed, and how wide a speed is, octaves.
#: A dry feed has no coil to find.
MOST_SAMPLES, FEW_SAMPLES, OCTAVE = 400_000, 50_000, 0.125
#: The current is cut off where it stands at one value for so many samples at the end, having risen
#: before, in as long a time, by so many of its least steps and this share of it.
LEAST_PLATEAU, PLATEAU_STEPS, PLATEAU_SHARE = 16, 4.0, 0.02
#: Openings of which the current and the drop are kept.
MOST_OPENINGS = 1 << 15


@dataclass(frozen=True, slots=True, eq=False)
class Closed:
    """Cycles looked into, n of them, with m columns (see the module).

    number, interval_s  (n,) of the opening; seconds since the opening before
    gram      (n, m, m) products of the columns
    noise     (n, v + 1) variance of one sample of current and voltages, by their differences
    settled   (n, 1 + v) mean of current and voltages in the settled end of the open time, NaN without
    settled_s (n,) how long that was
    rough     (n,) standard deviation of points_v there, its noise taken off
    early     (n,) mean of points_v while a spark burns, EARLY_S after the opening; NaN without
    early_rough  (n,) its standard deviation there
    clipped   (n, 1 + v) samples at the converter's ends, of current and voltages
    lead_s    (n,) from the first touch to the first sample summed up; NaN where the contact bounced
    """

    names: tuple[str, ...]
    number: Ints
    interval_s: Floats
    gram: Floats
    noise: Floats
    settled: Floats
    settled_s: Floats
    rough: Floats
    early: Floats
    early_rough: Floats
    clipped: Floats
    lead_s: Floats

    def __len__(self) -> int:
        return len(self.number)


@dataclass(frozen=True, slots=True, eq=False)
class AtOpening:
    """Current and voltages at the opening, (n, 1 + v), on the lines through the last samples before.

    slope: the same per second, of the current only, (n,)
    """

    number: Ints
    interval_s: Floats
    values: Floats
    slope: Floats
    samples: int


class Closings:
    """Takes the cycles of one trace."""

    def __init__(self, header: Header) -> None:
        there = {c.name for c in header.channels}
        #: Current (NaN where there is no such channel) and the voltages that are there.
        self.names = (CURRENT, *(name for name in VOLTAGES if name in there))
        self.has_current = CURRENT in there
        self._rate = header.sample_rate_hz
        self._last = max(LEAST_LAST, math.ceil(LAST_S * self._rate))
        self._guard = max(BEFORE_OPENING, math.ceil(BEFORE_OPENING_S * self._rate))
        self._spent: dict[int, int] = {}
        self._cycles: list[tuple[int, float, Floats, Floats, Floats, Floats, Floats, float]] = []
        self._openings: list[tuple[Ints, Floats, Floats, Floats]] = []
        self._kept, self._stride = 0, 1

    # --- input ---

    def add(self, batch: Batch) -> None:
        self._at_openings(batch)
        key = np.floor(np.log2(np.where(batch.interval > 0, batch.interval, np.nan)) / OCTAVE)
        for k in np.flatnonzero(batch.seen).tolist():
            # The first of a stretch has no interval; it is looked into where no other is.
            speed = int(key[k]) if math.isfinite(key[k]) else -1
            if self._spent.get(speed, 0) < (MOST_SAMPLES if batch.coil else FEW_SAMPLES):
                self._look_into(batch, k, speed)

    def _at_openings(self, batch: Batch) -> None:
        # Only where all of the last samples lie within the closed time.
        solid = batch.seen & (batch.open_at - batch.settled_at > self._last + 2 * self._guard)
        rows = np.flatnonzero(solid & (batch.number % self._stride == 0))
        if not len(rows):
            return
        found = np.full((len(rows), len(self.names)), np.nan)
        slope = np.full(len(rows), np.nan)
        span = np.arange(self._last) - 0.5 * (self._last - 1)
        for place, name in enumerate(self.names):
            if name not in batch.held:
                continue
            at = batch.open_at[rows] + batch.held.shift(name)
            first = np.floor(at).astype(np.int64) - self._guard - self._last
            window = batch.held.window(name, first, self._last)
            steep = window @ (span / (span @ span))
            ahead = at - first - 0.5 * (self._last - 1)
            found[:, place] = window.mean(axis=1) + steep * ahead
            if name == CURRENT:
                slope = steep * self._rate
        self._openings.append((batch.number[rows], batch.interval[rows] / self._rate, found, slope))
        self._kept += len(rows)
        while self._kept > MOST_OPENINGS:
            self._stride *= 2
            kept = [(each, each[0] % self._stride == 0) for each in self._openings]
            self._openings = [
                (each[0][pick], each[1][pick], each[2][pick], each[3][pick]) for each, pick in kept
            ]
            self._kept = sum(len(each[0]) for each in self._openings)

    def _look_into(self, batch: Batch, k: int, speed: int) -> None:
        rate, held = self._rate, batch.held
        settled, opened = float(batch.settled_at[k]), float(batch.open_at[k])
        wait = max(min(AFTER_TOUCH_S, AFTER_TOUCH_SHARE * (opened - settled) / rate), LEAST_AFTER_S)
        reference = held.shift(CURRENT) if self.has_current else 0.0
        first = math.ceil(settled + reference + wait * rate)
        n = math.floor(opened + reference) - self._guard - first
        if n < LEAST_CLOSED:
            return
        values = np.zeros((len(self.names), n))
        sums = np.zeros((len(self.names), n))
        number = np.arange(n)
        noise, clipped = np.full(len(self.names), np.nan), np.zeros(len(self.names))
        for place, name in enumerate(self.names):
            if name not in held:
                values[place] = np.nan
                continue
            c = held.channels[name]
            late = held.shift(name) - reference
            whole, share = math.floor(late), late - math.floor(late)
            counts = held.counts(name, first + whole, first + whole + n + 1)
            if len(counts) < n + 1:
                return
            x, sum_x, steps = _with_sums(counts, share)
            values[place] = c.zero + c.scale * x
            sums[place] = (c.zero / rate) * number + (c.scale / rate) * sum_x
            noise[place] = c.scale**2 * steps
            if c.rail_counts is not None:
                low, high = c.rail_counts
                clipped[place] = int(((counts <= low) | (counts >= high)).sum())
            elif name == CURRENT:
                clipped[place] = _plateau(counts)
        columns = np.vstack([np.ones(n), number / rate, values, sums, _smooth(sums[0] * rate) ** 2])
        touched = float(batch.touch_at[k])
        bounced = settled - touched > 0.5
        lead_s = math.nan if bounced else (first - touched - reference) / rate
        self._spent[speed] = self._spent.get(speed, 0) + n
        means, end = self._open_time(batch, k)
        self._cycles.append(
            (
                int(batch.number[k]), float(batch.interval[k]) / rate, columns @ columns.T, noise,
                means, np.array(end), clipped, lead_s,
            )
        )  # fmt: skip

    def _open_time(self, batch: Batch, k: int) -> tuple[Floats, tuple[float, float, float, float]]:
        """Means of all channels just before the next touch; how long that is, how rough points_v is
        there, its mean soon after the opening and how rough it is then.
        """
        none = (math.nan, math.nan, math.nan, math.nan)
        means = np.full(len(self.names), np.nan)
        length = batch.next_at[k] - batch.open_at[k]
        if not length > 0:
            return means, none
        n = int(min(SETTLED_SHARE * length, SETTLED_S * self._rate))
        if n < LEAST_SETTLED:
            return means, none
        rough = early = early_rough = math.nan
        for place, name in enumerate(self.names):
            if name not in batch.held:
                continue
            end = math.floor(batch.next_at[k] + batch.held.shift(name)) - self._guard
            x = _in_units(batch.held, name, end - n, end)
            if not len(x):
                continue
            means[place] = x.mean()
            if place == 1:
                # Beside the noise, which the differences tell: what still rings or burns or rises.
                rough = math.sqrt(max(float(np.var(x)) - _noise(x), 0.0))
                begin, stop = (math.floor(batch.open_at[k] + s * self._rate) for s in EARLY_S)
                if stop <= end - n and stop - begin >= 1:
                    x = _in_units(batch.held, name, begin, stop)
                    early, early_rough = float(x.mean()), float(x.std())
        return means, (n / self._rate, rough, early, early_rough)

    # --- what was found ---

    def closed(self) -> Closed:
        v, m = len(self.names), 3 + 2 * len(self.names)
        rows = self._cycles
        ends = np.array([r[5] for r in rows]).reshape(-1, 4)
        return Closed(
            self.names,
            np.array([r[0] for r in rows], np.int64),
            np.array([r[1] for r in rows], float),
            np.array([r[2] for r in rows]).reshape(-1, m, m),
            np.array([r[3] for r in rows]).reshape(-1, v),
            np.array([r[4] for r in rows]).reshape(-1, v),
            ends[:, 0],
            ends[:, 1],
            ends[:, 2],
            ends[:, 3],
            np.array([r[6] for r in rows]).reshape(-1, v),
            np.array([r[7] for r in rows], float),
        )

    def at_opening(self) -> AtOpening:
        parts, v = self._openings, len(self.names)
        if not parts:
            none = np.empty(0)
            return AtOpening(np.empty(0, np.int64), none, np.empty((0, v)), none, self._last)
        numbers, intervals, values, slopes = (
            np.concatenate([part[place] for part in parts]) for place in range(4)
        )
        return AtOpening(numbers, intervals, values, slopes, self._last)


def _in_units(held: Held, name: str, first: int, end: int) -> Floats:
    c = held.channels[name]
    values: Floats = c.zero + c.scale * held.counts(name, first, end).astype(np.float64)
    return values


def _plateau(counts: NDArray[np.generic]) -> int:
    """Samples at the end of a closed time that stand at one value though the current was still rising.

    A current that has come to rest stands still too, but then it was slow before.
    """
    x = np.abs(counts.astype(np.float64))
    top = x.max()
    other = np.flatnonzero(x != top)
    run = len(x) - (int(other[-1]) + 1 if len(other) else 0)
    if run < LEAST_PLATEAU or run >= len(x) - LEAST_PLATEAU:
        return 0
    before = x[max(len(x) - 2 * run, 0) : len(x) - run]
    steps = np.abs(np.diff(x[: len(x) - run]))
    step = float(steps[steps > 0].min(initial=np.inf))
    rise = float(before[-1] - before[: max(len(before) // 4, 1)].mean())
    return run if rise > PLATEAU_STEPS * step and rise > PLATEAU_SHARE * top else 0


def _smooth(sums: Floats) -> Floats:
    """Mean over a sixteenth of the stretch about each sample, less at the ends, from the integral."""
    n = len(sums)
    place = np.arange(n)
    half = np.minimum(np.minimum(place, n - 1 - place), max(n // 32, 1))
    half = np.maximum(half, 1)
    left, right = np.maximum(place - half, 0), np.minimum(place + half, n - 1)
    means: Floats = (sums[right] - sums[left]) / (right - left)
    return means


def _noise(x: Floats) -> float:
    """Variance of one sample by the differences from one to the next."""
    steps, n = np.diff(x), len(x) - 1
    mean = float(x[-1] - x[0]) / n
    return 0.5 * max(float(steps @ steps) / n - mean**2, 0.0)


def _with_sums(counts: NDArray[np.generic], share: float) -> tuple[Floats, Floats, float]:
    """Samples ``share`` of the way to the next one, their integral by trapezoids, in counts, and the
    variance of a sample.
    """
    exact = counts.astype(np.int64 if counts.dtype.kind == "i" else np.float64)
    running = np.cumsum(exact)
    # Sum up to a sample, half of it and of the first left out: the trapezoids.
    sums = (running - 0.5 * exact - 0.5 * exact[0]).astype(np.float64)
    x = exact.astype(np.float64)
    moved = x[:-1] + share * np.diff(x)
    # From the moved beginning on: both ends lie that much further.
    moved_sums = sums[:-1] + share * (0.5 * (x[:-1] + moved)) - share * (0.5 * (x[0] + moved[0]))
    return moved, moved_sums, _noise(x)
