"""Current and voltages of the slowest cycles laid upon each other, for the pictures of the circuit.

For pictures only: a run that nobody draws collects nothing of this. Each closed time is laid at its
first touch, each open time at its opening, as they were placed, between samples and with the delays
of the channels taken out. Cycles come in order and one by one into the sums, so nothing depends on
how the trace was cut. Memory is bounded: sums over a fixed number of points, a few single openings.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from breakerbench.edges.cycles import Batch, Held
from breakerbench.trace import Header

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Points of a closed time (over the whole interval), of an open one at most.
CLOSED_POINTS, OPEN_POINTS = 800, 2048
#: What is kept around an opening, s.
BEFORE_S, AFTER_S = 0.4e-3, 8e-3
#: Cycles of one speed that are laid upon each other: the first so many. ENOUGH of them make a slowest
#: speed, and faster ones are passed over from then on.
MOST, ENOUGH = 200, 20
#: Speeds this far apart are kept apart, octaves.
OCTAVE = 0.25
#: Single openings kept: every so many-th, so that they are not all of one lobe.
SINGLES, STRIDE = 3, 5
#: This close to an edge no sample is used, s and samples: it may lie on the edge.
GUARD_S, GUARD = 16e-6, 2
#: The current's zero: its mean in this stretch before the touch, s.
ZERO_S = (0.35e-3, 0.05e-3)
#: More than this between first touch and last re-closing is bounce, samples: such closings blur.
BOUNCED = 0.5
#: A point of the mean that fewer than this share of the cycles reach is not shown.
REACHED = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """One channel over time.

    time_s   (k,) from the touch or the opening
    mean     (k,) in the unit of the channel
    std      (k,) standard deviation of the samples, their noise in it
    singles  (time_s, values) of the samples of a few cycles
    """

    time_s: Floats
    mean: Floats
    std: Floats
    singles: tuple[tuple[Floats, Floats], ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class SlowCycles:
    """The slowest cycles of a run.

    closed      channels from the first touch to the opening, by name; ``current_a`` is without its zero
    opening     points_v about the opening, up to the next touch; None without that channel
    closings, openings  how many were laid upon each other
    interval_s, closed_s  mean time from opening to opening, and closed
    rails_v     lowest and highest points_v that the converter can show, None where not known
    """

    closed: Mapping[str, Trace]
    opening: Trace | None
    closings: int
    openings: int
    interval_s: float
    closed_s: float
    rails_v: tuple[float, float] | None


@dataclass(slots=True)
class _Sums:
    """Of each point: number, sum and sum of squares of what came there."""

    n: Floats
    total: Floats
    square: Floats

    @classmethod
    def of(cls, points: int) -> _Sums:
        return cls(np.zeros(points), np.zeros(points), np.zeros(points))


@dataclass(slots=True)
class _Speed:
    closed: dict[str, _Sums]
    opening: _Sums
    closings: int = 0
    openings: int = 0
    interval: float = 0.0
    length: float = 0.0
    singles: list[tuple[Floats, Floats]] = field(default_factory=list)


class CycleTraces:
    """Takes the cycles of one trace; ``slowest`` gives what is to be drawn."""

    def __init__(self, header: Header) -> None:
        self._rate = header.sample_rate_hz
        self._channels = {c.name: c for c in header.channels}
        self._names = tuple(
            name
            for name in ("current_a", "points_v", "contact_v", "supply_v")
            if name in self._channels
        )
        self._guard = max(GUARD, math.ceil(GUARD_S * self._rate))
        before, after = math.ceil(BEFORE_S * self._rate), math.ceil(AFTER_S * self._rate)
        self._step = math.ceil((before + after) / OPEN_POINTS)
        #: Points about the opening, in samples from it.
        self._grid: Ints = self._step * np.arange(-(before // self._step), after // self._step + 1)
        self._speeds: dict[int, _Speed] = {}
        self._slowest = -(1 << 30)  # key of the slowest speed with ENOUGH cycles

    def add(self, batch: Batch) -> None:
        for k in np.flatnonzero(batch.seen & np.isfinite(batch.interval)).tolist():
            interval = float(batch.interval[k])
            if interval <= 0.0:
                continue
            key = math.floor(math.log2(interval) / OCTAVE)
            if key < self._slowest:
                continue
            speed = self._speeds.get(key)
            if speed is None:
                speed = self._speeds[key] = self._new_speed()
            self._closing(batch, k, key, speed)
            self._opening(batch, k, speed)
            if speed.closings >= ENOUGH and key > self._slowest:
                self._slowest = key
                self._speeds = {each: s for each, s in self._speeds.items() if each >= key}

    def slowest(self) -> SlowCycles | None:
        """The slowest speed with ENOUGH closings, else the one with most; None without any."""
        found = {key: s for key, s in self._speeds.items() if s.closings}
        if not found:
            return None
        key = self._slowest
        if key not in found:
            key = max(found, key=lambda each: (found[each].closings, each))
        speed, width_s = found[key], self._width(key) / self._rate
        opening = None
        if speed.openings:
            about_s = np.asarray(self._grid / self._rate, np.float64)
            opening = _trace(about_s, speed.opening, tuple(speed.singles))
        points = self._channels.get("points_v")
        rails = None
        if points is not None and points.rail_counts is not None:
            low, high = sorted(points.zero + points.scale * each for each in points.rail_counts)
            rails = (low, high)
        middle_s = np.asarray((np.arange(CLOSED_POINTS) + 0.5) * width_s, np.float64)
        return SlowCycles(
            {name: _trace(middle_s, sums, ()) for name, sums in speed.closed.items()},
            opening,
            speed.closings,
            speed.openings,
            speed.interval / speed.closings / self._rate,
            speed.length / speed.closings / self._rate,
            rails,
        )

    # --- work ---

    def _new_speed(self) -> _Speed:
        closed = {name: _Sums.of(CLOSED_POINTS) for name in self._names}
        return _Speed(closed, _Sums.of(len(self._grid)))

    @staticmethod
    def _width(key: int) -> float:
        """Samples of one point of the closed time: the longest interval goes into all of them."""
        return max(math.exp2((key + 1) * OCTAVE) / CLOSED_POINTS, 1.0)

    def _closing(self, batch: Batch, k: int, key: int, speed: _Speed) -> None:
        touch, opened = float(batch.touch_at[k]), float(batch.open_at[k])
        bounced = float(batch.settled_at[k]) - touch > BOUNCED
        if bounced or speed.closings >= MOST:
            return
        width, parts = self._width(key), []
        for name in self._names:
            shift = batch.held.shift(name)
            first = math.ceil(touch + shift)
            end = math.floor(opened + shift) - self._guard
            values = _values(batch.held, name, first, end)
            if not 0 < len(values) == end - first:
                return
            if name == "current_a":
                values = values - self._zero(batch.held, touch + shift)
            place = np.floor((first + np.arange(len(values)) - touch - shift) / width)
            parts.append((name, place.astype(np.int64), values))
        for name, at, values in parts:
            sums = speed.closed[name]
            sums.n += np.bincount(at, None, CLOSED_POINTS)[:CLOSED_POINTS]
            sums.total += np.bincount(at, values, CLOSED_POINTS)[:CLOSED_POINTS]
            sums.square += np.bincount(at, values**2, CLOSED_POINTS)[:CLOSED_POINTS]
        speed.closings += 1
        speed.interval += float(batch.interval[k])
        speed.length += opened - touch

    def _zero(self, held: Held, at: float) -> float:
        """What the current shows before the touch; 0 where that is not held."""
        first, end = (math.floor(at - s * self._rate) for s in ZERO_S)
        values = _values(held, "current_a", first, end)
        return float(values.mean()) if 0 < len(values) == end - first else 0.0

    def _opening(self, batch: Batch, k: int, speed: _Speed) -> None:
        opened, until = float(batch.open_at[k]), float(batch.next_at[k]) - self._guard
        if "points_v" not in self._channels or not until > opened or speed.openings >= MOST:
            return
        first = math.floor(opened) + int(self._grid[0])
        end = min(math.floor(opened) + int(self._grid[-1]) + 1, math.floor(until))
        values = _values(batch.held, "points_v", first, end)
        if len(values) < end - first or len(values) < 2:
            return
        share = opened - math.floor(opened)
        at = self._grid - self._grid[0]
        at = at[at < len(values) - 1]
        points = values[at] + share * (values[at + 1] - values[at])
        sums, there = speed.opening, slice(0, len(at))
        sums.n[there] += 1.0
        sums.total[there] += points
        sums.square[there] += points**2
        if speed.openings % STRIDE == 0 and len(speed.singles) < SINGLES:
            time_s = np.asarray((first + np.arange(len(values)) - opened) / self._rate, np.float64)
            speed.singles.append((time_s[:: self._step], values[:: self._step]))
        speed.openings += 1


def _values(held: Held, name: str, first: int, end: int) -> Floats:
    c = held.channels[name]
    values: Floats = c.zero + c.scale * held.counts(name, first, end).astype(np.float64)
    return values


def _trace(time_s: Floats, sums: _Sums, singles: tuple[tuple[Floats, Floats], ...]) -> Trace:
    """Mean and spread of the points that most cycles reach."""
    # Over wide points several samples of a cycle come to one.
    usual = float(np.median(sums.n[sums.n > 0])) if (sums.n > 0).any() else 1.0
    reached = sums.n >= REACHED * usual
    n, total, square = sums.n[reached], sums.total[reached], sums.square[reached]
    mean = total / n
    variance = np.maximum(square / n - mean**2, 0.0) * n / np.maximum(n - 1.0, 1.0)
    return Trace(time_s[reached], mean, np.sqrt(variance), singles)
