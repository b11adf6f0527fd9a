"""The spark as the primary shows it: how long it burns, at what level, and where there was none."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from breakerbench.edges.cycles import Batch
from breakerbench.measure.ring import Rings, Rise, ring_of, rise_of
from breakerbench.measure.spark_end import End, find_end, line_ends
from breakerbench.measure.spark_fit import grid_of
from breakerbench.measure.spark_free import short_count, verdicts
from breakerbench.measure.spark_learn import Learned, learn, level_at_rest
from breakerbench.measure.spark_openings import (
    BEFORE_TOUCH,
    LEAST_OPEN_S,
    LOOK_S,
    Evenly,
    Kept,
    Rest,
    Verdicts,
    Window,
    averaged,
    rest_of,
    stride_of,
)
from breakerbench.measure.spark_pickup import Pulses
from breakerbench.trace import Header

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

LN2 = float(np.log(2.0))
#: Openings kept at one speed, and in all; width of a speed in octaves of the interval.
KEPT, MOST_KEPT, OCTAVE = 256, 1024, 0.125
#: Openings that the modes are learned from; tried again with so many times as many.
LEARN, AGAIN, TRIES = 48, 4, 3
#: Modes fit where more than this share of the openings, every third looked at, leave less than that of
#: their squares; else they are learned from the openings of one lobe alone, of so many.
WELL, TRY_EVERY, LEFT, OTHER_LOBES, LEAST_PART = 0.4, 3, 0.02, (4, 6, 8), 6
#: Ends that are fitted: so many, shared out by how many openings a speed has, but of each speed as many
#: as this at least; what is kept of a speed is not thinned below twice that.
FITTED, LEAST_FITTED = 224, 8
ROWS = 1024
#: The feed's terminal at the end of the open time: samples, and how far it may be off.
FEED_SAMPLES, FEED_SHARE, FEED_V = 8, 1.15, 0.5

#: The last part of an open time, and what it stands above the feed by where a spark still burns, V.
LAST_SHARE, HIGH_V = 0.1, 2.0

RESTLESS = (
    "the points close before the spark and the ring after it are over at these speeds: measure at "
    "lower ones"
)
NO_RING = (
    "the open points show no ring of coil and condenser that could be told from noise: a narrower "
    "range of the points voltage, or faster sampling, may show it"
)
NO_OPENING = "no opening lasts long enough to look into"


@dataclass(frozen=True, slots=True)
class Ended:
    """One spark: number of its opening, interval since the one before, how many it stands for.

    end  None where it burns to the next closing, or shows no end
    burns_on  the points still stand above the feed as they close
    lasts     its line never comes down before they close
    """

    number: int
    interval_s: float
    weight: float
    end: End | None
    burns_on: bool
    lasts: bool


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """What there is to say of the sparks of a trace.

    ends       of the sparks that were fitted, in order
    sparks     numbers of the openings with a spark; misses: of those without
    untold     how many could not be told
    burning    of the openings tried those that still burned at the next closing
    tried      openings whose end was sought
    learned    modes; None where no ring was found to learn them from (``why``)
    """

    ends: tuple[Ended, ...]
    sparks: Ints
    misses: Ints
    untold: int
    burning: int
    tried: int
    learned: Learned | None
    rest: Rest | None
    rate_hz: float
    ring: Rings | str
    rise: Rise | str
    why: str


class Spark:
    """Takes the openings of one trace; ``found`` tells of their sparks."""

    def __init__(self, header: Header) -> None:
        row = header.position("points_v")
        self._channel = None if row is None else header.channels[row]
        self._stride = stride_of(header.sample_rate_hz)
        self._rate = header.sample_rate_hz / self._stride
        delay_s = 0.0 if self._channel is None else self._channel.delay_s
        self._lag = delay_s * self._rate
        self._tau = delay_s / LN2 * 1e3
        self._speeds: dict[int, Evenly] = {}
        self._waiting: list[Kept] = []  # until the modes are known
        self._tries = 0
        self._rest: Rest | None = None
        self._learned: Learned | None = None
        self._verdicts = Verdicts()
        self._looked = 0
        self._last = -1  # number of the last one judged
        self.pulses = Pulses(header)
        #: Why no modes are known; empty where they are.
        self.why = NO_OPENING

    # --- input ---

    def add(self, batch: Batch) -> None:
        self.pulses.add(batch)
        if self._channel is None or not batch.coil:
            return
        for start in range(0, len(batch), ROWS):
            self._add(batch, slice(start, start + ROWS))

    def _add(self, batch: Batch, part: slice) -> None:
        open_at, next_at = batch.open_at[part], batch.next_at[part]
        number, interval = batch.number[part], batch.interval[part]
        first = np.ceil(open_at).astype(np.int64)
        least = LEAST_OPEN_S * self._rate * self._stride
        long = np.isfinite(next_at) & (next_at - open_at > least)
        rows = np.flatnonzero(long)
        if not len(rows):
            return
        self._looked += len(rows)
        count = np.floor(next_at[rows] - BEFORE_TOUCH).astype(np.int64) - first[rows]
        self._keep(batch, first[rows], count, number[rows], interval[rows], open_at[rows])
        if self._learned is not None:  # else they wait
            self._judge_batch(batch, first[rows], count, number[rows], open_at[rows])

    def _keep(
        self,
        batch: Batch,
        first: Ints,
        count: Ints,
        number: Ints,
        interval: Floats,
        open_at: Floats,
    ) -> None:
        """Windows of some at each speed, and of those that the modes are learned from."""
        with np.errstate(divide="ignore", invalid="ignore"):
            speed = np.floor(np.log2(interval) / OCTAVE)
        for k in range(len(first)):
            known = bool(np.isfinite(speed[k]))
            held = self._speeds.setdefault(int(speed[k]), Evenly()) if known else None
            wanted = held is not None and held.wants()
            learning = self._learned is None and self._tries < TRIES
            if not wanted and not learning:
                continue
            kept = self._cut(batch, first[k], count[k], number[k], interval[k], open_at[k])
            if held is not None and wanted:
                held.kept.append(kept)
                self._thin(held)
            if learning:
                self._waiting.append(kept)
                if len(self._waiting) >= LEARN * AGAIN**self._tries:
                    self._learn()

    def _thin(self, held: Evenly) -> None:
        """Keep no more than there is room for: of one speed, and in all."""
        if len(held.kept) > KEPT:
            held.thin()
        if sum(len(each.kept) for each in self._speeds.values()) > MOST_KEPT:
            # Those of which each stands for the fewest, so that all come to stand for as many.
            many = [each for each in self._speeds.values() if len(each.kept) > 4 * LEAST_FITTED]
            if many:
                min(many, key=lambda each: each.every).thin()
            else:
                max(self._speeds.values(), key=lambda each: len(each.kept)).thin()

    def _cut(
        self, batch: Batch, first: np.int64, count: np.int64, number: np.int64,
        interval: np.float64, open_at: np.float64,
    ) -> Kept:  # fmt: skip
        most = int(LOOK_S * self._rate) * self._stride
        n = min(int(count), most) // self._stride * self._stride
        volts = batch.held.window("points_v", np.array([first]), n)
        middle = 0.5 * (self._stride - 1)
        return Kept(
            number=int(number),
            interval=float(interval),
            volts=averaged(volts, self._stride)[0].astype(np.float32),
            feed=self._feed(batch, int(first + count)),
            lead=float(first - open_at + middle) / self._stride + self._lag,
        )

    @staticmethod
    def _feed(batch: Batch, end: int) -> float:
        """The coil's feed terminal at the end of the open time, V; NaN without the channel."""
        if "supply_v" not in batch.held:
            return np.nan
        first = np.array([end - FEED_SAMPLES + round(batch.held.shift("supply_v"))])
        return float(np.median(batch.held.window("supply_v", first, FEED_SAMPLES)))

    # --- learning ---

    def _learn(self) -> None:
        """From those that wait; all of them are judged as soon as the modes are known."""
        assert self._channel is not None
        self._tries += 1
        some = self._waiting[:: max(len(self._waiting) // LEARN, 1)][:LEARN]
        rest = self._at_rest(some)
        if rest is not None:
            windows = [(k.number, rest.window(k)) for k in some]
            self._rest, self._learned = rest, self._modes(windows, rest.noise)
            self.why = NO_RING
        if self._learned is not None:
            self.why = ""
            for kept in self._waiting:
                self._judge(kept)
        if self._learned is not None or self._tries == TRIES:
            self._waiting = []

    def _modes(self, windows: list[tuple[int, Window]], noise: float) -> Learned | None:
        """Modes from all openings; where these do not fit, from every fourth, sixth or eighth one.

        A tower that leaks or hardly fires spoils what all show together; the others are then told by
        openings that leave its lobe out.
        """
        best = learn([w for _, w in windows], noise, self._rate, self._tau)
        share = self._fitting(best, windows)
        for every in OTHER_LOBES:
            for lobe in (0, 1):
                if share > WELL:
                    return best
                part = [each for each in windows if each[0] % every == lobe]
                if len(part) < LEAST_PART:
                    continue
                other = learn([w for _, w in part], noise, self._rate, self._tau)
                fits = self._fitting(other, windows)
                if fits > share:
                    best, share = other, fits
        return best

    def _fitting(self, learned: Learned | None, windows: list[tuple[int, Window]]) -> float:
        """Share of the openings whose end fits these modes."""
        if learned is None or learned.shape is None:
            return 0.0
        grid = grid_of(learned.shape, self._rate)
        ends = [find_end(learned, grid, w) for _, w in windows[::TRY_EVERY]]
        return sum(e is not None and e.left < LEFT for e in ends) / max(len(ends), 1)

    def _at_rest(self, some: list[Kept]) -> Rest | None:
        """What the open points come to rest at; None, with the reason in ``why``, where they do not."""
        assert self._channel is not None
        rest = rest_of(some, self._channel)
        self.why = RESTLESS
        if rest is None:
            return None
        if not rest.quiet:
            above = level_at_rest([rest.window(k) for k in some], self._rate)
            if above is None:
                return None
            rest = replace(rest, volts=rest.volts + rest.sign * above)
        feed = [k.feed for k in some if np.isfinite(k.feed)]
        high = abs(float(np.median(feed))) * FEED_SHARE + FEED_V if feed else np.inf
        # At rest the open points stand at the feed; a burn line stands higher.
        return None if abs(rest.volts) > high else rest

    def _judge(self, kept: Kept) -> None:
        assert self._rest is not None
        w = self._rest.window(kept)
        count = short_count(self._rate)
        volts, good = np.zeros((1, count)), np.zeros((1, count), bool)
        n = min(count, len(w))
        volts[0, :n], good[0, :n] = w.volts[:n], w.good[:n]
        self._put(np.array([kept.number]), volts, good, np.array([kept.lead]))

    def _judge_batch(
        self, batch: Batch, first: Ints, count: Ints, number: Ints, open_at: Floats
    ) -> None:
        new = number > self._last
        first, count, number, open_at = first[new], count[new], number[new], open_at[new]
        if not len(number):
            return
        assert self._rest is not None
        length = short_count(self._rate)
        volts = averaged(batch.held.window("points_v", first, length * self._stride), self._stride)
        low, high = self._rest.rails
        good = (volts > low) & (volts < high)
        good &= np.arange(length) < (count // self._stride)[:, None]
        volts = self._rest.sign * (volts - self._rest.volts)
        lead = (first - open_at + 0.5 * (self._stride - 1)) / self._stride + self._lag
        self._put(number, np.where(good, volts, 0.0), good, lead)

    def _put(self, number: Ints, volts: Floats, good: NDArray[np.bool_], lead: Floats) -> None:
        assert self._learned is not None
        assert self._rest is not None
        closed = -abs(self._rest.volts)
        free, noise = self._learned.free, self._learned.noise
        told = verdicts(free, noise, volts, good, lead, closed, self._rate)
        self._verdicts.put(number, told)
        self._last = int(number[-1])

    # --- what was found ---

    def found(self) -> Found:
        if self._learned is None and self._waiting and self._channel is not None:
            self._learn()
        ends: list[Ended] = []
        tried = burning = 0
        ring: Rings | str = self.why
        rise: Rise | str = self.why
        if self._learned is not None and self._rest is not None:
            chosen = self._chosen()
            sparks = set(self._verdicts.numbers(Verdicts.SPARK).tolist())
            shape = self._learned.shape
            grid = None if shape is None else grid_of(shape, self._rate)
            for kept, weight in chosen:
                if grid is None or kept.number not in sparks:
                    continue
                tried += 1
                window = self._rest.window(kept)
                end = find_end(self._learned, grid, window)
                burns_on = _stands_high(window, self._learned.noise)
                interval_s = kept.interval / (self._rate * self._stride)
                lasts = end is None and not line_ends(self._learned, window, self._rate)
                ends.append(Ended(kept.number, interval_s, weight, end, burns_on, lasts))
            burning = sum(each.lasts for each in ends)
            windows = [(k.number, self._rest.window(k)) for k, _ in chosen]
            begins = {e.number: e.end.samples for e in ends if e.end is not None}
            ring = ring_of(self._learned, windows, begins, self._rate)
            rise = rise_of([w for _, w in windows], self._rate, self._tau)
        miss = self._verdicts.numbers(Verdicts.MISS)
        spark = self._verdicts.numbers(Verdicts.SPARK)
        return Found(
            ends=tuple(ends), sparks=spark, misses=miss,
            untold=self._looked - len(miss) - len(spark), burning=burning, tried=tried,
            learned=self._learned, rest=self._rest, rate_hz=self._rate, ring=ring, rise=rise,
            why=self.why,
        )  # fmt: skip

    def _chosen(self) -> list[tuple[Kept, float]]:
        """Openings to fit, in order; and how many each stands for."""
        seen = sum(held.seen for held in self._speeds.values())
        found = []
        for held in self._speeds.values():
            some = held.some(max(FITTED * held.seen // seen, LEAST_FITTED))
            found += [(kept, held.seen / len(some)) for kept in some]
        return sorted(found, key=lambda each: each[0].number)


def _stands_high(w: Window, noise: float) -> bool:
    """True where the end of the open time lies on a burn line and not about the feed."""
    last = w.volts[w.good][-max(int(LAST_SHARE * len(w)), 6) :]
    return len(last) > 0 and float(last.mean()) > max(HIGH_V, 4.0 * noise)
