"""The angle of the drive shaft at any instant, from the index and, where there is one, the encoder.

Angles are continuous distributor degrees: 360 times the revolution plus the angle after the index.
With an encoder, pulses are numbered so that every revolution has its full count, and an event is
placed between them; the index only says which pulse is zero, so its jitter does not matter. With the
index alone the angle is a cubic through four index times: it follows the speed's own slope and its
change, not what happens within the revolution.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from breakerbench.edges.encoder import EncoderReport, Irregularity, PulseNumbers
from breakerbench.edges.index import IndexCleaner

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

#: Pitches past the first and the last opening in which an index pulse is still placed.
CARRY_LOBES = 1.2
#: With an index alone: the cubic part of the interpolation, degrees, that is believed in any case,
#: and beyond it how many times that of the revolutions before. A step of the speed or one index pulse
#: out of place makes it large once; ripple makes it large always, and so the angle is no worse there.
UNSURE_DEG = 0.02
UNSURE_RATIO = 6.0
#: Revolutions that it is held against.
UNSURE_TURNS = 8
#: Index pulses from which it is told whether the drive keeps step with the sample clock.
LOCK_KNOTS = 512


class Angle:
    """Angle of one unbroken stretch. Feed edges and openings, then ask.

    pulses   encoder pulses a revolution, None without an encoder
    cleaner  the index pulses; None without an index (the angle then begins anywhere)
    tick_s   what the encoder's times are rounded to, so far as it is not far below their spacing:
             one sample, where it is sampled
    """

    def __init__(
        self, pulses: int | None, cleaner: IndexCleaner | None, tick_s: float = 0.0
    ) -> None:
        self.pulses = pulses
        self.cleaner = cleaner
        self._numbers = PulseNumbers(pulses) if pulses else None
        self.encoder = self._numbers.report if self._numbers is not None else EncoderReport()
        self._knot_t = np.empty(0)
        self._knot_r = np.empty(0)
        self._phase_t = np.empty(0)
        self._raw = np.empty(0)
        self._fresh: list[Floats] = []
        self._clean_t = np.empty(0)
        self._clean_m = np.empty(0)
        self._next_knot = 0
        self._first_knot = True
        #: First index pulse of the stretch: whole revolutions begin there.
        self.began_s = -np.inf
        self._count_t = np.empty(0)
        self._count = np.empty(0)
        self._counted = 0
        self.irregular = Irregularity(pulses) if pulses else None
        self._tick_s = tick_s
        self._share = np.zeros(1)
        self._shares = 0
        self._reach = max(1, min(4, int(5.0 * pulses / 360.0))) if pulses else 0

    def cut(self) -> None:
        """A hole: forget all times; what was learned of index and encoder stays."""
        if self.cleaner is not None:
            self.cleaner.cut()
        if self._numbers is not None:
            self._numbers.cut()
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
        """Variance of the openings placed among encoder pulses, in units of one pulse's variance.

        Openings that always come just at a pulse carry more of its noise than those between two.
        """
        return float(self._share[0]) / self._shares if self._shares else 0.0

    def ready_until(self, final: bool) -> float:
        """Angles of events before this instant are settled."""
        if final:
            return np.inf
        if self.pulses:
            settled, keep = self._clean_t, self._reach
            return float(settled[-keep - 1]) if len(settled) > 2 * keep else -np.inf
        enough = UNSURE_TURNS + 2 if self._first_knot else 3
        return float(self._knot_t[-2]) if len(self._knot_t) > enough else -np.inf

    def at(self, time_s: Floats, openings: bool = False) -> tuple[Floats, Bools]:
        """(angle in degrees, valid) of events; only those before ``ready_until`` are final.

        openings: they are openings, which ``pulse_share`` is told of
        """
        if self.pulses:
            return self._by_encoder(time_s, openings)
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
        k = max(int(np.searchsorted(self._knot_t, time_s)) - UNSURE_TURNS - 4, 0)
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
        valid &= self._believed()[k]
        return 360.0 * (r[k] + x * d01 + x * (x - x1) * bend), valid

    def _believed(self) -> Bools:
        """For each revolution between the index pulses: whether the drive turned as it usually does.

        Told by the cubic part alone, at its largest.
        """
        t, r = self._knot_t, self._knot_r
        n = len(t) - 1
        believed = np.ones(n, bool)
        if n < 3:
            return believed
        part = np.full(n, np.nan)
        whole = np.diff(r) == 1.0
        inner = whole[:-2] & whole[1:-1] & whole[2:]
        # x (x^2 - 1) is 0.385 at its largest, in revolutions.
        part[1:-1] = np.where(
            inner, 360.0 * 0.385 * np.abs(_cubic_part(t)) * np.diff(t)[1:-1] ** 3, np.nan
        )
        w = UNSURE_TURNS
        usual = np.full(n, _median_of_known(part[None, :w])[0])
        if n > w:
            windows = np.lib.stride_tricks.sliding_window_view(part[:-1], w)
            usual[w:] = _median_of_known(windows)
        limit = np.maximum(UNSURE_DEG, UNSURE_RATIO * usual)
        return np.asarray(~(part > limit))

    # --- encoder ---

    def _number_by_index(self, final: bool) -> None:
        """Number the raw pulses up to the last index pulse that can be relied on."""
        assert self._numbers is not None
        k = self._next_knot
        found = self._numbers.number(
            self._raw, self._knot_t[k:], self._knot_r[k:], self._first_knot and k == 0, final
        )
        if found is None:
            return
        times, numbers, last, place = found
        self._next_knot = k + last
        self._first_knot = False
        self._raw = self._raw[place:]
        if self.irregular is not None:
            self.irregular.add(self._clean_t, self._clean_m, times, numbers)
        self._clean_t = np.concatenate([self._clean_t, times])
        self._clean_m = np.concatenate([self._clean_m, numbers])

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

    def _by_encoder(self, time_s: Floats, openings: bool) -> tuple[Floats, Bools]:
        assert self.pulses
        t, m = self._clean_t, self._clean_m
        h = self._reach
        if len(t) < 2 * h + 2:
            return np.full(len(time_s), np.nan), np.zeros(len(time_s), bool)
        j = np.searchsorted(t, time_s, side="right") - 1
        valid = (j >= h) & (j < len(t) - h - 1)
        j = np.clip(j, h, len(t) - h - 2)
        at, number = t[j], m[j]
        gapless = m[j + h] - m[j + 1 - h] == 2 * h - 1
        # A line through h pulses on each side, pair by pair about its middle.
        middle, slope, power = np.zeros(len(j)), np.zeros(len(j)), 0.0
        for k in range(1, h + 1):
            after, before = t[j + k] - at, t[j + 1 - k] - at
            middle += after + before
            slope += (k - 0.5) * (after - before)
            power += 2.0 * (k - 0.5) ** 2
        with np.errstate(divide="ignore", invalid="ignore"):
            off = (time_s - at - middle / (2 * h)) * power / slope
            plain = (m[j + 1] - number) * (time_s - at) / (t[j + 1] - at)
        # Inside a gap the speed is not known to the encoder's accuracy.
        valid &= gapless | (m[j + 1] - number == 1)
        if openings:
            told = valid & gapless
            share = self._line_share(off[told], (slope / power)[told])
            # One after the other, so that the sum does not depend on how the run was split.
            np.add.at(self._share, np.zeros(len(share), np.int64), share)
            self._shares += len(share)
        number = number + np.where(gapless, 0.5 + off, plain)
        zero = (self._numbers.zero if self._numbers is not None else None) or 0.0
        return (number - zero) * (360.0 / self.pulses), valid

    def _line_share(self, off: Floats, spacing_s: Floats) -> Floats:
        """Variance of a place on the line through 2 h pulses, in units of one pulse's variance.

        off        place from the middle of the pulses, in pulses
        spacing_s  from pulse to pulse

        Times that are rounded to ticks a little apart from whole ones are rounded much alike from
        pulse to pulse: two errors of rounding, the ticks between which differ by a fraction d, go
        together by 1 - 6 d (1 - d).
        """
        h = self._reach
        centre = np.arange(2 * h) - (h - 0.5)
        power = float((centre**2).sum())
        share = 0.5 / h + off**2 / power
        if self._tick_s <= 0.0:
            return np.asarray(share)
        for lag in range(1, 2 * h):
            part = spacing_s * (lag / self._tick_s) % 1.0
            alike = 1.0 - 6.0 * part * (1.0 - part)
            product = float((centre[lag:] * centre[:-lag]).sum())
            share += 2.0 * alike * ((2 * h - lag) / (2.0 * h) ** 2 + product * (off / power) ** 2)
        return np.asarray(share)


def _cubic_part(t: Floats) -> Floats:
    """Third divided difference of the count of revolutions at every four neighbouring pulses."""
    first = 1.0 / np.diff(t)
    second = np.diff(first) / (t[2:] - t[:-2])
    return np.asarray(np.diff(second) / (t[3:] - t[:-3]))


def _median_of_known(rows: Floats) -> Floats:
    """Median of each row without its nan, the lower one of two; 0 where there is nothing else."""
    known = np.isfinite(rows).sum(axis=1)
    ordered = np.sort(rows, axis=1)  # nan goes last
    middle = ordered[np.arange(len(rows)), np.maximum(known - 1, 0) // 2]
    return np.asarray(np.where(known > 0, middle, 0.0))
