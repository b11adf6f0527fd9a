"""What arm and dirt make of the contact that the cam alone would give: late, bouncing, missed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from breakerbench.bench.arm import Arm, Landings, Passes, flights, landings
from breakerbench.bench.cam import Cam
from breakerbench.bench.randomness import stream

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

#: Restitution that chance may bring a contact to.
_MOST_RESTITUTION = 0.97


@dataclass(frozen=True, slots=True)
class Dirt:
    """Dirt between the contacts: now and then one insulates through a dwell or bridges an opening.

    openings_share  of the openings that do not occur: the contact stays closed through the lobe
    closings_share  of the closings that do not occur: it stays open through the dwell
    """

    openings_share: float = 0.0
    closings_share: float = 0.0

    def __post_init__(self) -> None:
        if not (0.0 <= self.openings_share <= 1.0 and 0.0 <= self.closings_share <= 1.0):
            raise ValueError("shares of openings and closings lie from 0 to 1")


@dataclass(frozen=True, slots=True, eq=False)
class Trains:
    """Bounces of the run, one row each, in order.

    closing  number of the closing they follow, counted through all revolutions and lobes
    lost_s   when the contact was lost again, s
    back_s   when it closed again, s
    """

    closing: Ints
    lost_s: Floats
    back_s: Floats

    def take(self, pick: Bools) -> Trains:
        return Trains(self.closing[pick], self.lost_s[pick], self.back_s[pick])


def no_trains() -> Trains:
    return Trains(np.empty(0, np.int64), np.empty(0), np.empty(0))


def passes_of(cam: Cam, opens: Floats, closes: Floats, rates: Floats) -> tuple[Passes, Ints]:
    """Lobes that both open and close the contact, and their numbers.

    opens, closes  angles of the cam, any shape, in order, deg; NaN where none
    rates          speed of the cam over each, deg/s
    """
    begin, end = opens.ravel(), closes.ravel()
    which = np.flatnonzero(~np.isnan(begin) & ~np.isnan(end))
    begin, end = begin[which], end[which]
    phase = np.pi / cam.half_width_deg
    half = np.clip(0.5 * phase * (end - begin), 0.0, np.pi)
    following = phase * np.diff(0.5 * (begin + end), append=np.inf)
    rate = phase * rates.ravel()[which]
    return Passes(1e-3 * cam.lift_mm, half, np.maximum(rate, 1e-9), following), which


def spread_restitution(arm: Arm, chance: Floats) -> Floats:
    """Restitution of each closing from standard normal chances."""
    value = arm.restitution * (1.0 + arm.restitution_spread * chance)
    return np.asarray(np.clip(value, 0.0, _MOST_RESTITUTION), np.float64)


@dataclass(frozen=True, slots=True, eq=False)
class Landed:
    """How the closings of a run end.

    which     (n,) numbers of the lobes that open and close the contact
    landings  (n,) of these
    gone      (2 lobes,) True for edges that do not occur: opening and closing of lobe 0, 1, ...
    """

    which: Ints
    landings: Landings
    gone: Bools

    def apply(self, opens: Floats, closes: Floats, rates: Floats | None = None) -> None:
        """Put them, in place, into instants (s), or into angles with the ``rates`` given (deg/s)."""
        late = np.zeros(closes.size)
        late[self.which] = self.landings.late_s
        closes += (late if rates is None else late * rates.ravel()).reshape(closes.shape)
        edges = np.stack((opens, closes), axis=-1).ravel()
        edges[self.gone] = np.nan
        # Uneven turning may bring the next lobe before a landing that is as late as can be.
        there = np.flatnonzero(~np.isnan(edges))
        crossed = np.flatnonzero(edges[there[1:]] < edges[there[:-1]])
        crossed = crossed[there[crossed] % 2 == 1]
        edges[there[crossed]] = edges[there[crossed + 1]] = np.nan
        opens[...], closes[...] = edges[::2].reshape(opens.shape), edges[1::2].reshape(opens.shape)


def land(arm: Arm, cam: Cam, opens: Floats, closes: Floats, rates: Floats) -> Landed:
    """Landings of the lobes of a run; angles of the cam in deg, its speed over each in deg/s."""
    passes, which = passes_of(cam, opens, closes, rates)
    found = landings(arm, passes)
    gone = np.zeros(2 * opens.size, bool)
    begins = np.flatnonzero(~np.isnan(opens.ravel()))
    missed = which[found.missed]
    gone[2 * missed + 1] = True
    after = np.searchsorted(begins, missed, side="right")
    gone[2 * begins[after[after < len(begins)]]] = True
    return Landed(which, found, gone)


def trains_of(arm: Arm, landed: Landed, open_s: Floats, close_s: Floats, seed: int) -> Trains:
    """Bounces after the closings of a run; ``open_s`` is changed where the arm is lifted in flight.

    open_s, close_s  of all lobes in order, NaN where none

    The next lobe may come while the contact is off in a bounce: the opening is then that loss.
    """
    which = landed.which
    chance = stream(seed, "arm").standard_normal(open_s.size)[which]
    speed = landed.landings.speed_m_s
    closing, lost, back = flights(arm, speed, spread_restitution(arm, chance))
    closing = which[closing]
    opens = open_s.ravel()
    begins = np.flatnonzero(~np.isnan(opens))
    after = np.searchsorted(begins, closing, side="right")
    until = np.append(opens[begins], np.inf)[after]
    touch = close_s.ravel()[closing]
    trains = Trains(closing, touch + lost, touch + back)
    there = np.isfinite(trains.lost_s) & (trains.lost_s < until)
    lifted = there & (trains.back_s >= until) & (after < len(begins))
    opens[begins[after[lifted]]] = trains.lost_s[lifted]
    open_s[...] = opens.reshape(open_s.shape)
    return trains.take(there & ~lifted)


def drop_dirty(dirt: Dirt, open_s: Floats, close_s: Floats, seed: int) -> None:
    """Turn into NaN, in place, what dirt keeps from occurring: an edge and the one after it."""
    edges = np.stack((open_s, close_s), axis=-1).ravel()
    chance = stream(seed, "dirt").random(edges.size)
    there = np.flatnonzero(~np.isnan(edges))
    share = np.where(there % 2 == 0, dirt.openings_share, dirt.closings_share)
    picked = chance[there] < share
    # Of picks beside each other the first alone counts: every one takes a pair of edges away.
    picked[1:] &= ~picked[:-1]
    picked[-1:] = False
    first = np.flatnonzero(picked)
    edges[there[first]] = edges[there[first + 1]] = np.nan
    open_s[...], close_s[...] = edges[::2].reshape(open_s.shape), edges[1::2].reshape(open_s.shape)
