"""Places of the openings by speed, rising and falling apart, for the advance.

Every revolution is added at once to a narrow speed bin, in the order of the revolutions.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Width of the bins that are added up. A corner of the curve is blunted within one; ten make a point.
FINE_RPM = 5.0
FINE = 4000
#: The speed turns round where it comes back by this from its last extreme, and by this share of it.
TURN_RPM = 10.0
TURN_SHARE = 0.03
#: A revolution beside which the change of speed itself changes by more than this share of the speed
#: (a step) has no one speed that its openings belong to.
ROUGH_SHARE = 0.02

BEFORE, RISING, FALLING = 0, 1, 2


class Advance:
    """Adds up the places of the openings by speed, rising and falling apart.

    lobes  openings a revolution

    Sums are (3, bins): before the speed first changes, while it rises, while it falls.
    """

    def __init__(self, lobes: int) -> None:
        self.lobes = lobes
        self.n, self.rpm, self.phase, self.phase2, self.u2 = np.zeros((5, 3, FINE))
        self.first_way = RISING
        self._origin: float | None = None
        self._way = BEFORE
        self._low, self._high = np.inf, -np.inf
        self._held: Floats | None = None
        self._done = 0

    @property
    def origin_deg(self) -> float:
        """Angle that the places count from."""
        return self._origin or 0.0

    def add(self, turn: Ints, rpm: Floats, phase: Floats, u_open2: Floats) -> None:
        """Whole revolutions in order: number, speed, place of the openings (deg), variance (s^2)."""
        if self._origin is None and len(phase):
            self._origin = float(phase[0])
        rows = np.column_stack([turn, rpm, phase - (self._origin or 0.0), u_open2])
        self._settle(rows if self._held is None else np.concatenate([self._held, rows]), 2)

    def cut(self) -> None:
        """A hole, or the end: no revolution is compared with one beyond it."""
        if self._held is not None:
            self._settle(self._held, 0)
        self._held, self._done = None, 0

    def _settle(self, r: Floats, wait: int) -> None:
        """Sum up all but the last ``wait`` revolutions, which need those after them."""
        end = len(r) - wait
        if end <= self._done:
            self._held = r
            return
        step = np.where(np.diff(r[:, 0]) == 1.0, np.diff(r[:, 1]), np.nan)
        before, after = np.append(np.nan, step), np.append(step, np.nan)
        rough = np.abs(after - before) > ROUGH_SHARE * r[:, 1]
        near = rough.copy()
        near[1:] |= rough[:-1]
        near[:-1] |= rough[1:]
        lone = np.isnan(before) & np.isnan(after)
        slope = np.where(np.isnan(before), after, np.where(np.isnan(after), before, 0.0))
        both = ~np.isnan(before) & ~np.isnan(after)
        slope[both] = 0.5 * (before + after)[both]
        slope[lone] = 0.0
        # The speed was taken half a pitch before the middle of the openings.
        speed = r[:, 1] + slope / (2.0 * self.lobes)
        pick = slice(self._done, end)
        ways = self._tell(speed[pick])
        good = ~(near | lone)[pick]
        self._sum(ways[good], speed[pick][good], r[pick][good])
        keep = max(end - 2, 0)
        self._held, self._done = r[keep:], end - keep

    def _tell(self, rpm: Floats) -> Ints:
        """Rising or falling, of each: a plateau belongs to the ramp before it."""
        ways = np.empty(len(rpm), np.int64)
        begin = 0
        while begin < len(rpm):
            rest = rpm[begin:]
            low = np.minimum.accumulate(np.minimum(rest, self._low))
            high = np.maximum.accumulate(np.maximum(rest, self._high))
            back = np.maximum(TURN_RPM, TURN_SHARE * rest)
            rises = (rest > low + back) & (self._way != RISING)
            turns = rises | ((rest < high - back) & (self._way != FALLING))
            end = int(np.argmax(turns)) if turns.any() else len(rest)
            ways[begin : begin + end] = self._way
            last = min(end, len(rest) - 1)
            self._low, self._high = float(low[last]), float(high[last])
            if end < len(rest):
                if rises[end]:
                    way, self._high = RISING, float(rest[end])
                else:
                    way, self._low = FALLING, float(rest[end])
                if self._way == BEFORE:
                    self.first_way = way
                self._way = ways[begin + end] = way
            begin += end + 1
        return ways

    def _sum(self, ways: Ints, speed: Floats, r: Floats) -> None:
        place = ways * FINE + np.clip(speed / FINE_RPM, 0, FINE - 1).astype(np.int64)
        # One after the other, so that the sums do not depend on how the run was split.
        for total, value in (
            (self.n, np.ones(len(place))),
            (self.rpm, speed),
            (self.phase, r[:, 2]),
            (self.phase2, r[:, 2] ** 2),
            (self.u2, r[:, 3]),
        ):
            np.add.at(total.ravel(), place, value)
