"""Numbering of encoder pulses: lost ones are counted by the gap they leave, or the gap stays open.

The encoder is the finer of the two references, so a number is carried on from pulse to pulse; the
index only says, once a revolution, which remainder the number must have. Where pulses were lost,
their number comes from the length of the gap if that is beyond doubt, or else from the remainder;
two doubtful gaps in one revolution leave the pulses between them without a number. Where no pulse
is lost and the remainder is wrong nevertheless, the index pulse is wrong and moves nothing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Revolutions from which the unevenness of the encoder's disc is judged.
ENOUGH_TURNS = 64
#: Index pulses from which the encoder's zero is taken.
ZERO_KNOTS = 9
#: Neighbouring spans that differ by more than this factor are looked at closely.
ODD = 1.5
#: A span is a gap beyond, and a pulse too many below, so many pitches of its neighbourhood.
GAP, CLOSE = 1.6, 0.6
#: Spans of the neighbourhood: for the usual pitch, and on each side of a gap for its length.
AROUND, BESIDE = 9, 3
#: Doubt of a gap's length: so many pulses, and this share besides the variation of the speed.
DOUBT_PULSES, DOUBT_SHARE = 0.12, 0.002


@dataclass(slots=True)
class EncoderReport:
    """What was found wrong: gaps mended, revolutions with a stretch left out, index pulses off."""

    mended: int = 0
    refused: int = 0
    index_off: int = 0


@dataclass(frozen=True, slots=True)
class _Stretch:
    """Pulses of one uneven revolution with their numbers, and the number at its end."""

    time_s: Floats
    number: Floats
    end: float


def _smooth(spans: Floats, place: Ints) -> NDArray[np.bool_]:
    """For each stretch between two places: no span differs from the next by more than ODD."""
    # Where the longest is no more than ODD times the shortest, no two can be.
    ends = spans[place[1:]]
    short = np.minimum(np.minimum.reduceat(spans, place)[:-1], ends)
    long = np.maximum(np.maximum.reduceat(spans, place)[:-1], ends)
    smooth = long <= ODD * short
    for k in np.flatnonzero(~smooth).tolist():
        piece = spans[place[k] : place[k + 1] + 1]
        a, b = piece[:-1], piece[1:]
        smooth[k] = not ((b > ODD * a) | (a > ODD * b)).any()
    return np.asarray(smooth)


class PulseNumbers:
    """Numbers the pulses between index pulses, ``pulses`` to a revolution."""

    def __init__(self, pulses: int) -> None:
        self.pulses = pulses
        self.report = EncoderReport()
        #: Remainder of the index, in pulses; only its fraction is meant.
        self.zero: float | None = None
        #: Number of a raw pulse less its place in the array, as carried on so far.
        self._offset: float | None = None

    def cut(self) -> None:
        self._offset = None

    def number(
        self, e: Floats, knot_s: Floats, turn: Floats, first: bool, final: bool
    ) -> tuple[Floats, Floats, int, int] | None:
        """(times, numbers, last index pulse used, place of the pulse before it), None if too early.

        e             times of the pulses, from the one before the first index pulse given on
        knot_s, turn  index pulses and their revolutions
        first         nothing was numbered yet: pulses before the first index pulse count too
        """
        if len(e) < (3 if final else AROUND):
            return None
        last = int(np.searchsorted(knot_s, e[-1] if final else e[-2 - AROUND // 2]))
        skip = int(np.searchsorted(knot_s, e[0]))
        which = np.arange(skip, last)
        place = np.searchsorted(e, knot_s[which], side="right") - 1
        clear = self._clear(e, place)
        if not first and len(clear):
            clear[0] = True
        which, place = which[clear], place[clear]
        if len(which) < (2 if final or self.zero is not None else ZERO_KNOTS):
            return None
        count = place + (knot_s[which] - e[place]) / (e[place + 1] - e[place])
        if self.zero is None:
            self.zero = _phase(count[:ZERO_KNOTS])
        told = np.rint(self.zero + self.pulses * turn[which] - count)
        even = np.diff(told) % self.pulses == 0.0
        even &= _smooth(np.diff(e), place)
        parts: list[tuple[Floats, Floats]] = []
        k = 0
        while k < len(even):
            if even[k]:
                stop = k + (int(np.argmin(even[k:])) or len(even) - k)
                begin, end = int(place[k]) + 1, int(place[stop]) + 1
                offset = self._agree(float(told[k]))
                if first and not parts:
                    parts.append(_before_first(e[: place[k] + 2], self.pulses, offset))
                parts.append((e[begin:end], np.arange(begin + offset, end + offset)))
                self._offset = offset
            else:
                stop = k + 1
                began = float(told[k]) if self._offset is None else self._offset
                ends = float(told[stop] + place[stop])
                held = self._uneven(e[place[k] : place[stop] + 2], began + place[k], ends)
                if held is not None:
                    if first and not parts:
                        parts.append(_before_first(e[: place[k] + 2], self.pulses, began))
                    parts.append((held.time_s, held.number))
                    self._offset = held.end - float(place[stop])
            k = stop
        if self._offset is not None:
            self._offset += float(place[-1])
        times, numbers = zip(*parts, strict=True) if parts else ((e[:0],), (e[:0],))
        if len(parts) > 1:
            times, numbers = (np.concatenate(times),), (np.concatenate(numbers),)
        return times[0], numbers[0], int(which[-1]), int(place[-1])

    def _clear(self, e: Floats, place: Ints) -> NDArray[np.bool_]:
        """Index pulses that do not fall into a gap."""
        spans = np.diff(e)
        around = place[:, None] + np.arange(-(AROUND // 2), AROUND // 2 + 1)
        around = spans[np.clip(around, 0, len(spans) - 1)]
        # Held against many, for a disc may be uneven just at the index, in every revolution.
        return np.asarray(spans[place] <= GAP * np.median(around, axis=1))

    def _agree(self, told: float) -> float:
        """The offset that two index pulses agree on, nearest to the one carried on."""
        if self._offset is None:
            return told
        return self._offset + self._wrapped(told - self._offset)

    def _wrapped(self, pulses: float) -> float:
        half = self.pulses // 2
        return (pulses + half) % self.pulses - half

    def _uneven(self, e: Floats, begin: float, told_end: float) -> _Stretch | None:
        """Number a revolution whose count is wrong.

        e         its pulses, with the one before the first index pulse and the one after the last
        begin     number of the first of them
        told_end  number of the last but one, by the index pulse there; its remainder is meant

        None where nothing was numbered before and the index pulses contradict a whole encoder.
        """
        e = _without_splits(e)
        spans = np.diff(e)
        pitch = _pitch(spans)
        gaps = np.flatnonzero(spans > GAP * pitch)
        steps = np.ones(len(spans))
        doubtful = []
        if len(gaps):
            usual = np.delete(pitch, gaps)
            vary = float(np.ptp(usual) / usual.mean()) if len(usual) else 1.0
        for gap in gaps.tolist():
            length = _length(spans, gaps, gap)
            steps[gap] = max(np.rint(length), 1.0)
            doubt = DOUBT_PULSES + length * (DOUBT_SHARE + vary)
            if abs(length - steps[gap]) + doubt >= 0.5:
                doubtful.append((gap, length, doubt))
        end = begin + float(steps[:-1].sum())
        off = self._wrapped(told_end - end)
        left_out: tuple[int, int] | None = None
        if off and not len(gaps):
            if self._offset is None:
                self.report.refused += 1
                return None
            self.report.index_off += 1
            off = 0.0
        elif len(doubtful) == 1:
            gap, length, doubt = doubtful[0]
            steps[gap] += off
            if steps[gap] < 1.0 or abs(steps[gap] - length) > 1.0 + 2.0 * doubt:
                left_out = (gap, gap)
        elif doubtful:
            left_out = (doubtful[0][0], doubtful[-1][0])
        elif off:
            left_out = (int(gaps[0]), int(gaps[-1]))
        self.report.mended += len(gaps) if left_out is None else 0
        self.report.refused += left_out is not None
        end += off
        number = begin + np.concatenate([[0.0], np.cumsum(steps)])
        known = np.ones(len(e), bool)
        if left_out is not None:
            known[left_out[0] + 1 : left_out[1] + 1] = False
            behind = slice(left_out[1] + 1, None)
            number[behind] = end + 1.0 - (number[-1] - number[behind])
        known[0] = known[-1] = False
        return _Stretch(e[known], number[known], end)


def _phase(count: Floats) -> float:
    """The fraction that counts have in common, the few that are far off left out; 0..1 or so."""
    share = np.exp(2j * np.pi * count)
    near = np.abs(np.angle(share * np.conj(share.mean()))) < 0.5 * np.pi
    return float(np.angle(share[near].mean()) / (2 * np.pi)) if near.any() else 0.0


def _before_first(e: Floats, pulses: int, offset: float) -> tuple[Floats, Floats]:
    """Pulses before the first index (``e`` ends just after it): one turn at most, to a gap."""
    begin = max(len(e) - pulses - 1, 0)
    spans = np.diff(e[begin:])
    odd = np.flatnonzero((spans > ODD * spans[-1]) | (spans < spans[-1] / 2.0))
    begin += int(odd[-1]) + 1 if len(odd) else 0
    return e[begin:-1], np.arange(begin, len(e) - 1, dtype=float) + offset


def _pitch(spans: Floats) -> Floats:
    """The usual span around each one: a running median."""
    half = min(AROUND // 2, (len(spans) - 1) // 2)
    wide = np.pad(spans, half, mode="reflect") if half else spans
    windows = np.lib.stride_tricks.sliding_window_view(wide, 2 * half + 1)
    return np.asarray(np.median(windows, axis=1))


def _without_splits(e: Floats) -> Floats:
    """Pulses without those that split a span in two; the first and the last stay."""
    spans = np.diff(e)
    pitch = _pitch(spans)
    drop: set[int] = set()
    for k in np.flatnonzero(spans < CLOSE * pitch).tolist():
        if k in drop or k + 1 in drop:
            continue
        # Of its two pulses the one goes without which the spans are as they should be.
        ways = []
        if k > 0:
            ways.append((abs(spans[k - 1] + spans[k] - pitch[k]), k))
        if k + 1 < len(spans):
            ways.append((abs(spans[k] + spans[k + 1] - pitch[k]), k + 1))
        off, which = min(ways)
        if off < (1.0 - CLOSE) * pitch[k]:
            drop.add(which)
    return np.delete(e, sorted(drop)) if drop else e


def _length(spans: Floats, gaps: Ints, gap: int) -> float:
    """Pitches in a gap, by the mean of the speeds on either side of it."""
    speeds: list[float] = []
    for step in (-1, 1):
        near = gap + step * np.arange(1, BESIDE + 1)
        near = near[(near >= 0) & (near < len(spans))]
        other = np.flatnonzero(np.isin(near, gaps))
        pitches = spans[near[: int(other[0])] if len(other) else near]
        if len(pitches):
            speeds.append(1.0 / float(pitches.mean()))
    return float(spans[gap] * np.mean(speeds)) if speeds else 1.0


class Irregularity:
    """How unevenly the encoder's edges are placed, from second differences of their times.

    What repeats at the same edge every revolution is the disc (and ripple finer than a pulse);
    slower errors, such as an eccentric disc, cannot be told from a real change of speed.
    """

    def __init__(self, pulses: int) -> None:
        self._pulses = pulses
        self._seen = 0
        self._n = np.zeros(pulses)
        self._sum = np.zeros(pulses)
        self._square = np.zeros(pulses)

    def add(self, old_t: Floats, old_m: Floats, new_t: Floats, new_m: Floats) -> None:
        """Take in pulses until every one has been seen some ENOUGH_TURNS times; that is enough."""
        if self._seen >= ENOUGH_TURNS * self._pulses:
            return
        room = int(ENOUGH_TURNS * self._pulses - self._seen)
        new_t, new_m = new_t[:room], new_m[:room]
        self._seen += len(new_t)
        t = np.concatenate([old_t[-2:], new_t])
        m = np.concatenate([old_m[-2:], new_m])
        if len(t) < 3:
            return
        even = (m[2:] - m[:-2]) == 2
        half = 0.5 * (t[2:] - t[:-2])
        bend = ((t[2:] - 2.0 * t[1:-1] + t[:-2]) / half)[even]
        which = (m[1:-1][even] % self._pulses).astype(np.int64)
        np.add.at(self._n, which, 1.0)
        np.add.at(self._sum, which, bend)
        np.add.at(self._square, which, bend**2)

    def u_position_deg(self) -> float:
        """Standard uncertainty of one edge's place on the disc, degrees (0 where nothing shows)."""
        n = float(self._n.sum())
        if n < 3 * self._pulses:
            return 0.0
        seen = self._n > 0
        mean = self._sum[seen] / self._n[seen]
        noise = max(float(self._square.sum()) / n - float((mean**2).mean()), 0.0)
        fixed = float((mean**2).mean()) - noise / float(self._n[seen].mean())
        # A second difference holds 1 + 4 + 1 times the variance of one edge.
        return float(np.sqrt(max(fixed, 0.0) / 6.0)) * 360.0 / self._pulses
