"""Closed stretches on a circle of 360 degrees: their union, and how one list of angles fits another."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

FULL = 360.0


@dataclass(frozen=True, slots=True)
class Stretch:
    """A closed stretch from one angle on; with the places in lists of what begins and ends it.

    begin_deg  from 0 to 360
    length_deg more than 0, 360 for all of the circle
    first      what begins it: (list, place in it); last: what ends it
    """

    begin_deg: float
    length_deg: float
    first: tuple[int, int] = (0, 0)
    last: tuple[int, int] = (0, 0)

    @property
    def end_deg(self) -> float:
        return self.begin_deg + self.length_deg


def stretch(touch_deg: float, open_deg: float, key: tuple[int, int] = (0, 0)) -> Stretch:
    """From a touch to the opening that ends it."""
    return Stretch(touch_deg % FULL, (open_deg - touch_deg) % FULL or FULL, key, key)


def union(stretches: Sequence[Stretch]) -> list[Stretch]:
    """Where at least one of the stretches is closed: disjoint, by rising begin; touching ones joined."""
    joined: list[Stretch] = []
    for each in sorted(stretches, key=lambda one: one.begin_deg):
        if joined and each.begin_deg <= joined[-1].end_deg:
            joined[-1] = _join(joined[-1], each)
        else:
            joined.append(each)
    # what reaches past the end of the circle meets the first ones again
    while len(joined) > 1 and joined[-1].end_deg >= joined[0].begin_deg + FULL:
        first = joined.pop(0)
        joined[-1] = _join(joined[-1], replace(first, begin_deg=first.begin_deg + FULL))
    if len(joined) == 1 and joined[0].length_deg >= FULL:
        return [replace(joined[0], length_deg=FULL)]
    return joined


def _join(before: Stretch, after: Stretch) -> Stretch:
    if after.end_deg <= before.end_deg:
        return before
    return replace(before, length_deg=after.end_deg - before.begin_deg, last=after.last)


def wrapped(deg: float) -> float:
    """An angle from -180 on to below 180."""
    return (deg + 180.0) % FULL - 180.0


def pairing(here: Sequence[float], there: Sequence[float]) -> int:
    """The turn of ``there`` by which it fits ``here`` best: partner of k is (k + turn) % n.

    Both hold n angles, deg, in order round the circle.
    """
    a, b = np.asarray(here), np.asarray(there)
    turns = [
        float(np.abs((np.roll(b, -k) - a + 180.0) % FULL - 180.0).mean()) for k in range(len(b))
    ]
    return int(np.argmin(turns))
