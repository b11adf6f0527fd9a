"""The voltage across a condenser as it is kept, and where in it the voltage rises and falls.

How fast the condenser charges is not known beforehand: five samples or seconds. So the trace is kept
as it is, up to ``KEEP`` samples; of a longer one neighbours are joined in pairs, and again, so that
memory stays bounded. Pairs are counted from the beginning of a stretch without holes: nothing here
depends on how the trace was cut into blocks.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from breakerbench.trace import Channel

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Values kept; 33 s at 250,000 samples a second before any are joined.
KEEP = 1 << 23
#: Values worked on in one go, and those of them that tell the noise.
PIECE, NOISE_OF = 1 << 16, 1 << 11
#: Values averaged for the highest and lowest level of a trace.
LEVEL = 4
#: Shares of the highest level: below the first the condenser is empty, above the second it is charged.
LOW, HIGH = 0.25, 0.5
#: A trace that goes this far to either side has both polarities.
BOTH_SIGNS = 0.2
#: Highest values on end that are too many for chance, and bends, in steps of a value, that are noise.
LEVEL_RUN, STEPS_OF_NOISE = 8, 2.5
#: Groups of these many samples tell the level of a channel beside the condenser.
GROUP = 4096


class Kept:
    """The samples of one channel, by stretches without holes."""

    def __init__(self, channel: Channel, keep: int = KEEP) -> None:
        self._channel = channel
        self._keep = keep
        self.size = 1  # samples in a value
        self._stretches: list[tuple[int, list[NDArray[Any]]]] = []
        self._rest: NDArray[Any] = np.empty(0, np.float32)  # too few for a value yet
        self._next: int | None = None
        self._many = 0

    def feed(self, first: int, x: NDArray[Any]) -> None:
        """The next samples of the channel; they are copied."""
        if not len(x):
            return
        if self._next != first:
            self._stretches.append((first, []))
            self._rest = x[:0]
        self._next = first + len(x)
        self._add(x)
        while self._many > self._keep:
            self._halve()

    def cut(self) -> None:
        """A hole: what comes begins a stretch of its own."""
        self._next = None

    def finish(self) -> list[tuple[int, NDArray[Any]]]:
        """(number of the first sample, values) of each stretch; values as ``volts`` takes them."""
        return [
            (first, np.concatenate(parts)) for first, parts in self._stretches if parts
        ]  # fmt: skip

    def _add(self, x: NDArray[Any]) -> None:
        if self.size == 1:
            values = x.copy()
        else:
            x = np.concatenate([self._rest, self._marked(x)])
            whole = len(x) // self.size * self.size
            values, self._rest = x[:whole], x[whole:]
            for _ in range(self.size.bit_length() - 1):
                values = _pairs(values)
        if len(values):
            self._stretches[-1][1].append(values)
            self._many += len(values)

    def _marked(self, x: NDArray[Any]) -> NDArray[np.float32]:
        """As float32; what lies at an end of the range is infinite, and so is every mean of it."""
        values = x.astype(np.float32)
        if self._channel.rail_counts is not None:
            low, high = self._channel.rail_counts
            values[x <= low] = -np.inf
            values[x >= high] = np.inf
        return values

    def _halve(self) -> None:
        """Join neighbours in pairs."""
        before, many = self.size, 0
        self.size *= 2
        for place, (first, parts) in enumerate(self._stretches):
            if not parts:
                continue
            values = np.concatenate(parts)
            values = self._marked(values) if before == 1 else values
            whole = len(values) // 2 * 2
            if place == len(self._stretches) - 1:
                odd = values[whole:]
                # One value of the size before stands for as many samples: their mean is its own.
                rest = self._marked(self._rest) if before == 1 else self._rest
                self._rest = np.concatenate([np.repeat(odd, before), rest])
            joined = _pairs(values[:whole])
            self._stretches[place] = (first, [joined] if len(joined) else [])
            many += len(joined)
        self._many = many


def _pairs(x: NDArray[Any]) -> NDArray[np.float32]:
    with np.errstate(invalid="ignore"):  # from one end of the range to the other
        mean = np.asarray((x[0::2] + x[1::2]) * np.float32(0.5), np.float32)
    mean[np.isnan(mean)] = np.inf
    return mean


@dataclass(frozen=True, slots=True, eq=False)
class Stretch:
    """Values without a hole between them, turned so that a charged condenser is positive.

    start_s  time of the first value, s;  step_s  from one to the next
    """

    start_s: float
    step_s: float
    _values: NDArray[Any]
    _channel: Channel
    _sign: float

    def __len__(self) -> int:
        return len(self._values)

    def volts(self, begin: int, end: int) -> Floats:
        """Values begin..end, V; infinite where one is at an end of the converter's range."""
        raw = self._values[max(begin, 0) : max(end, 0)]
        x = raw.astype(np.float64)
        rails = self._channel.rail_counts
        if raw.dtype != np.float32 and rails is not None:
            x[raw <= rails[0]] = -np.inf
            x[raw >= rails[1]] = np.inf
        return self._sign * (self._channel.zero + self._channel.scale * x)

    def means(self, begin: int, end: int, wide: int) -> tuple[Floats, Floats]:
        """Middle (in values) and mean of spans of ``wide`` values within begin..end."""
        count = max((end - begin) // wide, 0)
        raw = self._values[begin : begin + count * wide].reshape(count, wide)
        with np.errstate(invalid="ignore"):  # from one end of the range to the other: no number
            x = raw.mean(axis=1, dtype=np.float64)
        rails = self._channel.rail_counts
        if raw.dtype != np.float32 and rails is not None:
            x[raw.min(axis=1, initial=np.iinfo(np.int16).max) <= rails[0]] = -np.inf
            x[raw.max(axis=1, initial=np.iinfo(np.int16).min) >= rails[1]] = np.inf
        volts: Floats = self._sign * (self._channel.zero + self._channel.scale * x)
        return begin + wide * np.arange(count, dtype=np.float64) + 0.5 * (wide - 1), volts

    def beyond(self, volts: float, above: bool) -> tuple[Ints, Ints]:
        """First and last value of each run above (below) a voltage."""
        raw = (self._sign * volts - self._channel.zero) / self._channel.scale
        turned = self._sign * self._channel.scale < 0.0
        side = self._values > raw if above != turned else self._values < raw
        ends = np.flatnonzero(side[1:] != side[:-1])
        first = np.concatenate([[0] if len(side) and side[0] else [], ends[side[ends + 1]] + 1])
        last = np.concatenate([ends[side[ends]], [len(side) - 1] if len(side) and side[-1] else []])
        return first.astype(np.int64), last.astype(np.int64)


@dataclass(frozen=True, slots=True, eq=False)
class Levels:
    """Of the whole trace, V, turned: highest and lowest level, and the noise of one value.

    both_signs  the voltage goes far to either side of 0
    cut_off     its top is flat where it should be noisy
    """

    top: float
    bottom: float
    noise: float
    sign: float
    both_signs: bool
    cut_off: bool = False


def stretches_of(kept: Kept, channel: Channel, rate_hz: float) -> tuple[list[Stretch], Levels]:
    """What was kept, turned, and its levels. No stretches: levels of 0."""
    step = kept.size / rate_hz
    delay = channel.offset_s - channel.delay_s + 0.5 * (kept.size - 1) / rate_hz
    plain = [
        Stretch(first / rate_hz + delay, step, values, channel, 1.0)
        for first, values in kept.finish()
    ]
    rails = channel.rail_counts or (-np.inf, np.inf)
    low, high = sorted(channel.zero + channel.scale * each for each in rails)
    most, least, noises = -np.inf, np.inf, []
    for stretch in plain:
        for begin in range(0, len(stretch), PIECE):
            end = min(begin + PIECE, len(stretch))
            wide = LEVEL if end - begin >= LEVEL else 1
            means = np.clip(stretch.means(begin, end, wide)[1], low, high)
            most, least = max(most, float(means.max())), min(least, float(means.min()))
            x = np.clip(stretch.volts(begin, min(begin + NOISE_OF, end)), low, high)
            if len(x) > 1:  # the same whatever the slope, as long as it is gentle
                noises.append(float(np.median(np.abs(np.diff(x)))) / (0.6745 * np.sqrt(2.0)))
    if not plain:
        return [], Levels(0.0, 0.0, 0.0, 1.0, False)
    sign = -1.0 if -least > most else 1.0
    top, bottom = (most, least) if sign > 0.0 else (-least, -most)
    both = bottom < -BOTH_SIGNS * top
    turned = [Stretch(s.start_s, s.step_s, s._values, channel, sign) for s in plain]
    # What the converter's steps hide of a very quiet trace is left out: this is for thresholds.
    noise = float(np.median(noises)) if noises else 0.0
    noise = max(noise, 0.3 * abs(channel.scale) * bool(channel.rail_counts))
    cut_off = channel.rail_counts is None and _cut_off(turned)
    return turned, Levels(top, bottom, noise, sign, both, cut_off)


def _cut_off(stretches: list[Stretch]) -> bool:
    """Does the highest value come many times on end, in a trace that is too noisy for that?

    Too noisy: most bends that there are have more than a few of its steps. For imports, where nobody
    tells the ends of the range.
    """
    pieces = [s.volts(begin, begin + PIECE) for s in stretches for begin in range(0, len(s), PIECE)]
    most = max(float(x.max()) for x in pieces)
    for x in pieces:
        at_top = np.flatnonzero(x == most)
        if len(at_top) < LEVEL_RUN or not np.any(
            at_top[LEVEL_RUN - 1 :] - at_top[: 1 - LEVEL_RUN] == LEVEL_RUN - 1
        ):
            continue
        bends = np.abs(np.diff(x, 2))
        steps = np.abs(np.diff(x))
        bends, steps = bends[bends > 0.0], steps[steps > 0.0]
        if len(bends) and float(np.median(bends)) > STEPS_OF_NOISE * float(steps.min()):
            return True
    return False


@dataclass(frozen=True, slots=True)
class Run:
    """From one time that the condenser is charged to the next, in values of its stretch.

    risen      (last value that is low, first that is high); None: the stretch begins high
    fallen     (last that is high, first that is low); None: the stretch ends first
    before     where the condenser was last high before, else the beginning of the stretch
    end        where it rises next, else the end of the stretch
    """

    stretch: int
    risen: tuple[int, int] | None
    fallen: tuple[int, int] | None
    before: int
    end: int


def runs_of(stretches: list[Stretch], levels: Levels) -> list[Run]:
    """Every time that the voltage comes above HIGH of the top, having been below LOW of it."""
    found = []
    for place, stretch in enumerate(stretches):
        last, first, high = _turns(stretch, LOW * levels.top, HIGH * levels.top)
        for k in np.flatnonzero(high).tolist():
            risen = (int(last[k]), int(first[k])) if k > 0 else None
            after = k + 1 < len(high)
            fallen = (int(last[k + 1]), int(first[k + 1])) if after else None
            end = int(last[k + 2]) if k + 2 < len(high) else len(stretch)
            before = int(first[k - 1]) if k > 0 else 0
            found.append(Run(place, risen, fallen, before, end))
    return found


def _turns(stretch: Stretch, low: float, high: float) -> tuple[Ints, Ints, NDArray[np.bool_]]:
    """Of each state: last value of the one before it, its first value, and whether it is high.

    The first state has no value before it: its first stands for that too.
    """
    above, below = stretch.beyond(high, True), stretch.beyond(low, False)
    state = np.repeat([True, False], [len(above[0]), len(below[0])])
    first, last = (np.concatenate(pair) for pair in zip(above, below, strict=True))
    order = np.argsort(first, kind="stable")
    state, first, last = state[order], first[order], last[order]
    if not len(state):
        return first, last, state
    turn = np.flatnonzero(state[1:] != state[:-1])
    last = np.concatenate([first[:1], last[turn]])
    return last, np.concatenate([first[:1], first[turn + 1]]), np.append(state[0], state[turn + 1])


class BesideLevel:
    """How high a channel beside the condenser stands while it stands high: its sums by groups."""

    def __init__(self, channel: Channel) -> None:
        self._channel = channel
        self._first: int | None = None
        self._count, self._total = 0, 0.0
        self._means: list[float] = []

    def feed(self, first: int, x: NDArray[Any]) -> None:
        while len(x):
            group = first // GROUP
            if self._first != group:
                self._close()
                self._first = group
            room = (group + 1) * GROUP - first
            # int64 or exact float64 sums, one sample after the other where they are not exact
            part = x[:room]
            if part.dtype == np.int16:
                self._total += float(part.sum(dtype=np.int64))
            else:
                self._total = float(np.add.accumulate(np.append(self._total, part))[-1])
            self._count += len(part)
            first, x = first + len(part), x[room:]

    def _close(self) -> None:
        if self._count:
            mean = self._total / self._count
            self._means.append(self._channel.zero + self._channel.scale * mean)
        self._count, self._total = 0, 0.0

    def level(self) -> float | None:
        """Middle of the groups at four fifths of the largest magnitude or more; None without any."""
        self._close()
        self._first = None
        size = np.abs(self._means)
        if not len(size):
            return None
        return float(np.median(size[size >= 0.8 * size.max()]))
