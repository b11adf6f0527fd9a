"""Lobe by lobe, and the advance along the speeds, while a run goes on: for watching, in no result."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from breakerbench.measure.now import Reading, Turn
from breakerbench.measure.timing import BIN_RPM, BINS

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Turns that are kept.
MOST_TURNS = 100
#: So much of a revolution after the last one kept, a turn is another one; its end scatters.
WHOLE = 0.97
#: A turn whose speed is off the one before by more than this share tells no advance.
MOST_CHANGE = 0.12
#: The speed goes the other way when it has come back by so much: rpm and as a share.
BACK_RPM, BACK_SHARE = 10.0, 0.01
#: A speed is shown from so many turns on.
LEAST_TURNS = 1.0
RISING, FALLING = 0, 1


@dataclass(frozen=True, slots=True)
class Reference:
    """Where the openings stand at the slowest speed of the run so far (``Reading.place_deg``)."""

    rpm: float
    place_deg: float


@dataclass(frozen=True, slots=True)
class AdvancePoint:
    """How much earlier the openings came, on average over the turns within one 50 rpm bin.

    rpm     mean speed of these turns
    deg     earlier than at the slowest speed so far
    rising  whether the speed was rising, or had risen last
    """

    rpm: float
    deg: float
    rising: bool


def earlier_deg(
    reference_deg: Floats | float, place_deg: Floats | float, pitch_deg: float
) -> Floats:
    """Earlier than the reference: as for a zero by hand, from a quarter of a pitch late to three
    quarters early.
    """
    earlier = np.asarray(reference_deg) - place_deg + 0.25 * pitch_deg
    return np.asarray(earlier % pitch_deg - 0.25 * pitch_deg)


class LobeTurns:
    """The last turns lobe by lobe.

    Lobe 1 is the first to open after angle 0 at the slowest speed, and stays it as the advance comes in.
    Without an index any lobe is called lobe 1, and another one after a hole.
    """

    def __init__(self) -> None:
        self._lobes = 0
        self._indexed = False
        self._ended_s = -np.inf  # last opening of the newest turn
        self._slot = 0  # without an index: pitches from lobe 1 to that turn's first opening
        self._rows: list[tuple[float, Floats, Floats]] = []  # phase or slot; off the grid; dwell
        # Phase of the even grid at the slowest speed, which speed, and the slot of lobe 1.
        self._zero_deg, self._zero_rpm, self._first = 0.0, np.nan, 0

    def add(self, turn: Turn, reading: Reading) -> None:
        """A turn, if it is not much the same as the last one."""
        lobes, ended_s = len(turn.opened_deg), float(turn.time_s[-1])
        pitch_s = reading.pitch_s or 0.0
        if (lobes, turn.indexed) != (self._lobes, self._indexed):
            self._rows, self._lobes, self._indexed = [], lobes, turn.indexed
        elif ended_s < self._ended_s + WHOLE * lobes * pitch_s:
            return
        phase = turn.phase_deg
        off = turn.opened_deg - phase - 360.0 / lobes * np.arange(lobes)
        if not turn.indexed:
            # Counted on from the last turn that was kept.
            since = turn.time_s[turn.time_s > self._ended_s - 0.5 * pitch_s]
            if len(since) == len(turn.time_s):
                self._rows = []
            steps = np.diff(since) * lobes / (turn.time_s[-1] - turn.time_s[-1 - lobes])
            self._slot = (self._slot + int(np.rint(steps).sum())) % lobes if self._rows else 0
            phase = 360.0 / lobes * self._slot
        self._ended_s = ended_s
        self._rows = [*self._rows[1 - MOST_TURNS :], (phase, off, turn.dwell_deg)]

    def tables(self, reference: Reference | None, nominal: Floats | None) -> tuple[Floats, Floats]:
        """(turns, lobes) how late each opens, and its dwell, deg; the newest turn last.

        nominal  (lobes,) opening angles of uneven lobes, or None: evenly spaced
        """
        lobes = self._lobes
        if not self._rows:
            return np.empty((0, lobes)), np.empty((0, lobes))
        phase = np.array([row[0] for row in self._rows])
        off, dwell = (np.array([row[k] for row in self._rows]) for k in (1, 2))
        pitch = 360.0 / lobes
        if self._indexed:
            where = None if reference is None else reference.place_deg - 0.5 * (lobes - 1) * pitch
            rpm = -1.0 if reference is None else reference.rpm
            zero = float(phase[-1]) if where is None else where
            if rpm != self._zero_rpm or where is None:
                zero %= pitch
            else:
                # Across angle 0 too it stays the same lobe.
                zero = self._zero_deg + float(-earlier_by(self._zero_deg, zero, pitch))
            slot = _slots(phase, zero, pitch) % lobes
            if rpm != self._zero_rpm:
                usual = _rolled(off, slot).mean(axis=0)
                opened = (zero + pitch * np.arange(lobes) + usual) % 360.0
                self._zero_rpm, self._first = rpm, int(np.argmin(opened))
            self._zero_deg = zero
            slot = slot - self._first
        else:
            slot = np.rint(phase / pitch).astype(np.int64)
        late, dwell = _rolled(off, slot), _rolled(dwell, slot)
        return late - _uneven(late, nominal), dwell


def earlier_by(one: float, other: float, pitch: float) -> float:
    """The step from ``other`` back to ``one``, less whole pitches, -pitch / 2 to pitch / 2."""
    return (one - other + 0.5 * pitch) % pitch - 0.5 * pitch


def _slots(phase: Floats, zero: float, pitch: float) -> Ints:
    """Pitches from the grid's zero to the first opening of each turn, the advance left out."""
    earlier = earlier_deg(zero, phase, pitch)
    return np.rint((phase + earlier - zero) / pitch).astype(np.int64)


def _rolled(rows: Floats, slot: Ints) -> Floats:
    """Rows in the order of time into the order of the lobes; ``slot`` is the lobe of the first."""
    lobes = rows.shape[1]
    at = (np.arange(lobes) - slot[:, None]) % lobes
    return np.take_along_axis(rows, at, axis=1)


def _uneven(late: Floats, nominal: Floats | None) -> Floats:
    """The nominal pattern less an even one, turned to fit the lobes."""
    lobes = late.shape[1]
    if nominal is None or len(nominal) != lobes:
        return np.zeros(lobes)
    uneven = nominal - nominal[0] - 360.0 / lobes * np.arange(lobes)
    uneven -= uneven.mean()
    usual = late.mean(axis=0)
    turned: list[Floats] = [np.roll(uneven, -k) for k in range(lobes)]
    return min(turned, key=lambda each: float(np.square(usual - each).sum()))


class AdvanceTrail:
    """Mean advance in 50 rpm bins, rising and falling apart."""

    def __init__(self) -> None:
        self._lobes = 0
        #: Turns, their speeds and how far their places are off the first one, sums; that first one.
        self._sums = np.zeros((2, BINS, 4))
        self._ended_s = -np.inf
        self._way = RISING
        self._turned_rpm: float | None = None  # the furthest that the speed has gone this way

    def add(self, reading: Reading) -> None:
        """A reading, for as much of its turn as is new."""
        opened_s, pitch_s, lobes = reading.opened_s, reading.pitch_s, reading.lobes
        if opened_s is None or pitch_s is None or not lobes:
            return
        rpm = 60.0 / (lobes * pitch_s)
        self._trend(rpm)
        if reading.place_deg is None or reading.change is None or rpm >= BIN_RPM * (BINS - 1):
            return
        if lobes != self._lobes:
            self._lobes = lobes
            self._sums[:] = 0.0
        turns = min((opened_s - self._ended_s) / (lobes * pitch_s), 1.0)
        if turns <= 0.0:
            return
        self._ended_s = opened_s
        if abs(reading.change) > MOST_CHANGE:
            return
        row = self._sums[self._way, int(rpm / BIN_RPM + 0.5)]
        if row[0] == 0.0:
            row[3] = reading.place_deg
        off = -earlier_by(row[3], reading.place_deg, 360.0 / lobes)
        row[:3] += turns, turns * rpm, turns * off

    def _trend(self, rpm: float) -> None:
        if self._turned_rpm is None:
            self._turned_rpm = rpm
        ahead = 1.0 if self._way == RISING else -1.0
        if ahead * (rpm - self._turned_rpm) >= 0.0:
            self._turned_rpm = rpm
        elif abs(rpm - self._turned_rpm) > BACK_RPM + BACK_SHARE * rpm:
            self._way, self._turned_rpm = 1 - self._way, rpm

    def points(self, reference: Reference | None) -> tuple[AdvancePoint, ...]:
        """Rising, then falling, each by speed; none without a speed to count from."""
        if reference is None:
            return ()
        found = []
        for way in (RISING, FALLING):
            rows = self._sums[way]
            rows = rows[rows[:, 0] >= LEAST_TURNS]
            place = rows[:, 3] + rows[:, 2] / rows[:, 0]
            deg = earlier_deg(reference.place_deg, place, 360.0 / max(self._lobes, 1))
            rpm = rows[:, 1] / rows[:, 0]
            found += [
                AdvancePoint(r, d, way == RISING)
                for r, d in zip(rpm.tolist(), deg.tolist(), strict=True)
            ]
        return tuple(found)
