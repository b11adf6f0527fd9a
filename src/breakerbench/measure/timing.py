"""Dwell, spacing, scatter and speed from the angles of touches and openings.

Nothing here holds a run: contacts are grouped into revolutions as they come, each revolution is
added to its 50 rpm speed bin at once, and scatter is taken from windows of a few revolutions.
Definitions: DEVELOPERS.md.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from breakerbench.edges.events import Openings, join_openings
from breakerbench.measure.advance_sums import Advance
from breakerbench.measure.missed import Missed
from breakerbench.measure.scatter import Windows
from breakerbench.measure.vacuum_steps import Held, Revolutions, join_revolutions

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

BIN_RPM = 50.0
BINS = 400


#: The advance moves in a revolution whose speed differs from the next one's by more than this share
#: and whose openings, as a whole, by more than these degrees.
MOVING_SHARE = 0.02
MOVING_DEG = 0.3
#: Without these, there must be so many revolutions left, and this share of all.
SETTLED_REVOLUTIONS = 10.0
SETTLED_SHARE = 0.3


@dataclass(frozen=True, slots=True, eq=False)
class Bins:
    """Sums by speed bin; every one is added to in the order of the revolutions.

    n, rpm, phase, phase2    (bins,) revolutions, their speeds, places of their openings as a whole
    n_dwell, dwell, dwell2   (bins, lobes) dwells seen, less the first one seen, and their squares
    n_mean, mean, mean2      (bins,) the same of the mean of a revolution that shows every lobe
    error, error2            (bins, lobes) spacing errors and their squares
    lost, u_open2, u_touch2  (bins,) degrees lost to bounce, placement variances (s^2)
    """

    n: Floats
    rpm: Floats
    phase: Floats
    phase2: Floats
    n_dwell: Floats
    dwell: Floats
    dwell2: Floats
    n_mean: Floats
    mean: Floats
    mean2: Floats
    error: Floats
    error2: Floats
    lost: Floats
    u_open2: Floats
    u_touch2: Floats


_PARTS = (slice(None, BINS), slice(BINS, None))
_BY_LOBE = ("n_dwell", "dwell", "dwell2", "error", "error2")


def _empty_bins(bins: int, lobes: int) -> Bins:
    shapes = {f.name: (bins, lobes) if f.name in _BY_LOBE else (bins,) for f in fields(Bins)}
    return Bins(**{name: np.zeros(shape) for name, shape in shapes.items()})


class Timing:
    """Adds up the revolutions of a run.

    lobes    openings a revolution
    nominal  (lobes,) nominal opening angles from the first one, deg, increasing
    indexed  angles count from an index: the first opening after 0 is lobe 1
    vacuum   (s, kPa) steps of a vacuum: only revolutions at 0 kPa are then added up, if there are any
    """

    def __init__(
        self,
        lobes: int,
        nominal: Floats | None = None,
        indexed: bool = True,
        vacuum: Sequence[tuple[float, float]] = (),
    ) -> None:
        self.lobes = lobes
        self.indexed = indexed
        self.held = Held(vacuum) if vacuum else None
        even = np.arange(lobes) * (360.0 / lobes)
        self.nominal = even if nominal is None else np.asarray(nominal, float) - float(nominal[0])
        self._sums = _empty_bins(2 * BINS, lobes)
        self.moving = 0
        self.windows = Windows(lobes)
        self.advance = Advance(lobes)
        self.missed = Missed(lobes)
        self.revolutions = 0
        self.least_rpm = np.inf
        self.most_rpm = -np.inf
        self.dwell_steps = np.zeros(2)
        self.error_steps = np.zeros(2)
        self.reference_deg: float | None = None
        self._shift: float | None = None
        self._last_n: int | None = None
        self._last_deg = 0.0
        self._pending: Openings | None = None
        self._pending_n = np.empty(0, np.int64)
        self._before: Revolutions | None = None

    # --- labels ---

    def _coordinate(self, deg: Floats) -> Floats:
        """Angle on a scale on which the nominal openings stand at whole numbers."""
        assert self._shift is not None
        turn = np.floor((deg - self._shift) / 360.0)
        rest = deg - self._shift - 360.0 * turn
        grid = np.append(self.nominal, 360.0)
        return np.asarray(turn * self.lobes + np.interp(rest, grid, np.arange(self.lobes + 1.0)))

    def _align(self, deg: Floats) -> float:
        """Where the nominal pattern begins: the pattern turned to fit the first openings."""
        n = self.lobes
        pitch = 360.0 / n
        first = deg[:n]
        if len(first) < n or np.ptp(self.nominal - np.arange(n) * pitch) == 0.0:
            return float(first[0] % pitch)
        order = np.sort(first % 360.0)
        fits = []
        for turn in range(n):
            gap = (np.roll(order, -turn) - self.nominal + 180.0) % 360.0 - 180.0
            centre = np.angle(np.exp(1j * np.deg2rad(gap)).mean())
            miss = float(np.abs(np.exp(1j * (np.deg2rad(gap) - centre)) - 1.0).max())
            fits.append((miss, float(np.rad2deg(centre)) % 360.0))
        best = min(fits)
        # Nominal angles are told from lobe 1 on, which the index knows; only where they fit it badly
        # and another lobe well was the pattern written down from elsewhere.
        told = self.indexed and fits[0][0] < 2.0 * best[0] + np.deg2rad(3.0)
        return fits[0][1] if told else best[1]

    def add(self, openings: Openings) -> None:
        """Openings in order; those without a valid angle interrupt the revolution."""
        ready = openings if self._pending is None else join_openings([self._pending, openings])
        if self._shift is None:
            known = ready.open_deg[np.isfinite(ready.open_deg)]
            if len(known) < self.lobes:
                self._pending = ready
                return
            self._shift = self._align(known)
            openings = ready
        fresh = self._number(openings)
        self.missed.add(openings, fresh)
        number = np.concatenate([self._pending_n, fresh])
        if len(number):
            self._revolve(ready, number)

    def _number(self, o: Openings) -> Ints:
        """Running number of each opening; its remainder by ``lobes`` is the lobe. -1: no angle."""
        number = np.full(len(o), -1, np.int64)
        known = np.flatnonzero(np.isfinite(o.open_deg))
        if not len(known):
            return number
        place = self._coordinate(o.open_deg[known])
        if self._last_n is None:
            # One whole turn of head room keeps every number above the mark for "no angle".
            first = int(np.rint(place[0]))
            first += self.lobes * (1 + max(0, -first // self.lobes))
            steps = np.rint(np.diff(place)).astype(np.int64)
            number[known] = first + np.concatenate([[0], np.cumsum(steps)])
        else:
            last = float(self._coordinate(np.array([self._last_deg]))[0])
            steps = np.rint(np.diff(np.concatenate([[last], place]))).astype(np.int64)
            number[known] = self._last_n + np.cumsum(steps)
        self._last_n = int(number[known[-1]])
        self._last_deg = float(o.open_deg[known[-1]])
        return number

    # --- revolutions ---

    def _revolve(self, o: Openings, number: Ints) -> None:
        """Reduce the whole revolutions: all lobes in turn, each with a known angle."""
        n = self.lobes
        known = (number >= 0) & np.isfinite(o.open_deg)
        fits = np.zeros(len(o), bool)
        if len(o) >= n:
            head = np.arange(len(o) - n + 1)
            fits[head] = number[head] % n == 0
            for k in range(n):
                fits[head] &= known[head + k] & (number[head + k] == number[head] + k)
        start = np.flatnonzero(fits)
        if len(start):
            self._reduce(o, number, start)
        # Keep what may still become a revolution, and the opening before it.
        keep = len(o)
        rest = np.flatnonzero(known & (number % n == 0))
        done = int(start[-1]) + n if len(start) else 0
        rest = rest[rest >= max(done, len(o) - n + 1)]
        if len(rest):
            keep = int(rest[0])
        keep = max(min(keep, len(o)) - 1, 0)
        self._pending, self._pending_n = o.take(slice(keep, None)), number[keep:]

    def _speed(self, o: Openings, number: Ints, start: Ints) -> Floats:
        """Speed of the revolutions that begin at ``start``, rpm: over a whole turn if it can be."""
        n = self.lobes
        end = start + n - 1
        before = np.maximum(start - 1, 0)
        turn = (start > 0) & (number[before] == number[start] - 1) & (number[before] >= 0)
        turn &= np.isfinite(o.open_deg[before])
        begin = np.where(turn, before, start)
        t0, a0 = o.time_s[begin], o.open_deg[begin]
        if n == 1:
            t0 = np.where(turn, t0, o.touch_s[start])
            a0 = np.where(turn, a0, o.touch_deg[start])
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray((o.open_deg[end] - a0) / (o.time_s[end] - t0) / 6.0)

    def _reduce(self, o: Openings, number: Ints, start: Ints) -> None:
        """Add whole revolutions: rows of (revolution, lobe)."""
        n = self.lobes
        rows = start[:, None] + np.arange(n)
        turn = number[start] // n
        rpm = self._speed(o, number, start)
        moved = o.open_deg[rows] - 360.0 * ((o.open_deg[rows[:, :1]] - self.nominal[0]) // 360.0)
        deviation = moved - self.nominal
        phase = deviation.mean(axis=1)
        error = deviation - phase[:, None]
        # The whole turns taken off must not jump when the first lobe passes the index.
        assert self._shift is not None
        phase = (phase - self._shift + 180.0) % 360.0 - 180.0 + self._shift
        with np.errstate(invalid="ignore"):
            dwell = np.where(o.valid[rows], o.open_deg[rows] - o.touch_deg[rows], np.nan)
            # After a missed opening the contact was closed for more than one dwell.
            before = np.maximum(start - 1, 0)
            missed = (number[before] >= 0) & (number[start] - number[before] > 1)
            dwell[missed, 0] = np.nan
            dwell[(dwell <= 0.0) | (dwell >= 360.0)] = np.nan
            good = (rpm > 0.0) & (rpm < BIN_RPM * BINS)
        if not good.any():
            return
        rows, turn, rpm = rows[good], turn[good], rpm[good]
        phase, error, dwell = phase[good], error[good], dwell[good]
        seen = np.isfinite(dwell)
        if self.reference_deg is None and seen.any():
            self.reference_deg = float(dwell[seen][0])
        self.revolutions += len(turn)
        self.least_rpm = min(self.least_rpm, float(rpm.min()))
        self.most_rpm = max(self.most_rpm, float(rpm.max()))
        u_open2 = (o.u_open_s[rows] ** 2).mean(axis=1)
        touch = phase[:, None] + error - dwell
        self._hand_on(
            Revolutions(
                begin_s=o.time_s[rows[:, 0]],
                end_s=o.time_s[rows[:, -1]],
                turn=turn,
                rpm=rpm,
                phase=phase,
                error=error,
                dwell=dwell - (self.reference_deg or 0.0),
                lost=o.lost_s[rows].sum(axis=1) * rpm * 6.0 / n,
                u_open2=u_open2,
                u_touch2=(o.u_touch_s[rows] ** 2).mean(axis=1),
                touch=touch,
                moving=np.zeros(len(turn), bool),
            )
        )

    def _hand_on(self, r: Revolutions) -> None:
        """To the sums at once, or kept where vacuum steps first have to be told apart."""
        if self.held is not None:
            self.held.parts.append(r)
        else:
            self._add_up(r)

    def _add_up(self, r: Revolutions) -> None:
        self.advance.add(r.turn, r.rpm, r.phase, r.u_open2)
        place = r.phase[:, None] + r.error
        self.windows.add(r.turn, np.column_stack([r.rpm, r.u_open2, place, r.touch]))
        self._settle(r)

    def _settle(self, rows: Revolutions | None) -> None:
        """Tell the revolutions in which the advance moves from the others, and add them up.

        A revolution waits for the one after it: what moves is seen from both sides. None: there is
        no other one after it.
        """
        held = self._before
        parts = [part for part in (held, rows) if part is not None]
        if not parts:
            return
        r = parts[0] if len(parts) == 1 else join_revolutions(parts)
        done = len(held.turn) - 1 if held is not None else 0
        end = len(r.turn) if rows is None else len(r.turn) - 1
        follows = np.diff(r.turn) == 1
        moves = follows & (np.abs(np.diff(r.rpm)) > MOVING_SHARE * r.rpm[1:])
        moves &= np.abs(np.diff(r.phase)) > MOVING_DEG
        r.moving[1:] |= moves
        r.moving[:-1] |= moves
        pair = np.flatnonzero(follows & ~r.moving[:-1] & ~r.moving[1:])
        self._steps(r, pair[(pair + 1 >= done) & (pair + 1 < end)])
        self._sum(r.take(slice(done, end)))
        self._before = None if rows is None else r.take(slice(-2, None))

    def _sum(self, rows: Revolutions) -> None:
        # Bins about the multiples of 50 rpm: people set round speeds, which must not fall to two.
        r = np.clip(rows.rpm / BIN_RPM + 0.5, 0, BINS - 1).astype(np.int64)
        seen = np.isfinite(rows.dwell)
        whole = seen.all(axis=1)
        dwell = np.where(seen, rows.dwell, 0.0)
        mean = np.where(whole, dwell.mean(axis=1), 0.0)
        # Revolutions in which the advance moves are added up apart, behind the others.
        r += BINS * rows.moving
        by_lobe = (r[:, None] * self.lobes + np.arange(self.lobes)).ravel()
        self.moving += int(rows.moving.sum())
        values = Bins(
            n=np.ones(len(r)), rpm=rows.rpm, phase=rows.phase, phase2=rows.phase**2,
            n_dwell=seen.astype(float), dwell=dwell, dwell2=dwell**2,
            n_mean=whole.astype(float), mean=mean, mean2=mean**2,
            error=rows.error, error2=rows.error**2,
            lost=np.where(whole, rows.lost, 0.0),
            u_open2=rows.u_open2, u_touch2=rows.u_touch2,
        )  # fmt: skip
        for f in fields(Bins):
            place = by_lobe if f.name in _BY_LOBE else r
            np.add.at(getattr(self._sums, f.name).ravel(), place, getattr(values, f.name).ravel())

    @property
    def bins(self) -> Bins:
        """The sums to measure from: without the revolutions in which the advance moves, if enough."""
        sums = [getattr(self._sums, f.name) for f in fields(Bins)]
        settled, moving = (Bins(*(s[part] for s in sums)) for part in _PARTS)
        if self._without_moving(settled, moving):
            return settled
        every = ((getattr(settled, f.name), getattr(moving, f.name)) for f in fields(Bins))
        return Bins(*(a + b for a, b in every))

    @staticmethod
    def _without_moving(settled: Bins, moving: Bins) -> bool:
        left = float(settled.n.sum())
        return left >= max(SETTLED_REVOLUTIONS, SETTLED_SHARE * (left + float(moving.n.sum())))

    @property
    def left_out(self) -> int:
        """Revolutions left out of dwell and spacing because the advance moved within them."""
        every = float(self._sums.n.sum())
        return self.moving if float(self.bins.n.sum()) < every else 0

    def _steps(self, rows: Revolutions, first: Ints) -> None:
        """Differences between neighbouring revolutions: they tell whether these are independent.

        first  the first one of each pair
        """
        mean = rows.dwell.mean(axis=1)
        step = mean[first + 1] - mean[first]
        step = step[np.isfinite(step)]
        # One after the other, so that the sums do not depend on how the run was split.
        np.add.at(self.dwell_steps, np.zeros(len(step), np.int64), 1.0)
        np.add.at(self.dwell_steps, np.ones(len(step), np.int64), step**2)
        wide = ((rows.error[first + 1] - rows.error[first]) ** 2).sum(axis=1)
        np.add.at(self.error_steps, np.zeros(len(wide), np.int64), float(self.lobes))
        np.add.at(self.error_steps, np.ones(len(wide), np.int64), wide)

    def finish(self) -> None:
        """Close what is open; nothing can be added to these sums after."""
        for part in self.held.counting() if self.held is not None else ():
            if part is None:
                self._cut_sums()
            else:
                self._add_up(part)
        self._cut_sums()

    def cut(self) -> None:
        """A hole: the revolution under way is lost, the numbering of the lobes goes on."""
        self._pending = None
        self._pending_n = np.empty(0, np.int64)
        self.missed.cut()
        if self.held is not None:
            self.held.parts.append(None)
        else:
            self._cut_sums()

    def _cut_sums(self) -> None:
        self._settle(None)
        self.windows.close()
        self.advance.cut()
