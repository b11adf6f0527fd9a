"""The voltage of the points around first touches and openings, averaged over many of them.

For pictures only: an ``EdgeRun`` that is given an ``Averages`` shows it its working blocks and its
placed contacts; one that is not does nothing of this. Each event is laid upon the others at its
placed edge, between samples, so that the mean is finer than the sampling. Working blocks and rounds
of work lie fixed on the sample clock: nothing here depends on how the input was split. Memory is
bounded: the last ``KEEP`` samples, and sums for each speed.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import ceil
from typing import Any

import numpy as np
from numpy.typing import NDArray

from breakerbench.trace import Header

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

#: What is kept around each edge, s.
BEFORE_S, AFTER_S = 0.4e-3, 2.0e-3
#: Points of the mean a sample; one where samples are this many already.
FINE, MANY_SAMPLES = 4, 1024
#: Samples kept for contacts that are not certain yet; what waits for longer is not averaged.
KEEP = 1 << 23
#: Events averaged at one speed: the first so many. A speed is shown from ENOUGH of them on.
MOST, ENOUGH = 500, 100
#: Speeds this far apart (octaves) are averaged apart; the speed is that of the last so many openings.
OCTAVE, OPENINGS = 0.25, 12
#: Single events kept: every so many-th, so that they are not all of one revolution.
SINGLES, STRIDE = 5, 17
BATCH = 64


@dataclass(frozen=True, slots=True, eq=False)
class Shape:
    """Voltage around one kind of edge.

    time_s    (k,) time from the placed edge
    mean_v    (k,) mean over the events, straight between the samples of each
    std_v     (k,) standard deviation of the events (n - 1); 0 of one event
    n         events
    singles   (time_s, volts) of the samples of a few events
    least_v, most_v  lowest and highest sample of all events
    """

    time_s: Floats
    mean_v: Floats
    std_v: Floats
    n: int
    singles: tuple[tuple[Floats, Floats], ...]
    least_v: float
    most_v: float


@dataclass(frozen=True, slots=True, eq=False)
class Averaged:
    """Touches and openings at one speed.

    interval_s  mean time from an opening to the next
    closed_s    mean time closed, nan where no touch was seen
    rails_v     lowest and highest voltage that the converter can show, None where not known
    """

    touch: Shape | None
    opening: Shape | None
    interval_s: float
    closed_s: float
    rails_v: tuple[float, float] | None


@dataclass(slots=True)
class _Sums:
    total: Floats
    square: Floats
    n: int = 0
    least: float = np.inf
    most: float = -np.inf
    singles: list[tuple[Floats, Floats]] = field(default_factory=list)


@dataclass(slots=True)
class _Speed:
    """Sums of one speed: n, their intervals; closed times and how many of these were known."""

    touch: _Sums
    opening: _Sums
    intervals: Floats = field(default_factory=lambda: np.zeros(2))
    closed: Floats = field(default_factory=lambda: np.zeros(2))


class Averages:
    """Collects the events of one trace; ``averaged`` gives what is to be drawn."""

    def __init__(self, header: Header) -> None:
        row = header.points_row
        self._channel = None if row is None else header.channels[row]
        self._rate = header.sample_rate_hz
        self._before, self._after = (ceil(s * self._rate) + 2 for s in (BEFORE_S, AFTER_S))
        fine = FINE if self._before + self._after < MANY_SAMPLES else 1
        span = np.arange(-fine * (self._before - 1), fine * (self._after - 1) + 1)
        self._grid = span / fine
        self._held: list[NDArray[Any]] = []
        self._first = 0  # number of the first sample held
        self._opened = np.empty(0)
        self._speeds: dict[int, _Speed] = {}

    # --- input ---

    def samples(self, first: int, x: NDArray[np.int16] | NDArray[np.float32]) -> None:
        """The next working block; it is copied."""
        if not self._held:
            self._first = first
        self._held.append(x.copy())
        while len(self._held) > 1 and sum(len(each) for each in self._held) > KEEP:
            self._first += len(self._held.pop(0))

    def contacts(self, touch_at: Floats, open_at: Floats, seen: Bools) -> None:
        """Contacts in order, n of them: edges in samples; ``seen``: the first touch was seen."""
        if not len(open_at) or not self._held or self._channel is None:
            return
        opened = np.concatenate([self._opened, open_at])
        known = len(self._opened)
        self._opened = opened[-OPENINGS:]
        number = np.arange(known, len(opened))
        back = np.minimum(number, OPENINGS)
        with np.errstate(divide="ignore", invalid="ignore"):
            interval = (opened[number] - opened[number - back]) / back
            speed = np.floor(np.log2(interval) / OCTAVE)
        self._held = [self._held[0] if len(self._held) == 1 else np.concatenate(self._held)]
        fit = np.isfinite(speed)
        for key in np.unique(speed[fit]).tolist():
            rows = np.flatnonzero(fit & (speed == key))
            held = self._speeds.setdefault(int(key), self._new_speed())
            _add(held.intervals, interval[rows])
            touched = rows[seen[rows]]
            _add(held.closed, (open_at - touch_at)[touched])
            self._gather(held.opening, open_at[rows])
            self._gather(held.touch, touch_at[touched])
        self._forget(int(open_at[-1]) - self._before)

    def cut(self) -> None:
        """A hole: no event reaches across it."""
        self._held = []
        self._opened = np.empty(0)

    # --- what was found ---

    def averaged(self) -> Averaged | None:
        """The fastest speed with ENOUGH openings, else the one with most; None without any."""
        found = [(s.opening.n, -key) for key, s in self._speeds.items() if s.opening.n]
        if not found:
            return None
        enough = [each for each in found if each[0] >= ENOUGH]
        _, key = max(enough, key=lambda each: each[1]) if enough else max(found)
        speed = self._speeds[-key]
        channel = self._channel
        assert channel is not None
        rails = channel.rail_counts
        volts = rails and sorted(channel.zero + channel.scale * each for each in rails)
        known = speed.closed[0] > 0
        return Averaged(
            touch=self._shape(speed.touch),
            opening=self._shape(speed.opening),
            interval_s=float(speed.intervals[1] / speed.intervals[0]) / self._rate,
            closed_s=float(speed.closed[1] / speed.closed[0]) / self._rate if known else np.nan,
            rails_v=(volts[0], volts[1]) if volts else None,
        )

    def _shape(self, s: _Sums) -> Shape | None:
        if not s.n:
            return None
        mean = s.total / s.n
        variance = np.maximum(s.square / s.n - mean**2, 0.0) * s.n / max(s.n - 1, 1)
        time_s = self._grid / self._rate
        singles = tuple(s.singles)
        return Shape(time_s, mean, np.sqrt(variance), s.n, singles, s.least, s.most)

    # --- work ---

    def _new_speed(self) -> _Speed:
        none = [np.zeros(len(self._grid)) for _ in range(4)]
        return _Speed(_Sums(none[0], none[1]), _Sums(none[2], none[3]))

    def _forget(self, upto: int) -> None:
        """No later contact reaches back before ``upto``."""
        drop = min(max(upto - self._first, 0), len(self._held[0]))
        self._held[0] = self._held[0][drop:]
        self._first += drop

    def _gather(self, sums: _Sums, at: Floats) -> None:
        """Add the events whose samples are all held, until there are MOST."""
        base = np.floor(at).astype(np.int64) - self._first
        whole = (base >= self._before) & (base + self._after + 1 < len(self._held[0]))
        base, part = base[whole], (at - np.floor(at))[whole]
        base, part = base[: MOST - sums.n], part[: MOST - sums.n]
        around = np.arange(-self._before, self._after + 2)
        channel = self._channel
        assert channel is not None
        for start in range(0, len(base), BATCH):
            rows = slice(start, start + BATCH)
            counts = self._held[0][base[rows, None] + around].astype(np.float64)
            volts = channel.zero + channel.scale * counts
            place = part[rows, None] + self._grid + self._before
            left = place.astype(np.int64)
            share = place - left
            row = np.arange(len(volts))[:, None]
            value = volts[row, left] * (1.0 - share) + volts[row, left + 1] * share
            # One row after the other, so that sums do not depend on how many come at once.
            sums.total = np.add.reduce(np.vstack([sums.total, value]))
            sums.square = np.add.reduce(np.vstack([sums.square, value**2]))
            sums.least = min(sums.least, float(volts.min()))
            sums.most = max(sums.most, float(volts.max()))
            for k in range(len(volts)):
                if (sums.n + k) % STRIDE == 0 and len(sums.singles) < SINGLES:
                    time_s = (around - part[start + k]) / self._rate
                    sums.singles.append((time_s, volts[k]))
            sums.n += len(volts)


def _add(sums: Floats, values: Floats) -> None:
    """Count and sum, one value after the other."""
    np.add.at(sums, np.zeros(len(values), np.int64), 1.0)
    np.add.at(sums, np.ones(len(values), np.int64), values)
