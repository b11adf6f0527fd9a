"""Two sets of points from three recordings with one index: each set alone, then both together.

Together the contact is closed where either set is: it opens with the last and touches with the first.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import NormalDist
from typing import Any

import numpy as np

from breakerbench.measure.circle import FULL, Stretch, pairing, stretch, union, wrapped
from breakerbench.measure.timing import BIN_RPM
from breakerbench.measure.uncertainty import rectangular

#: How much the openings may move from one speed of a bin to another, deg per rpm, from memory.
SLOPE = 0.03
#: Shares of the lobe pitch by which the second opens off the first, up to which sets overlap and from
#: which they alternate. Between, it cannot be said; common practice, no source.
OVERLAP_SHARE, ALTERNATE_SHARE = 0.2, 0.3

NORMAL = NormalDist()


@dataclass(frozen=True, slots=True)
class Seen:
    """One recording at one speed; lists of n angles from the index, deg, u expanded.

    scatter_deg  standard deviation of one opening, 0 where not known
    """

    rpm: float
    opens: tuple[float, ...]
    u_opens: tuple[float, ...]
    touches: tuple[float, ...]
    u_touches: tuple[float, ...]
    scatter_deg: float

    def closed(self, which: int) -> list[Stretch]:
        pairs = zip(self.touches, self.opens, strict=True)
        return [stretch(touch, opening, (which, k)) for k, (touch, opening) in enumerate(pairs)]


def seen_by_bin(result: Mapping[str, Any]) -> dict[int, Seen]:
    """What a result tells of the angles, by speed bin; bins with a touch missing left out."""
    scatter = result["scatter"]["deg"] or 0.0
    found = {}
    for row in result["spacing"]["by_speed"]:
        if None in row["touch_deg"]:
            continue
        found[int(row["rpm"] / BIN_RPM + 0.5)] = Seen(
            row["rpm"],
            tuple(row["open_deg"]),
            (row["u_open_deg"],) * len(row["open_deg"]),
            tuple(row["touch_deg"]),
            (row["u_touch_deg"],) * len(row["touch_deg"]),
            scatter,
        )
    return found


@dataclass(frozen=True, slots=True)
class Lag:
    """How far the second set opens after the first.

    arrangement  "overlapping", "alternating" or None: it cannot be said
    after_deg    (n,) after each lobe of the first set, negative: before; from 0 to the pitch where
                 they alternate
    u_deg        (n,) expanded
    """

    arrangement: str | None
    after_deg: tuple[float, ...]
    u_deg: tuple[float, ...]

    @property
    def mean_deg(self) -> float:
        return float(np.mean(self.after_deg))

    @property
    def u_mean_deg(self) -> float:
        """As if the errors of the lobes went together."""
        return float(np.mean(self.u_deg))


def lag(first: Seen, second: Seen) -> Lag:
    """Both must show the same number of lobes."""
    n = len(first.opens)
    pitch = FULL / n
    turn = pairing(first.opens, second.opens)
    partner = [(k + turn) % n for k in range(n)]
    after = [wrapped(second.opens[j] - first.opens[k]) for k, j in enumerate(partner)]
    off = abs(float(np.mean(np.abs(after)))) / pitch
    arrangement = None
    if off < OVERLAP_SHARE:
        arrangement = "overlapping"
    elif off > ALTERNATE_SHARE:
        arrangement = "alternating"
        # at half a pitch, noise alone decides which neighbour fits best: count forwards
        if np.mean(after) < 0.0:
            partner = [(j + 1) % n for j in partner]
        after = [(second.opens[j] - first.opens[k]) % FULL for k, j in enumerate(partner)]
    drift = drift_of(first, second)
    u = [
        float(np.sqrt(first.u_opens[k] ** 2 + second.u_opens[j] ** 2 + drift**2))
        for k, j in enumerate(partner)
    ]
    return Lag(arrangement, tuple(after), tuple(u))


@dataclass(frozen=True, slots=True)
class Together:
    """What both sets together must show: closed where either is.

    openings       a revolution; 0: it never opens
    dwell_deg      mean, and its expanded uncertainty; overlap_deg: closed in both, a lobe
    opens, touches angles from the index, in order of the openings; u_... expanded
    least_open_deg the shortest open stretch
    """

    openings: int
    dwell_deg: float
    u_dwell_deg: float
    overlap_deg: float
    opens: tuple[float, ...]
    u_opens: tuple[float, ...]
    touches: tuple[float, ...]
    u_touches: tuple[float, ...]
    least_open_deg: float


def together(first: Seen, second: Seen) -> Together:
    """The union of both, with what the scatter of two openings that come close adds."""
    sets = (first, second)
    each = [first.closed(0), second.closed(1)]
    found = union(each[0] + each[1])
    closed = sum(one.length_deg for one in found)
    alone = sum(one.length_deg for one in each[0] + each[1])
    overlap = max(alone - closed, 0.0) / len(first.opens)
    drift = drift_of(first, second)
    u_any = max(
        float(np.hypot(a, b))
        for one in sets
        for a, b in zip(one.u_opens, one.u_touches, strict=True)
    )
    if found[0].length_deg >= FULL:
        return Together(0, FULL, 0.0, overlap, (), (), (), (), 0.0)
    theta = float(np.hypot(first.scatter_deg, second.scatter_deg))
    opens, u_opens, touches, u_touches = [], [], [], []
    for one in sorted(found, key=lambda it: it.end_deg % FULL):
        (begins, k), (ends, j) = one.first, one.last
        touch, opening = one.begin_deg % FULL, one.end_deg % FULL
        apart_touch = _nearest(touch, sets[1 - begins].touches)
        apart_open = _nearest(opening, sets[1 - ends].opens)
        touches.append(touch)
        u_touches.append(float(np.hypot(sets[begins].u_touches[k], _later(apart_touch, theta))))
        opens.append(opening)
        u_opens.append(float(np.hypot(sets[ends].u_opens[j], _later(apart_open, theta))))
    gaps = [
        (after.begin_deg - before.end_deg) % FULL
        for before, after in zip(found, found[1:] + found[:1], strict=True)
    ]
    u_dwell = float(np.hypot(u_any, np.hypot(max(u_opens), max(u_touches))))
    return Together(
        openings=len(found),
        dwell_deg=closed / len(found),
        u_dwell_deg=float(np.hypot(u_dwell, drift)),
        overlap_deg=overlap,
        opens=tuple(opens),
        u_opens=tuple(u_opens),
        touches=tuple(touches),
        u_touches=tuple(u_touches),
        least_open_deg=min(gaps),
    )


@dataclass(frozen=True, slots=True)
class Difference:
    """Both together as measured, less what the sets alone make: positive is late, deg.

    In the order of the measured openings; u expanded, of the difference.
    """

    late_open_deg: tuple[float, ...]
    u_open_deg: tuple[float, ...]
    late_touch_deg: tuple[float, ...]
    u_touch_deg: tuple[float, ...]

    @property
    def agrees(self) -> bool:
        """Nothing differs by more than its uncertainty, widened for the largest of several."""
        rows = zip(
            self.late_open_deg + self.late_touch_deg,
            self.u_open_deg + self.u_touch_deg,
            strict=True,
        )
        # Bonferroni: each of m at 4.55 % / m, so that all of them pass with 95.45 %
        many = 2 * len(self.late_open_deg)
        widened = -NORMAL.inv_cdf(0.0455 / 2.0 / many) / 2.0
        return all(abs(late) <= widened * u for late, u in rows)

    @property
    def shift_deg(self) -> float:
        """What all openings and touches are late by."""
        return float(np.mean(self.late_open_deg + self.late_touch_deg))


def difference(measured: Seen, expected: Together | Seen, drift_deg: float) -> Difference:
    """Both must show the same number of openings."""
    n = len(measured.opens)
    turn = pairing(measured.opens, expected.opens)

    def compared(
        here: Sequence[float], u: Sequence[float], there: Sequence[float], v: Sequence[float]
    ) -> tuple[tuple[float, ...], tuple[float, ...]]:
        late, wide = [], []
        for k in range(n):
            j = (k + turn) % n
            late.append(wrapped(here[k] - there[j]))
            wide.append(float(np.sqrt(u[k] ** 2 + v[j] ** 2 + drift_deg**2)))
        return tuple(late), tuple(wide)

    return Difference(
        *compared(measured.opens, measured.u_opens, expected.opens, expected.u_opens),
        *compared(measured.touches, measured.u_touches, expected.touches, expected.u_touches),
    )


def drift_of(*seen: Seen) -> float:
    """Expanded uncertainty of the advance between speeds of one bin that are not quite the same."""
    speeds = [one.rpm for one in seen]
    return 2.0 * rectangular(SLOPE * (max(speeds) - min(speeds)))


def _nearest(angle: float, others: Sequence[float]) -> float:
    return min(abs(wrapped(angle - other)) for other in others)


def _later(apart_deg: float, theta_deg: float) -> float:
    """How much the mean of the later of two events lies beyond the later of their means, deg.

    apart_deg  between the means; theta_deg: standard deviation of the difference. Normal
    distributions (Clark, Operations Research 9, 1961: the greatest of a finite set of random
    variables; from memory). Taken as an uncertainty: whether they scatter together is not known.
    """
    if theta_deg <= 0.0:
        return 0.0
    x = apart_deg / theta_deg
    return theta_deg * (NORMAL.pdf(x) - x * NORMAL.cdf(-x))
