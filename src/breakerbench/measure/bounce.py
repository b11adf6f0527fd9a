"""Bounce: how long the contact takes to settle after its first touch, and from which speed on.

Every closing is put into its 50 rpm speed bin at once: counts, and the settling times in cells so
narrow that a median can be taken from them. Nothing here holds a run, and counts do not depend on
how it was split. Definitions: DEVELOPERS.md.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import comb
from typing import Any

import numpy as np
from numpy.typing import NDArray

from breakerbench.edges.events import Openings
from breakerbench.measure.timing import BIN_RPM, BINS
from breakerbench.measure.uncertainty import rectangular

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Settling later than this is bounce that matters, where no specification says otherwise, deg.
SETTLE_DEG = 0.5
#: Onset is looked for in bins of so many closings, of which this share settles late.
ONSET_CLOSINGS = 20
LATE_SHARE = 0.05
#: Cells of settling angles and times: from the least value, each wider than the one before by STEP.
LEAST_DEG, LEAST_S = 1e-3, 1e-7
STEP = 1.005
CELLS = int(np.log(1e9) / np.log(STEP))
#: Where the re-closing lies between samples: half-width, samples. On traces of two simulators, dry
#: feed, errors lie within a tenth where the last loss of contact lasts for three samples or more and
#: within a half where it is shorter.
PLACEMENT_SAMPLES = 0.3
#: Where a loss of contact must last longer than so many samples to leave a sign (a condenser across a
#: dry feed), and where samples lie further apart than this, the last short ones are not seen: half-width
#: of what these add, in such losses (simulated arms at 60, 100 and 160 kS/s: up to 25 microseconds).
SEEN_SAMPLES, UNSEEN_LOSSES = 3.5, 1.5
COARSE_S = 5e-6
#: With a coil some first touches that are lost again at once pass for its ring, and the settling is
#: counted from a later one: standard uncertainty, share of the median (79 traces of a simulator that
#: shares nothing with ours: three were too short by more than the rest of U, by 0.09, 0.24 and 0.31).
HIDDEN_SHARE = 0.15


@dataclass(slots=True)
class Bounce:
    """Closings by speed bin.

    limit_deg  settling later than this is late
    """

    limit_deg: float = SETTLE_DEG
    _n: Ints = field(default_factory=lambda: np.zeros(BINS, np.int64))
    _late: Ints = field(default_factory=lambda: np.zeros(BINS, np.int64))
    _rpm: Floats = field(default_factory=lambda: np.zeros(BINS))
    _deg: dict[int, Ints] = field(default_factory=dict)
    _s: dict[int, Ints] = field(default_factory=dict)

    def add(self, o: Openings) -> None:
        """Closings with their openings; the speed of one is that of its own dwell."""
        with np.errstate(divide="ignore", invalid="ignore"):
            rpm = (o.open_deg - o.touch_deg) / (o.time_s - o.touch_s) / 6.0
            good = o.valid & (rpm > 0.0) & (rpm < BIN_RPM * (BINS - 1))
        rpm, settle_s = rpm[good], (o.settled_s - o.touch_s)[good]
        place = (rpm / BIN_RPM + 0.5).astype(np.int64)
        settle_deg = 6.0 * rpm * settle_s
        np.add.at(self._n, place, 1)
        np.add.at(self._rpm, place, rpm)
        np.add.at(self._late, place, settle_deg > self.limit_deg)
        bounced = settle_s > 0.0
        for cells, values, least in (
            (self._deg, settle_deg[bounced], LEAST_DEG),
            (self._s, settle_s[bounced], LEAST_S),
        ):
            cell = np.log(np.maximum(values / least, 1.0)) / np.log(STEP)
            cell = np.minimum(cell, CELLS - 1).astype(np.int64)
            for k in np.unique(place[bounced]).tolist():
                held = cells.setdefault(k, np.zeros(CELLS, np.int64))
                np.add.at(held, cell[place[bounced] == k], 1)

    def figures(self, least_s: float, sample_s: float, coil: bool = False) -> dict[str, Any] | str:
        """The table ``bounce`` of the result, or the reason why there is none.

        least_s   a loss of contact shorter than this may leave no sign, s
        sample_s  one sample, s
        coil      the points switch a coil, whose ring hides some of the bounce
        """
        enough = np.flatnonzero(self._n >= ONSET_CLOSINGS)
        if not len(enough):
            return f"fewer than {ONSET_CLOSINGS} closings at any one speed"
        rpm = self._rpm[enough] / self._n[enough]
        fine = 6.0 * rpm * least_s <= self.limit_deg
        if not fine.any():
            return (
                f"too coarse: a loss of contact of up to {least_s * 1e6:.0f} microseconds may leave no "
                f"sign, in which the shaft turns more than {self.limit_deg:.2g} degrees; sample faster, "
                "and take the condenser off a dry feed"
            )
        bins, rpm = enough[fine], rpm[fine]
        onset = self._onset(bins)
        coarse = least_s > SEEN_SAMPLES * sample_s or sample_s > COARSE_S
        unseen_s = UNSEEN_LOSSES * least_s if coarse else 0.0
        u_s = float(np.hypot(rectangular(PLACEMENT_SAMPLES * sample_s), rectangular(unseen_s)))
        return {
            "onset_rpm": onset,
            # Known to one bin, by its definition.
            "u_onset_rpm": None if onset is None else BIN_RPM,
            "looked_to_rpm": float(rpm[-1]),
            "by_speed": [
                self._row(k, speed, u_s, HIDDEN_SHARE if coil else 0.0)
                for k, speed in zip(bins.tolist(), rpm.tolist(), strict=True)
            ],
        }

    def _onset(self, bins: Ints) -> float | None:
        """Lower edge of the first bin that settles late, the next one (if there is one) agreeing."""
        late = self._late[bins] >= LATE_SHARE * self._n[bins]
        agrees = np.append(late[1:], True)
        first = np.flatnonzero(late & agrees)
        return max(float(bins[first[0]]) - 0.5, 0.0) * BIN_RPM if len(first) else None

    def _row(self, k: int, rpm: float, u_s: float, hidden: float) -> dict[str, Any]:
        """One bin: u_s is the standard uncertainty of a settling, hidden that share of the median."""
        settle_deg = settle_s = u_deg = None
        bounced = 0
        if k in self._deg:
            bounced = int(self._deg[k].sum())
            settle_deg = _median(self._deg[k], LEAST_DEG)
            settle_s = _median(self._s[k], LEAST_S)
            rank = median_rank(bounced)
            if rank is not None:
                low = _at_rank(self._deg[k], LEAST_DEG, rank)
                high = _at_rank(self._deg[k], LEAST_DEG, bounced + 1 - rank)
                spread = max(high - settle_deg, settle_deg - low)
                shared = float(np.hypot(u_s * rpm * 6.0, hidden * settle_deg))
                u_deg = float(np.hypot(spread, 2.0 * shared))
        return {
            "rpm": rpm,
            "settle_deg": settle_deg,
            "u_settle_deg": u_deg,
            "settle_s": settle_s,
            "share": bounced / int(self._n[k]),
            "closings": int(self._n[k]),
        }


def _at_rank(cells: Ints, least: float, rank: int) -> float:
    """The value of the given rank, from 1 on, of those in the cells, interpolated in its cell."""
    upto = np.cumsum(cells)
    k = int(np.searchsorted(upto, rank))
    inside = (rank - 0.5 - float(upto[k] - cells[k])) / float(cells[k])
    return float(least * STEP ** (k + inside))


def _median(cells: Ints, least: float) -> float:
    n = int(cells.sum())
    return 0.5 * (_at_rank(cells, least, (n + 1) // 2) + _at_rank(cells, least, n // 2 + 1))


def median_rank(n: int) -> int | None:
    """r such that the median lies between the r-th smallest and r-th largest of n in 95.45 %.

    Whatever the distribution: the number of values below the median is binomial (ISO 16269-7:2001,
    confidence interval of the median; from memory). None where n is too few for any (fewer than 6).
    """
    if n > 400:
        # The normal approximation, half a count on the safe side.
        return int(0.5 * (n - 2.0 * np.sqrt(n)))
    tail, rank = 0.0, 0
    for below in range(n // 2):
        tail += comb(n, below) / 2.0**n
        if 2.0 * tail > 1.0 - 0.9545:
            break
        rank = below + 1
    return rank or None
