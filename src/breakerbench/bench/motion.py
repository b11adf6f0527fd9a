"""How the cam turns against the contact, and what the sensors see of the shaft.

    cam_deg    = shaft + weights + plate    (where the contact stands on the cam)
    rotor_deg  = shaft                      (what index and encoder ride on; wrongly mounted, above
                                             the weights, it is shaft + weights)

A lobe opens the contact where the cam comes to the lobe's own angle. The drive may turn the wrong
way; angles are then counted in the direction in which it turns, and both advances come off.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from breakerbench.bench.drive import Drive
from breakerbench.bench.history import SLIP_S, History, history
from breakerbench.bench.vacuum import Steps, VacuumUnit, check_steps, vacuum_plan
from breakerbench.bench.weights import SprungWeights, Weights

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

#: Distance of the knots between which an angle is taken to go one way, s, and how many at most.
_KNOT_S = 0.002
_MOST_KNOTS = 400_000


@dataclass(frozen=True, slots=True, eq=False)
class Path:
    """An angle over a run that may stand still and go back: when it passes other angles.

    angle_deg  the angle at times, deg
    knots_s    times between which it goes one way, the ends of the run included
    knots_deg  the angle there
    """

    angle_deg: Callable[[Floats], Floats]
    knots_s: Floats
    knots_deg: Floats

    @property
    def seconds(self) -> float:
        return float(self.knots_s[-1])

    @property
    def range_deg(self) -> tuple[float, float]:
        """Lowest and highest angle of the run."""
        return float(np.min(self.knots_deg)), float(np.max(self.knots_deg))

    @property
    def goes_back(self) -> bool:
        return bool(np.any(np.diff(self.knots_deg) < -1e-9))

    def time_s(self, angle_deg: Floats) -> Floats:
        """When it first comes to angles, s; minus infinity: it began beyond, infinity: never."""
        sought = np.asarray(angle_deg, float)
        highest = np.maximum.accumulate(self.knots_deg)
        knot = np.searchsorted(highest, sought)
        inside = (knot > 0) & (knot < highest.size)
        times = np.where(np.isnan(sought), np.nan, np.where(knot == 0, -np.inf, np.inf))
        times[sought == self.knots_deg[0]] = 0.0
        times[inside] = self._between(knot[inside] - 1, sought[inside])
        return times

    def passings(self, angle_deg: Floats) -> tuple[NDArray[np.intp], Floats, Bools]:
        """Each passing of rising angles, in time order: which of them, when, forwards or back."""
        place = np.searchsorted(angle_deg, self.knots_deg, side="right")
        moved = np.diff(place)
        knot = np.repeat(np.arange(moved.size), np.abs(moved))
        first = np.concatenate(([0], np.cumsum(np.abs(moved))))[:-1]
        nth = np.arange(knot.size) - np.repeat(first, np.abs(moved))
        forward = moved[knot] > 0
        which = np.where(forward, place[knot] + nth, place[knot] - 1 - nth)
        times = self._between(knot, angle_deg[which])
        return which, np.maximum.accumulate(times), forward

    def _between(self, knot: NDArray[np.intp], sought: Floats) -> Floats:
        """Times of angles between a knot and the next: false position that halves a stale end."""
        low, high = self.knots_s[knot], self.knots_s[knot + 1]
        below, above = self.knots_deg[knot] - sought, self.knots_deg[knot + 1] - sought
        side = np.zeros(sought.size)
        guess = low
        for _ in range(60):
            apart = above - below
            share = np.divide(-below, apart, out=np.full_like(low, 0.5), where=apart != 0.0)
            guess = low + (high - low) * np.clip(share, 0.0, 1.0)
            off = self.angle_deg(guess) - sought
            if not off.size or np.max(np.abs(off)) < 1e-9:
                break
            left = (off < 0.0) == (below < 0.0)
            above = np.where(left & (side > 0.0), 0.5 * above, np.where(left, above, off))
            below = np.where(~left & (side < 0.0), 0.5 * below, np.where(left, off, below))
            low, high = np.where(left, guess, low), np.where(left, high, guess)
            side = np.where(left, 1.0, -1.0)
        return guess


@dataclass(frozen=True, slots=True, eq=False)
class Motion:
    """The turning of a run; times in s, angles in deg.

    weights, plate  over the run, as positive angles
    sign            -1 where the drive turns the wrong way
    on_rotor        whether index and encoder ride above the weights
    cam, rotor      see above; the drive itself where nothing is added to it
    """

    weights: History
    plate: History
    sign: float
    on_rotor: bool
    cam: Drive | Path
    rotor: Drive | Path

    def ahead_deg(self, time_s: Floats) -> Floats:
        """How far weights and plate put the openings ahead of the shaft."""
        return self.sign * (self.weights.at_deg(time_s) + self.plate.at_deg(time_s))

    def seen_deg(self, time_s: Floats) -> Floats:
        """What of that shows against index and encoder."""
        if self.on_rotor:
            return self.sign * self.plate.at_deg(time_s)
        return self.ahead_deg(time_s)

    def speed_rpm(self, time_s: Floats) -> Floats:
        """Speed of the profile whichever way the shaft turns, ripple left out, rpm."""
        return np.asarray(np.interp(time_s, self.weights.plan_s, self.weights.plan), np.float64)

    @property
    def range_deg(self) -> tuple[float, float]:
        """Lowest and highest angle of the run, of the cam and of what the sensors ride on."""
        ends = np.array((self.cam.range_deg, self.rotor.range_deg))
        return float(np.min(ends)), float(np.max(ends))

    @property
    def goes_back(self) -> bool:
        """Whether the cam goes back at any time."""
        return isinstance(self.cam, Path) and self.cam.goes_back


def motion(
    drive: Drive,
    weights: Weights | SprungWeights,
    vacuum: VacuumUnit | None = None,
    vacuum_steps: Steps = (),
    on_rotor: bool = False,
) -> Motion:
    """Weights and plate on a drive. Raises ValueError for steps that cannot be."""
    check_steps(vacuum_steps)
    sign = -1.0 if drive.backwards else 1.0
    swing = history(weights, drive.magnitudes())
    plate = history(vacuum or Weights(), vacuum_plan(vacuum_steps, drive.seconds))
    nodes = [time for time, _ in drive.magnitudes()]
    knots = np.linspace(0.0, drive.seconds, min(int(drive.seconds / _KNOT_S) + 2, _MOST_KNOTS))
    starts = np.concatenate((swing.start_s, plate.plan_s, nodes))
    knots = np.unique(np.clip(np.concatenate((knots, starts, starts + SLIP_S)), 0.0, drive.seconds))

    def path(added: Callable[[Floats], Floats]) -> Path:
        def angle_deg(time_s: Floats) -> Floats:
            return drive.angle_deg(time_s) + sign * added(time_s)

        return Path(angle_deg, knots, angle_deg(knots))

    def both(time_s: Floats) -> Floats:
        return swing.at_deg(time_s) + plate.at_deg(time_s)

    still = path(np.zeros_like) if drive.by_hand else drive
    moving = weights != Weights()
    return Motion(
        weights=swing,
        plate=plate,
        sign=sign,
        on_rotor=on_rotor,
        cam=path(both) if moving or vacuum else still,
        rotor=path(swing.at_deg) if on_rotor and moving else still,
    )
