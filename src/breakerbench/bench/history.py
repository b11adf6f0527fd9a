"""What a mechanism with friction does over a run: it follows what drives it, and remembers.

A mechanism that dry friction holds moves only when what drives it has left the band that friction
bridges: Coulomb's law makes of it the *play operator* of the theory of hysteresis (generalised: the
width of the band may depend on the position). Where what drives it rises or falls all along a
stretch of time, its position there follows from the position at the beginning of the stretch alone,
so that the whole run is known in closed form once the stretches are gone through in order.

Where it lets go at once (stiction, a spring that is weaker than what pulls at it), it *slips*: the
stretch is cut there, and the slip takes ``SLIP_S``.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

#: How long a slip takes, s: a weight of some grams under some newtons needs about that.
SLIP_S = 0.02


class Slip(NamedTuple):
    """At a value of the driving quantity, from one position to another, deg."""

    at: float
    before_deg: float
    after_deg: float


class Mechanism(Protocol):
    """What follows one driving quantity: weights a speed (rpm), a vacuum unit a vacuum (kPa)."""

    def settled_deg(self, held_deg: Floats, driving: Floats) -> Floats:
        """Where it is after the driving quantity went one way to a value, from ``held_deg``.

        Slips on the way left out. Arrays broadcast.
        """
        ...

    def slips(self, held_deg: float, begin: float, end: float) -> Iterator[Slip]:
        """Each slip on the way from one value of the driving quantity to another."""
        ...


@dataclass(frozen=True, slots=True, eq=False)
class History:
    """Position of a mechanism over a run.

    mechanism   what moves
    plan_s, plan  the driving quantity, straight lines between these points
    start_s     where each stretch begins, s, the first at 0
    held_deg    position there
    excess_deg  what a slip has still to go there; gone ``SLIP_S`` later
    """

    mechanism: Mechanism
    plan_s: Floats
    plan: Floats
    start_s: Floats
    held_deg: Floats
    excess_deg: Floats

    def at_deg(self, time_s: Floats) -> Floats:
        """Position at times, deg; before and after the run as at its ends, NaN for NaN."""
        inside = np.clip(time_s, 0.0, self.plan_s[-1])
        row = np.searchsorted(self.start_s, inside, side="right") - 1
        driving = np.interp(inside, self.plan_s, self.plan)
        left = np.maximum(1.0 - (inside - self.start_s[row]) / SLIP_S, 0.0)
        position: Floats = self.mechanism.settled_deg(self.held_deg[row], driving)
        return position + self.excess_deg[row] * left


def history(mechanism: Mechanism, plan: tuple[tuple[float, float], ...]) -> History:
    """A mechanism over a plan of (s, driving quantity), which it came to from rest."""
    held = 0.0
    for slip in mechanism.slips(held, 0.0, plan[0][1]):
        held = slip.after_deg
    held = _settled(mechanism, held, plan[0][1])
    rows = [(0.0, held, 0.0)]
    for (begin_s, begin), (end_s, end) in pairwise(plan):
        if begin_s > 0.0:
            rows.append((begin_s, held, _left(rows[-1], begin_s)))
        for slip in mechanism.slips(held, begin, end):
            held = slip.after_deg
            at_s = begin_s + (end_s - begin_s) * (slip.at - begin) / (end - begin)
            rows.append((at_s, held, slip.before_deg - held + _left(rows[-1], at_s)))
        held = _settled(mechanism, held, end)
    start_s, held_deg, excess_deg = np.array(rows, float).T
    plan_s, driving = np.array(plan, float).T
    return History(mechanism, plan_s, driving, start_s, held_deg, excess_deg)


def _settled(mechanism: Mechanism, held_deg: float, driving: float) -> float:
    return float(mechanism.settled_deg(np.array(held_deg), np.array(driving)))


def _left(row: tuple[float, float, float], time_s: float) -> float:
    start_s, _, excess_deg = row
    return excess_deg * max(1.0 - (time_s - start_s) / SLIP_S, 0.0)
