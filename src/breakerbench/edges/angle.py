"""The angle of the drive shaft at any instant, from the index and, where there is one, the encoder.

Angles are continuous distributor degrees: 360 times the revolution plus the angle after the index.
With an encoder, pulses are numbered so that every revolution has its full count, and an event is
placed between them; the index only says which pulse is zero, so its jitter does not matter. With the
index alone the angle is a cubic through four index times: it follows the speed's own slope and its
change, not what happens within the revolution.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from breakerbench.edges.index import IndexCleaner

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

#: Pitches past the first and the last opening in which an index pulse is still placed.
CARRY_LOBES = 1.2
#: Index pulses from which the encoder's zero is taken (their median).
ZERO_KNOTS = 8
#: With an index alone: largest cubic part of the interpolation, degrees, that is still believed. A
#: step of the speed within a revolution makes it large, a steady ramp does not.
MOST_UNSURE_DEG = 0.3
#: Index pulses from which it is told whether the drive keeps step with the sample clock.
LOCK_KNOTS = 512
#: Revolutions from which the unevenness of the encoder's disc is judged.
ENOUGH_TURNS = 64
#: A revolution's count may be off by this share of a pulse: the index falls between two of them.
COUNT_TOLERANCE = 0.35


@dataclass(slots=True)
class EncoderReport:
    """What was found wrong with the encoder: gaps or revolutions mended, revolutions left out."""

    mended: int = 0
    refused: int = 0


class Angle:
    """Angle of one unbroken stretch. Feed edges and openings, then ask.

    pulses   encoder pulses a revolution, None without an encoder
    cleaner  the index pulses; None without an index (the angle then begins anywhere)
    """

    def __init__(self, pulses: int | None, cleaner: IndexCleaner | None) -> None:
        self.pulses = pulses
        self.cleaner = cleaner
        self.encoder = EncoderReport()
        self._knot_t = np.empty(0)
        self._knot_r = np.empty(0)
        self._phase_t = np.empty(0)
        self._raw = np.empty(0)
        self._fresh: list[Floats] = []
        self._clean_t = np.empty(0)
        self._clean_m = np.empty(0)
        self._zero: float | None = None
        self._next_knot = 0
        self._first_knot = True
        #: First index pulse of the stretch: whole revolutions begin there.
        self.began_s = -np.inf
        self._count_t = np.empty(0)
        self._count = np.empty(0)
        self._counted = 0
        self.irregular = Irregularity(pulses) if pulses else None
        self._reach = max(1, min(4, int(5.0 * pulses / 360.0))) if pulses else 0

    def cut(self) -> None:
        """A hole: forget all times; what was learned of index and encoder stays."""
        if self.cleaner is not None:
            self.cleaner.cut()
        self._knot_t = self._knot_r = self._raw = np.empty(0)
        self._fresh.clear()
        self._clean_t = self._clean_m = np.empty(0)
        self._count_t = self._count = np.empty(0)
        self._next_knot = 0
        self._first_knot = True
        self.began_s = -np.inf

    # --- input ---

    def add_knots(self, time_s: Floats, revolution: Floats) -> None:
        """Instants that stand in for an index (an opening of one lobe, where nothing else is)."""
        self._knot_t = np.concatenate([self._knot_t, time_s])
        self._knot_r = np.concatenate([self._knot_r, revolution])

    def add_index(self, time_s: Floats, rising: Bools) -> None:
        if self.cleaner is not None:
            self.cleaner.add(time_s, rising)

    def add_encoder(self, time_s: Floats, rising: Bools) -> None:
        if self.pulses:
            self._fresh.append(time_s[rising])

    def add_openings(self, time_s: Floats, final: bool) -> None:
        """Openings, in order: they tell true index pulses from false ones."""
        if self.cleaner is not None:
            number = self._counted + np.arange(len(time_s), dtype=float)
            self._counted += len(time_s)
            self._count_t = np.concatenate([self._count_t, time_s])
            self._count = np.concatenate([self._count, number])
            knots = self.cleaner.take(*self._carried_on(final), final)
            if knots:
                fresh = np.array(knots)
                if not len(self._knot_t) and self._first_knot:
                    self.began_s = knots[0][0]
                self._knot_t = np.concatenate([self._knot_t, fresh[:, 0]])
                self._knot_r = np.concatenate([self._knot_r, fresh[:, 1]])
                self._phase_t = np.concatenate([self._phase_t, fresh[:, 0]])[:LOCK_KNOTS]
        if self.pulses:
            self._raw = np.concatenate([self._raw, *self._fresh])
            self._fresh.clear()
            if self.cleaner is not None:
                self._number_by_index(final)
            else:
                self._number_by_time(final)

    def _carried_on(self, final: bool) -> tuple[Floats, Floats]:
        """The count of the openings, carried on a little past the ends of the stretch.

        An index pulse just before the first opening or just after the last one still has its place.
        """
        t, n = self._count_t, self._count
        if len(t) < 2:
            return t, n
        if self._first_knot:
            t = np.concatenate([[t[0] - CARRY_LOBES * (t[1] - t[0])], t])
            n = np.concatenate([[n[0] - CARRY_LOBES], n])
        if final:
            t = np.concatenate([t, [t[-1] + CARRY_LOBES * (t[-1] - t[-2])]])
            n = np.concatenate([n, [n[-1] + CARRY_LOBES]])
        return t, n

    # --- output ---

    @property
    def pulse_share(self) -> float:
        """Variance of an angle placed among encoder pulses, in units of one pulse's variance."""
        # Between two pulses at an even place the mean of (1-x)^2 + x^2; a line through 2h: 1/2h.
        return 2.0 / 3.0 if self._reach <= 1 else 1.0 / (2.0 * self._reach)

    def ready_until(self, final: bool) -> float:
        """Angles of events before this instant are settled."""
        if final:
            return np.inf
        if self.pulses:
            settled, keep = self._clean_t, self._reach
            return float(settled[-keep - 1]) if len(settled) > 2 * keep else -np.inf
        return float(self._knot_t[-2]) if len(self._knot_t) > 3 else -np.inf

    def at(self, time_s: Floats) -> tuple[Floats, Bools]:
        """(angle in degrees, valid) of events; only those before ``ready_until`` are final."""
        if self.pulses:
            return self._by_encoder(time_s)
        return self._by_index(time_s)

    def lock(self, sample_s: float) -> float:
        """How far the index keeps step with the sample clock: 0 (any phase) to 1 (always the same).

        Mean resultant length of the index times within the sample, over the first few hundred.
        """
        if len(self._phase_t) < 8:
            return 0.0
        turn = np.exp(2j * np.pi * self._phase_t / sample_s)
        # Few phases drawn at random have a mean of their own.
        return float(np.sqrt(max(np.abs(turn.mean()) ** 2 - 1.0 / len(turn), 0.0)))

    def forget_before(self, time_s: float) -> None:
        """Drop what no event at or after ``time_s`` needs."""
        k = max(int(np.searchsorted(self._knot_t, time_s)) - 4, 0)
        k = min(k, self._next_knot) if self.pulses else k
        self._first_knot &= k == 0
        self._knot_t, self._knot_r = self._knot_t[k:], self._knot_r[k:]
        self._next_knot -= k
        c = max(int(np.searchsorted(self._count_t, time_s)) - 4, 0)
        self._count_t, self._count = self._count_t[c:], self._count[c:]
        j = max(int(np.searchsorted(self._clean_t, time_s)) - 3 * self._reach - 2, 0)
        self._clean_t, self._clean_m = self._clean_t[j:], self._clean_m[j:]

    # --- index alone ---

    def _by_index(self, time_s: Floats) -> tuple[Floats, Bools]:
        t, r = self._knot_t, self._knot_r
        if len(t) < 2:
            return np.full(len(time_s), np.nan), np.zeros(len(time_s), bool)
        k = np.searchsorted(t, time_s, side="right") - 1
        valid = (k >= 0) & (k < len(t) - 1)
        if self._first_knot and len(t) > 2 and abs((t[2] - t[1]) / (t[1] - t[0]) - 1.0) < 0.01:
            # The drive runs evenly: the half turn before the first pulse may be carried back to.
            valid |= (k < 0) & (time_s > t[0] - 0.5 * (t[1] - t[0]))
        k = np.clip(k, 0, len(t) - 2)
        # A revolution with a missing pulse is bridged by nothing but hope: it is left out.
        valid &= r[k + 1] - r[k] == 1.0
        x, x1 = time_s - t[k], t[k + 1] - t[k]
        b, a = np.maximum(k - 1, 0), np.minimum(k + 2, len(t) - 1)
        has_before = (k >= 1) & (r[k] - r[b] == 1.0)
        has_after = (k + 2 < len(t)) & (r[a] - r[k + 1] == 1.0)
        # Newton's divided differences on the points (0, 0), (x1, 1), (x0, -1), (x3, 2); a knot that
        # is missing stands a turn away and is not used.
        x0 = np.where(has_before, t[b] - t[k], -x1)
        x3 = np.where(has_after, t[a] - t[k], 2.0 * x1)
        d01 = 1.0 / x1
        d_b = (-1.0 / x0 - d01) / (x0 - x1)
        d_a = (2.0 / x3 - d01) / (x3 - x1)
        cubic = np.where(has_before & has_after, (d_a - d_b) / (x3 - x0) * (x - x0), 0.0)
        bend = np.where(has_before, d_b, np.where(has_after, d_a, 0.0)) + cubic
        # The cubic's own part tells how unevenly the drive turns: past a mark nothing is believed.
        unsure = 360.0 * np.abs(cubic * 0.25 * x1**2)
        valid &= unsure < MOST_UNSURE_DEG
        return 360.0 * (r[k] + x * d01 + x * (x - x1) * bend), valid

    # --- encoder ---

    def _number_by_index(self, final: bool) -> None:
        """Number the raw pulses of the revolutions that are complete, mending lost ones."""
        assert self.pulses
        e = self._raw
        last = len(self._knot_t) - 1
        if last < 1 or len(e) < 2:
            return
        if self._zero is None and last < ZERO_KNOTS and not final:
            return
        t, r = self._knot_t, self._knot_r
        while last >= 1 and t[last] >= e[-1]:
            last -= 1
        k0 = self._next_knot
        if last <= k0:
            return
        knots = np.arange(k0, last + 1)
        place = np.clip(np.searchsorted(e, t[knots], side="right") - 1, 0, len(e) - 2)
        count = place + (t[knots] - e[place]) / (e[place + 1] - e[place])
        if self._zero is None:
            share = np.exp(2j * np.pi * count)
            self._zero = float(np.angle(share[: ZERO_KNOTS + 1].mean()) / (2 * np.pi))
        turns = np.diff(r[knots])
        good = np.abs(np.diff(count) - self.pulses * turns) < COUNT_TOLERANCE
        offset = np.rint(self._zero + self.pulses * r[knots] - count)
        times, numbers = [], []
        begin = place + 1
        if k0 == 0 and self._first_knot:
            lead = self._before_first(e[: begin[0] + 1])
            times.append(lead)
            numbers.append(np.arange(begin[0] - len(lead), begin[0]) + offset[0])
        for k in range(len(good)):
            piece = e[begin[k] : begin[k + 1]]
            number = np.arange(begin[k], begin[k + 1]) + offset[k]
            if not good[k]:
                mended = self._mend(e[begin[k] - 1 : begin[k + 1] + 1], int(turns[k]))
                if mended is None:
                    self.encoder.refused += 1
                    continue
                self.encoder.mended += 1
                piece, steps = mended
                number = begin[k] - 1 + offset[k] + steps
            times.append(piece)
            numbers.append(number)
        self._next_knot = last
        self._first_knot = False
        self._raw = e[begin[-1] - 1 :]
        if times:
            new_t, new_m = np.concatenate(times), np.concatenate(numbers)
            if self.irregular is not None:
                self.irregular.add(self._clean_t, self._clean_m, new_t, new_m)
            self._clean_t = np.concatenate([self._clean_t, new_t])
            self._clean_m = np.concatenate([self._clean_m, new_m])

    def _before_first(self, e: Floats) -> Floats:
        """Pulses before the first index (``e`` ends just after it): one turn at most."""
        assert self.pulses
        e = e[-self.pulses - 1 :]
        spans = np.diff(e)
        if not len(spans):
            return e[:0]
        odd = np.flatnonzero((spans > 1.5 * spans[-1]) | (spans < 0.5 * spans[-1]))
        return e[(int(odd[-1]) + 1 if len(odd) else 0) : -1]

    def _mend(self, e: Floats, turns: int) -> tuple[Floats, Floats] | None:
        """Number a revolution whose count is wrong: pulses lost leave gaps, spurious ones split one.

        e holds one pulse before and one after the revolution. None where the gaps do not add up.
        """
        assert self.pulses
        if len(e) < 4 or turns < 1:
            return None
        spans = np.diff(e)
        usual = float(np.median(spans))
        if (spans < 0.5 * usual).any():
            keep = np.concatenate([[True], spans >= 0.5 * usual])
            e = e[keep]
            spans = np.diff(e)
            usual = float(np.median(spans))
        steps = np.rint(spans / usual)
        # From the pulse before one index to the pulse after the next: a whole count and one more.
        due = self.pulses * turns + 1
        if steps.sum() != due:
            # One gap, its length known from the count alone.
            widest = int(np.argmax(spans))
            rest = steps.sum() - steps[widest]
            missing = due - rest
            if not missing >= 1 or abs(spans[widest] / usual - missing) > 0.1 * missing + 1.0:
                return None
            steps[widest] = missing
        number = np.cumsum(steps)
        return e[1:-1], number[:-1]

    def _number_by_time(self, final: bool) -> None:
        """Without an index: count pulses from the first one; a gap is counted by its length."""
        e = self._raw
        if len(e) < 2 or (not final and len(e) < 64):
            return
        spans = np.diff(e)
        if len(self._clean_t):
            base = float(self._clean_m[-1])
            usual = np.concatenate([[float(self._clean_t[-1] - self._clean_t[-2])], spans[:-1]])
        else:
            base, usual = 0.0, np.concatenate([spans[:1], spans[:-1]])
            self._clean_t, self._clean_m = e[:1], np.zeros(1)
        steps = np.maximum(np.rint(spans / np.minimum(usual, np.roll(spans, -1))), 1.0)
        lost = int((steps > 1).sum())
        self.encoder.mended += lost
        new_m = base + np.cumsum(steps)
        self._clean_t = np.concatenate([self._clean_t, e[1:]])
        self._clean_m = np.concatenate([self._clean_m, new_m])
        self._raw = e[-1:]

    def _by_encoder(self, time_s: Floats) -> tuple[Floats, Bools]:
        assert self.pulses
        t, m = self._clean_t, self._clean_m
        h = self._reach
        if len(t) < 2 * h + 2:
            return np.full(len(time_s), np.nan), np.zeros(len(time_s), bool)
        j = np.searchsorted(t, time_s, side="right") - 1
        valid = (j >= h) & (j < len(t) - h - 1)
        j = np.clip(j, h, len(t) - h - 2)
        columns = j[:, None] + np.arange(1 - h, h + 1)
        times, numbers = t[columns], m[columns]
        gapless = numbers[:, -1] - numbers[:, 0] == 2 * h - 1
        centre = np.arange(2 * h) - (h - 0.5)
        mean = times.mean(axis=1)
        slope = ((times - mean[:, None]) * centre).sum(axis=1) / float((centre**2).sum())
        with np.errstate(divide="ignore", invalid="ignore"):
            smooth = m[j] + 0.5 + (time_s - mean) / slope
            plain = m[j] + (m[j + 1] - m[j]) * (time_s - t[j]) / (t[j + 1] - t[j])
        number = np.where(gapless, smooth, plain)
        valid &= gapless | (m[j + 1] - m[j] <= 2)
        zero = self._zero or 0.0
        return (number - zero) * (360.0 / self.pulses), valid


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
