"""What is kept of each opening for the spark's figures, and what becomes of it.

Windows of the first openings at each speed are kept for the fine fit; of every other one only the
verdict: spark, miss, or not told. Everything is decided per opening, in order, so that it does not
depend on how the openings came in batches.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from breakerbench.trace import Channel

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

#: What is looked at of an opening, s; samples of it at most (faster traces are averaged to that).
LOOK_S, MOST_SAMPLES = 12e-3, 4096
#: An opening is looked into when it stays open for so long, s.
LEAST_OPEN_S = 0.4e-3
#: Samples before the next first touch that belong to it.
BEFORE_TOUCH = 2
#: The last part of the open time is at rest where it scatters no more than its noise does, times.
TAIL, LEAST_TAIL, QUIET, LEAST_QUIET = 0.125, 20, 1.5, 3
#: A clipped reading comes again and again: this often, and in every so many-th opening. (Readings at
#: the end of the scale that are not clipped may be taken for it; they are few, and left out.)
CLIPPED_AGAIN = 4


@dataclass(frozen=True, slots=True, eq=False)
class Window:
    """Samples of one opening, from the first one after it on, up to the next closing.

    volts  (n,) points less the level at rest, sign taken off, V
    good   (n,) neither clipped nor missing
    lead   from the opening (its front-end delay taken off) to the first sample, samples
    closed what the closed points stand at on this scale, V
    """

    volts: Floats
    good: Bools
    lead: float
    closed: float

    def __len__(self) -> int:
        return len(self.volts)


@dataclass(frozen=True, slots=True, eq=False)
class Kept:
    """One opening with its samples.

    number    of the opening; interval: since the one before, samples of the channel
    volts     (n,) as read, from the first sample after the opening to the next first touch, V
    lead      from the opening (its front-end delay taken off) to the first of them, in samples of
              ``volts``
    feed      the coil's feed terminal before the next first touch, V; NaN where it is not sampled
    """

    number: int
    interval: float
    volts: NDArray[np.float32]
    lead: float
    feed: float


@dataclass(slots=True)
class Evenly:
    """Openings of one speed, evenly over the trace: every one, every second, every fourth ...

    seen   openings so far; every: how many of these one stands for
    """

    kept: list[Kept] = field(default_factory=list)
    seen: int = 0
    every: int = 1

    def wants(self) -> bool:
        """Whether the next one is to be kept; it counts as seen."""
        self.seen += 1
        return (self.seen - 1) % self.every == 0

    def thin(self) -> None:
        self.kept = self.kept[::2]
        self.every *= 2

    def some(self, most: int) -> list[Kept]:
        return self.kept[:: max(-(-len(self.kept) // most), 1)]


@dataclass(frozen=True, slots=True)
class Rest:
    """What the openings stand at when nothing rings any more.

    volts  as read, with its sign; noise: standard deviation of one sample, V
    rails  lowest and highest reading that is not clipped
    quiet  the openings come to rest; else ``volts`` is only about right
    """

    volts: float
    noise: float
    rails: tuple[float, float]
    quiet: bool

    @property
    def sign(self) -> float:
        return 1.0 if self.volts >= 0.0 else -1.0

    def window(self, kept: Kept) -> Window:
        volts = kept.volts.astype(np.float64)
        low, high = self.rails
        good = (volts > low) & (volts < high)
        return Window(self.sign * (volts - self.volts), good, kept.lead, -abs(self.volts))


def stride_of(rate_hz: float) -> int:
    """Samples that are averaged into one."""
    return max(int(np.ceil(LOOK_S * rate_hz / MOST_SAMPLES)), 1)


def rest_of(kept: list[Kept], channel: Channel) -> Rest | None:
    """None where no opening is long enough."""
    tails = [k.volts[-max(int(TAIL * len(k.volts)), LEAST_TAIL) :].astype(float) for k in kept]
    tails = [t for t in tails if len(t) >= LEAST_TAIL]
    if not tails:
        return None
    # Third differences: what still rings goes out of them, of white noise 20 times its variance stays.
    noise = float(np.median([np.std(np.diff(t, 3)) for t in tails])) / np.sqrt(20.0)
    level = np.array([np.median(t) for t in tails])
    quiet = np.array([t.std() <= QUIET * noise for t in tails])
    enough = int(quiet.sum()) >= max(LEAST_QUIET, len(tails) // 10)
    # A tail that still rings or burns stands above the feed rather than below it.
    sign = 1.0 if np.median(level) >= 0.0 else -1.0
    guess = sign * float(np.quantile(np.abs(level), 0.25))
    volts = float(np.median(level[quiet])) if enough else guess
    noise = max(noise, 1e-9 * (1.0 + abs(volts)))
    return Rest(volts, noise, _rails(kept, channel), enough)


def _rails(kept: list[Kept], channel: Channel) -> tuple[float, float]:
    """Readings strictly between these are not clipped; as told, else as the openings show."""
    half = 0.5 * abs(channel.scale)
    if channel.rail_counts is not None:
        ends = sorted(channel.zero + channel.scale * c for c in channel.rail_counts)
        return ends[0] + half, ends[1] - half
    every = np.concatenate([k.volts for k in kept])
    low, high = float(every.min()), float(every.max())
    # Counts of an import may be finer than one; a reading that comes again is the same to a hair.
    half = min(half, 1e-3 * max(high - low, 1e-9))
    again = CLIPPED_AGAIN + len(kept) // CLIPPED_AGAIN
    return (
        low + half if int((every <= low + half).sum()) >= again else -np.inf,
        high - half if int((every >= high - half).sum()) >= again else np.inf,
    )


def averaged(volts: Floats, stride: int) -> Floats:
    """(n, count // stride) means of ``stride`` samples each."""
    if stride == 1:
        return volts
    count = volts.shape[1] // stride * stride
    means: Floats = volts[:, :count].reshape(len(volts), -1, stride).mean(axis=2)
    return means


class Verdicts:
    """One byte an opening: what it was. Numbers count from 0 over the whole trace."""

    UNTOLD, SPARK, MISS = 0, 1, 2

    def __init__(self) -> None:
        self._bytes = np.zeros(1024, np.uint8)

    def put(self, number: Ints, verdict: NDArray[np.uint8]) -> None:
        if not len(number):
            return
        most = int(number[-1]) + 1
        if most > len(self._bytes):
            grown = np.zeros(max(most, 2 * len(self._bytes)), np.uint8)
            grown[: len(self._bytes)] = self._bytes
            self._bytes = grown
        self._bytes[number] = verdict

    def numbers(self, verdict: int) -> Ints:
        return np.flatnonzero(self._bytes == verdict).astype(np.int64)
