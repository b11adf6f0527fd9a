"""The once-a-revolution pulse: which edges are real, and which revolution each one begins.

The openings themselves serve as a crude encoder: between two true index pulses lie as many openings
as the cam has lobes, at any speed and through any acceleration. A pulse whose place between the
openings does not fit is spurious; a place without a pulse is a missing one; of two pulses at one
place the first is taken. Where the points miss an opening the count is short: a pulse that comes
when the ones before foretell it is right all the same, and the count goes on from it. An inverted
line is known by being high most of the time.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

#: A pulse is believed within this share of a lobe pitch around its place between the openings,
#: but not beyond so many degrees; less once the place is known to be steady.
TOLERANCE_LOBES = 0.15
TOLERANCE_DEG = 8.0
STEADY_AFTER = 16
#: Nearer than this to its place a pulse moves nothing.
QUIET_LOBES = 0.015
#: Two pulses nearer than this (in pitches) are one that bounced.
DEAD_LOBES = 0.08
#: Share of the steps from pulse to pulse that may speak for fewer lobes than most of them do.
MOST_BETWEEN = 0.1
#: Pulses looked at before the place of the index is settled.
SEED = 8
#: Edges that span a turn, at least: one pulse and the beginning of the next.
WHOLE_TURN = 3


@dataclass(slots=True)
class IndexReport:
    """What was found wrong with the index, counted."""

    pulses: int = 0
    spurious: int = 0
    doubled: int = 0
    missing: int = 0
    inverted: bool = False


@dataclass(slots=True)
class IndexCleaner:
    """Turns raw edges of the index line into (time, revolution) knots.

    lobes  openings a revolution as told, or None; the count between the pulses overrules it where
           it plainly differs
    """

    lobes: int | None
    report: IndexReport = field(default_factory=IndexReport)
    _raw: list[tuple[Floats, Bools]] = field(default_factory=list)
    _place: float | None = None
    _last: float | None = None
    _times: tuple[float, ...] = ()
    _revolution: int = 0
    _refused: list[float] = field(default_factory=list)
    _wander: float = 0.0
    _accepted: int = 0

    def add(self, time_s: Floats, rising: Bools) -> None:
        self._raw.append((time_s, rising))

    def cut(self) -> None:
        """A hole: what comes after begins anew, but the lobes and the sense of the line stay."""
        self._raw.clear()
        self._refused.clear()
        self._place = self._last = None
        self._times = ()
        self._accepted = 0
        self._revolution += 2

    def take(self, count_at: Floats, counts: Floats, final: bool) -> list[tuple[float, int]]:
        """New knots (time, revolution number) as far as the openings reach.

        count_at, counts  times of openings and their running number, increasing
        """
        if len(count_at) < 2:
            return []
        if not self._raw:
            return []
        times, rising = (np.concatenate(column) for column in zip(*self._raw, strict=True))
        self._raw = [(times, rising)]
        ready = times <= count_at[-1]
        count = int(np.count_nonzero(ready))
        if not count or (self._place is None and count < 2 * SEED + 2 and not final):
            return []
        active = self._active_edges(times[ready], rising[ready])
        if self._place is None:
            self._seed(active, count_at, counts)
            if self._place is None:
                return []
        self._raw = [(times[~ready], rising[~ready])]
        active = active[active >= count_at[0]]
        places = np.interp(active, count_at, counts)
        even = self._even_run(places)
        knots = [(time, self._revolution + k + 1) for k, time in enumerate(active[:even].tolist())]
        if even:
            self._revolution += even
            self._last = float(places[even - 1])
            self._times = (*self._times, *active[:even][-3:].tolist())[-3:]
            self._accepted += even
            self.report.pulses += even
        for time, place in zip(active[even:].tolist(), places[even:].tolist(), strict=True):
            knot = self._accept(time, place)
            if knot is not None:
                knots.append(knot)
        return knots

    def _even_run(self, places: Floats) -> int:
        """How many of the next pulses are plainly right: one a revolution, hardly out of place.

        These need no bookkeeping: neither the place nor its wander is moved by them.
        """
        if self._last is None or self._accepted < STEADY_AFTER or self._refused or not len(places):
            return 0
        assert self.lobes is not None
        assert self._place is not None
        off = (places - self._place) / self.lobes
        turns = np.rint(off)
        last = np.rint((self._last - self._place) / self.lobes)
        good = np.abs(off - turns) * self.lobes < QUIET_LOBES
        good &= np.diff(turns, prepend=last) == 1.0
        return len(good) if good.all() else int(np.argmin(good))

    def _active_edges(self, times: Floats, rising: Bools) -> Floats:
        """Leading edges of the pulses, whichever way the line idles.

        A few edges after a hole may be those of one pulse: what was learned of the line stays.
        """
        if self._place is None and self.report.pulses < SEED and len(times) >= WHOLE_TURN:
            spans = np.diff(times)
            high = float(spans[rising[:-1]].sum())
            self.report.inverted = high > 0.6 * float(spans.sum())
        leading: Floats = times[rising != self.report.inverted]
        return leading

    def _seed(self, active: Floats, count_at: Floats, counts: Floats) -> None:
        """Find the lobes (where not told) and the place of the index among them."""
        inside = active[(active >= count_at[0]) & (active <= count_at[-1])]
        if len(inside) < 2:
            return
        places = np.interp(inside, count_at, counts)
        steps = np.rint(np.diff(places)).astype(int)
        steps = steps[steps > 0]
        if len(steps):
            values, hits = np.unique(steps, return_counts=True)
            usual = int(values[np.argmax(hits)])
            # A multiple of what was told may be a weak index, if one turn is seen alone now and then.
            other = self.lobes is not None and usual % self.lobes != 0
            if self.lobes is not None and usual % self.lobes == 0 and usual != self.lobes:
                between = (steps % usual != 0) & (steps % self.lobes == 0)
                other = float(between.mean()) < MOST_BETWEEN
            if self.lobes is None or (other and hits.max() > 0.7 * len(steps) and len(steps) > 3):
                self.lobes = usual
        if self.lobes is None:
            return
        phase = places % self.lobes
        apart = np.abs((phase[:, None] - phase + 0.5 * self.lobes) % self.lobes - 0.5 * self.lobes)
        votes = (apart < self._tolerance()).sum(axis=1)
        best = int(np.argmax(votes))
        # An opening missed on the way shifts all pulses after it by a whole place. The first two that
        # are one revolution apart and on the best one's place between two openings set it.
        within = np.abs((phase - phase[best] + 0.5) % 1.0 - 0.5) < self._tolerance()
        turn = np.abs(np.diff(places) - self.lobes) < self._tolerance()
        first = np.flatnonzero(within[:-1] & within[1:] & turn)
        if len(first) and apart[best, first[0]] >= self._tolerance():
            best = int(first[0])
        self._place = float(phase[best])

    def _tolerance(self) -> float:
        assert self.lobes is not None
        widest = max(min(TOLERANCE_LOBES, TOLERANCE_DEG * self.lobes / 360.0), 0.05)
        if self._accepted < STEADY_AFTER:
            return widest
        return min(widest, max(0.02, 8.0 * self._wander))

    def _accept(self, time: float, place: float) -> tuple[float, int] | None:
        assert self.lobes is not None
        assert self._place is not None
        n = self.lobes
        self.report.pulses += 1
        turns = round((place - self._place) / n)
        off = place - self._place - turns * n
        step = 1 if self._last is None else round((place - self._last) / n)
        if (abs(off) > self._tolerance() or step != 1) and self._in_time(time):
            # Openings are missing on the way. Whole ones move the place; a pulse that stands between
            # the two openings around a missing one moves nothing, the next one will tell.
            missing = round(place - self._place)
            if abs(place - self._place - missing) <= self._tolerance():
                self._place += missing
            off, step = 0.0, 1
        elif self._last is not None and place - self._last < DEAD_LOBES:
            self.report.doubled += 1
            return None
        if abs(off) > self._tolerance():
            return self._refuse(time, place)
        if step == 0:
            self.report.spurious += 1
            return None
        if self._last is not None:
            self.report.missing += step - 1
            self._revolution += step
        self._times = (*self._times[-2:], time) if step == 1 else (time,)
        self._refused.clear()
        self._last = place
        self._accepted += 1
        if self._accepted <= STEADY_AFTER or abs(off) >= QUIET_LOBES:
            # The place moves with the advance; follow it slowly.
            self._place += 0.25 * off
            self._wander += 0.1 * (abs(off) - self._wander)
        return time, self._revolution

    def _in_time(self, time: float) -> bool:
        """Whether a pulse comes one revolution after the last, as the revolutions before foretell."""
        assert self.lobes is not None
        if len(self._times) < 2:
            return False
        *earlier, b, c = self._times
        lasts = c - b
        if earlier:
            lasts += lasts - (b - earlier[0])
        return abs(time - c - lasts) <= self._tolerance() / self.lobes * lasts

    def _refuse(self, time: float, place: float) -> tuple[float, int] | None:
        """Count a pulse out of place; three in a row that agree among themselves move the place."""
        assert self.lobes is not None
        self.report.spurious += 1
        self._refused.append(place)
        if len(self._refused) < 3:
            return None
        a, b, c = self._refused[-3:]
        if max(abs(b - a - self.lobes), abs(c - b - self.lobes)) > TOLERANCE_LOBES:
            return None
        self.report.spurious -= 3
        self._refused.clear()
        self._place, self._last = place, place
        self._times = (time,)
        self._accepted = 0
        self._revolution += 1_000
        return time, self._revolution
