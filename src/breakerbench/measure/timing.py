"""Dwell, spacing, scatter and speed from the angles of touches and openings.

Nothing here holds a run: contacts are grouped into revolutions as they come, each revolution is
added to its 50 rpm speed bin at once, and scatter is taken from windows of a few revolutions.
Definitions: design section 5, repeated in DEVELOPERS.md.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from breakerbench.edges.events import Openings, join_openings

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

BIN_RPM = 50.0
BINS = 400
#: Revolutions of one scatter window, and the fewest worth taking at a break.
WINDOW = 32
SHORTEST_WINDOW = 6
#: A window whose speed changes by more than this is not steady.
STEADY_RPM = 50.0


class Bins:
    """Sums by speed bin; every one is added to in the order of the revolutions."""

    def __init__(self, lobes: int) -> None:
        self.n = np.zeros(BINS)
        self.rpm = np.zeros(BINS)
        self.dwell = np.zeros((BINS, lobes))
        self.dwell2 = np.zeros((BINS, lobes))
        self.mean = np.zeros(BINS)
        self.mean2 = np.zeros(BINS)
        self.error = np.zeros((BINS, lobes))
        self.error2 = np.zeros((BINS, lobes))
        self.phase = np.zeros(BINS)
        self.lost = np.zeros(BINS)
        self.u_open2 = np.zeros(BINS)
        self.u_touch2 = np.zeros(BINS)


@dataclass(slots=True)
class ScatterSums:
    """Sums of scatter windows: squares, degrees of freedom, the noise of placement to take off."""

    square: float = 0.0
    dof: float = 0.0
    events: float = 0.0
    noise: float = 0.0
    omega2: float = 0.0
    neighbour: float = 0.0
    low: float = 0.0
    high: float = 0.0


class Timing:
    """Adds up the revolutions of a run.

    lobes    openings a revolution
    nominal  (lobes,) nominal opening angles from the first one, deg, increasing
    """

    def __init__(self, lobes: int, nominal: Floats | None = None) -> None:
        self.lobes = lobes
        even = np.arange(lobes) * (360.0 / lobes)
        self.nominal = even if nominal is None else np.asarray(nominal, float) - float(nominal[0])
        self.bins = Bins(lobes)
        self.steady = ScatterSums()
        self.moving = ScatterSums()
        self.revolutions = 0
        self.extra = 0
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
        self._window: list[tuple[Floats, float, float, float]] = []
        self._window_q: int | None = None
        self._before: tuple[int, float, Floats] | None = None

    # --- labels ---

    def _coordinate(self, deg: Floats) -> Floats:
        """Angle on a scale on which the nominal openings stand at whole numbers."""
        assert self._shift is not None
        turn = np.floor((deg - self._shift) / 360.0)
        rest = deg - self._shift - 360.0 * turn
        grid = np.append(self.nominal, 360.0)
        return np.asarray(turn * self.lobes + np.interp(rest, grid, np.arange(self.lobes + 1.0)))

    def _align(self, deg: Floats) -> float:
        """Angle of the nominal pattern's beginning: the pattern turned to fit the first openings."""
        n = self.lobes
        pitch = 360.0 / n
        first = deg[:n]
        if len(first) < n or np.ptp(self.nominal - np.arange(n) * pitch) == 0.0:
            return float(first[0] % pitch)
        order = np.sort(first % 360.0)
        best, shift = np.inf, 0.0
        for turn in range(n):
            gap = (np.roll(order, -turn) - self.nominal + 180.0) % 360.0 - 180.0
            centre = np.angle(np.exp(1j * np.deg2rad(gap)).mean())
            miss = float(np.abs(np.exp(1j * (np.deg2rad(gap) - centre)) - 1.0).max())
            if miss < best:
                best, shift = miss, float(np.rad2deg(centre))
        return shift % 360.0

    def add(self, openings: Openings, final: bool = False) -> None:
        """Openings in order; those without a valid angle interrupt the revolution."""
        ready = openings if self._pending is None else join_openings([self._pending, openings])
        if self._shift is None:
            known = ready.open_deg[np.isfinite(ready.open_deg)]
            if len(known) < self.lobes and not final:
                self._pending = ready
                return
            if not len(known):
                self._pending = None
                return
            self._shift = self._align(known)
            self._pending_n = np.empty(0, np.int64)
            openings = ready
            ready = openings
        if len(openings):
            fresh = self._number(openings)
            number = np.concatenate([self._pending_n, fresh])
        else:
            number = self._pending_n
        if not len(number):
            return
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
        n = self.lobes
        usable = o.valid & (number >= 0)
        # A revolution goes from the opening that ends the one before to its own last opening.
        fits = np.zeros(len(o), bool)
        if len(o) > n:
            head = np.arange(len(o) - n)
            fits[head] = (number[head] % n == n - 1) & (number[head + n] == number[head] + n)
            fits[head] &= number[head] >= 0
            for k in range(1, n + 1):
                fits[head] &= usable[head + k] & (number[head + k] == number[head] + k)
        start = np.flatnonzero(fits)
        if len(start):
            self._reduce(o, number, start)
        # What may still become a revolution: from the last possible head on.
        keep = max(len(o) - n, 0)
        tail = np.flatnonzero(number[keep:] % n == n - 1)
        keep = keep + int(tail[0]) if len(tail) else len(o)
        self._pending, self._pending_n = o.take(slice(keep, None)), number[keep:]

    def _reduce(self, o: Openings, number: Ints, start: Ints) -> None:
        """Add whole revolutions: rows of (revolution, lobe)."""
        n = self.lobes
        rows = start[:, None] + np.arange(1, n + 1)
        turn = number[start + 1] // n
        span_s = o.time_s[start + n] - o.time_s[start]
        rpm = (o.open_deg[start + n] - o.open_deg[start]) / span_s / 6.0
        moved = o.open_deg[rows] - 360.0 * ((o.open_deg[rows[:, :1]] - self.nominal[0]) // 360.0)
        deviation = moved - self.nominal
        phase = deviation.mean(axis=1)
        error = deviation - phase[:, None]
        # The whole turns taken off must not jump when the first lobe passes the index.
        phase = (phase - self._shift_now() + 180.0) % 360.0 - 180.0 + self._shift_now()
        dwell = o.open_deg[rows] - o.touch_deg[rows]
        good = (rpm > 0) & (rpm < BIN_RPM * BINS) & np.isfinite(dwell).all(axis=1)
        pitch = 360.0 / n
        good &= (dwell > 0).all(axis=1) & (dwell < 2.0 * pitch + 360.0 * (n == 1)).all(axis=1)
        bin_of = np.clip(rpm / BIN_RPM, 0, BINS - 1).astype(np.int64)
        lost = o.lost_s[rows].sum(axis=1) * rpm * 6.0 / n
        if self.reference_deg is None and good.any():
            self.reference_deg = float(dwell[good][0].mean())
        if not good.any():
            return
        b, r = self.bins, bin_of[good]
        centred = dwell[good] - (self.reference_deg or 0.0)
        mean = centred.mean(axis=1)
        err = error[good]
        for total, values in (
            (b.n, np.ones(len(r))), (b.rpm, rpm[good]),
            (b.dwell, centred), (b.dwell2, centred**2),
            (b.mean, mean), (b.mean2, mean**2),
            (b.error, err), (b.error2, err**2),
            (b.phase, phase[good]), (b.lost, lost[good]),
            (b.u_open2, (o.u_open_s[rows[good]] ** 2).mean(axis=1)),
            (b.u_touch2, (o.u_touch_s[rows[good]] ** 2).mean(axis=1)),
        ):  # fmt: skip
            np.add.at(total, r, values)
        self.revolutions += len(r)
        self.least_rpm = min(self.least_rpm, float(rpm[good].min()))
        self.most_rpm = max(self.most_rpm, float(rpm[good].max()))
        u2 = (o.u_open_s[rows] ** 2).mean(axis=1)
        smooth = phase[:, None] + error
        for k in np.flatnonzero(good).tolist():
            self._step(int(turn[k]), float(dwell[k].mean()), error[k])
            self._to_window(int(turn[k]), smooth[k], float(rpm[k]), float(u2[k]))

    def _shift_now(self) -> float:
        return self._shift or 0.0

    def _step(self, turn: int, mean: float, error: Floats) -> None:
        """Differences between neighbouring revolutions: they tell whether these are independent."""
        before, self._before = self._before, (turn, mean, error)
        if before is None or turn != before[0] + 1:
            return
        self.dwell_steps += (1.0, (mean - before[1]) ** 2)
        self.error_steps += (len(error), float(((error - before[2]) ** 2).sum()))

    # --- scatter ---

    def _to_window(self, turn: int, deviation: Floats, rpm: float, u2: float) -> None:
        if self._window_q is not None and turn != self._window_q + 1:
            self._close_window()
        self._window_q = turn
        self._window.append((deviation, rpm, u2, turn))
        if len(self._window) == WINDOW:
            self._close_window()

    def _close_window(self) -> None:
        rows, self._window = self._window, []
        m = len(rows)
        if m < SHORTEST_WINDOW:
            return
        x = np.array([row[0] for row in rows])
        rpm = np.array([row[1] for row in rows])
        trend = x.mean(axis=1)
        degree = 3 if m >= 12 else 1
        t = np.linspace(-1.0, 1.0, m)
        basis = np.vander(t, degree + 1, increasing=True)
        q, _ = np.linalg.qr(basis)
        smooth = q @ (q.T @ trend)
        centred = x - x.mean(axis=0) - (smooth - trend.mean())[:, None]
        dof = m * self.lobes - self.lobes - degree
        omega = rpm * 6.0
        steady = float(np.ptp(rpm)) < STEADY_RPM
        sums = self.steady if steady else self.moving
        sums.square += float((centred**2).sum())
        sums.dof += dof
        sums.events += centred.size
        flat = centred.ravel()
        sums.neighbour += float((flat[1:] * flat[:-1]).sum())
        sums.noise += float((np.array([row[2] for row in rows]) * omega**2).sum()) * self.lobes
        sums.omega2 += float((omega**2).sum()) * self.lobes
        sums.low = min(sums.low, float(centred.min()))
        sums.high = max(sums.high, float(centred.max()))

    def finish(self) -> None:
        """Close what is open; nothing can be added to these sums after."""
        self._close_window()

    def cut(self) -> None:
        """A hole: the revolution under way is lost, the numbering of the lobes goes on."""
        self._pending = None
        self._pending_n = np.empty(0, np.int64)
        self._close_window()
        self._window_q = None
        self._before = None
