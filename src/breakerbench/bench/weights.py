"""Centrifugal weights from their mechanics: masses, springs, stops and friction.

The weights turn the cam ahead of the shaft by the angle ``theta`` and swing out as they do, so that
their common centre of mass lies at ``r = radius + growth * theta``. By the principle of virtual work
the centrifugal force ``m r omega**2`` (textbook mechanics of the centrifugal governor) turns the cam
with the torque

    m omega**2 r dr/dtheta = m omega**2 growth (radius + growth theta)

Against it stand two springs at a lever: a light one under preload that works at once, and a heavy
one with slack that comes in later,

    lever (preload + light lever theta) + lever heavy max(lever theta - slack, 0)

and Coulomb friction, either way. Both sides are straight lines in theta between rest, the bend
where the heavy spring comes in and the stop, so that where they balance is known in closed form.
Where the weights pull harder at a larger radius than the spring does, there is no balance on that
piece: they fly out to the next, as with a broken light spring.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from breakerbench.bench.history import Slip

Floats = NDArray[np.float64]

#: A move of less than this at one speed is no slip, deg.
_SLIP_DEG = 1e-4
#: Slips in one stretch; more are finer than anything can show.
_MOST_SLIPS = 10_000


@dataclass(frozen=True, slots=True)
class SprungWeights:
    """Weights and springs.

    mass_kg           of all weights together
    radius_mm         distance of their centre of mass from the axis at rest
    growth_mm         how much that grows per radian of advance
    lever_mm          distance from the axis at which the springs pull
    light_preload_n   of the light spring at rest
    light_n_per_mm    its rate; both 0: broken
    heavy_n_per_mm    rate of the heavy spring; 0: broken
    slack_mm          how far it must be drawn before it pulls
    stop_deg          full advance, at the stop
    friction_nmm      torque of the friction while they move, N mm
    stiction_nmm      what it takes more than that to get them to move, N mm
    stuck_deg         where they are stuck for good; None: they are not
    """

    mass_kg: float = 0.06
    radius_mm: float = 18.0
    growth_mm: float = 12.0
    lever_mm: float = 11.0
    light_preload_n: float = 0.0
    light_n_per_mm: float = 0.0
    heavy_n_per_mm: float = 0.0
    slack_mm: float = 0.0
    stop_deg: float = 12.0
    friction_nmm: float = 0.0
    stiction_nmm: float = 0.0
    stuck_deg: float | None = None

    def __post_init__(self) -> None:
        if min(self.mass_kg, self.radius_mm, self.growth_mm, self.lever_mm) <= 0.0:
            raise ValueError("weights need a mass, a radius, its growth and a lever above 0")
        springs = (self.light_preload_n, self.light_n_per_mm, self.heavy_n_per_mm, self.slack_mm)
        if min(springs) < 0.0 or min(self.friction_nmm, self.stiction_nmm) < 0.0:
            raise ValueError("springs, slack and friction of weights cannot be negative")
        if not 0.0 < self.stop_deg <= 60.0:
            raise ValueError("the stop of weights lies above 0 and at 60 deg at most")

    @property
    def most_deg(self) -> float:
        return self.stop_deg

    def settled_deg(self, held_deg: Floats, speed_rpm: Floats) -> Floats:
        """Where they are after the speed went one way to a value, from ``held_deg``, slips left out.

        Arrays broadcast.
        """
        return self._rest_deg(held_deg, speed_rpm, self.friction_nmm + self.stiction_nmm)

    def slips(self, held_deg: float, begin: float, end: float) -> Iterator[Slip]:
        """Each slip on the way from one speed to another."""
        if self.stuck_deg is not None or begin == end:
            return
        way = 1.0 if end > begin else -1.0
        for _ in range(_MOST_SLIPS):
            if held_deg >= self.stop_deg if way > 0.0 else held_deg <= 0.0:
                return
            at = self._breakaway_rpm(held_deg, way)
            if way * (at - end) > 0.0:
                return
            at = at if way * (at - begin) > 0.0 else begin
            # a touch beyond it, so that rounding does not hold them
            beyond = np.array(at + 1e-4 * way)
            to = float(self._rest_deg(np.array(held_deg), beyond, self.friction_nmm))
            if abs(to - held_deg) > _SLIP_DEG:
                yield Slip(at, held_deg, to)
                held_deg = to
            elif way * (self._bend_deg - held_deg) > 0.0 and self._bend_deg < self.stop_deg:
                # they follow the speed from here on; the next place to slip from is the bend
                held_deg = self._bend_deg
            else:
                return
        raise ValueError("stiction_nmm is too small: thousands of slips in one change of speed")

    @property
    def _bend_deg(self) -> float:
        """Where the heavy spring comes in."""
        return math.degrees(self.slack_mm / self.lever_mm)

    def _lines(self) -> tuple[tuple[float, float], tuple[float, float]]:
        """Torque of the springs, N mm, as (at theta 0, per radian) before and after the bend."""
        preload = self.lever_mm * self.light_preload_n
        light = self.lever_mm**2 * self.light_n_per_mm
        heavy = self.lever_mm**2 * self.heavy_n_per_mm
        slack = self.slack_mm / self.lever_mm
        return (preload, light), (preload - heavy * slack, light + heavy)

    def _pull_n(self, speed_rpm: Floats) -> Floats:
        """Torque of the weights per mm of the radius they have swung to, N."""
        omega = speed_rpm * (math.pi / 30.0)
        pull: Floats = self.mass_kg * omega**2 * self.growth_mm * 1e-3
        return pull

    def _breakaway_rpm(self, held_deg: float, way: float) -> float:
        """Speed at which they begin to move outwards (1) or inwards (-1), rpm; 0: at none."""
        theta = math.radians(held_deg)
        zero, rate = self._lines()[held_deg > self._bend_deg]
        torque = zero + rate * theta + way * (self.friction_nmm + self.stiction_nmm)
        pull = torque / (self.radius_mm + self.growth_mm * theta)
        if pull <= 0.0:
            return 0.0 if way > 0.0 else -math.inf
        return math.sqrt(pull / (self.mass_kg * self.growth_mm * 1e-3)) * 30.0 / math.pi

    def _rest_deg(self, held_deg: Floats, speed_rpm: Floats, friction_nmm: float) -> Floats:
        if self.stuck_deg is not None:
            return np.broadcast_to(
                np.array(self.stuck_deg), np.broadcast_shapes(held_deg.shape, speed_rpm.shape)
            ).copy()
        held = np.radians(held_deg)
        pull = self._pull_n(speed_rpm)
        first, second = self._lines()
        bend, stop = math.radians(self._bend_deg), math.radians(self.stop_deg)

        def balance(line: tuple[float, float], friction: float, steep: float) -> Floats:
            """Where the pull meets a spring's line; ``steep`` where it outgrows that line."""
            torque = pull * self.radius_mm - line[0] - friction
            rate = line[1] - pull * self.growth_mm
            safe = np.where(rate > 0.0, rate, 1.0)
            return np.where(rate > 0.0, torque / safe, steep)

        springs = np.where(held > bend, second[0] + second[1] * held, first[0] + first[1] * held)
        torque = pull * (self.radius_mm + self.growth_mm * held) - springs
        light, heavy = balance(first, friction_nmm, np.inf), balance(second, friction_nmm, np.inf)
        out = np.where((light < bend) & (held < bend), light, heavy)
        out = np.minimum(np.maximum(out, held), stop)
        heavy, light = balance(second, -friction_nmm, -1.0), balance(first, -friction_nmm, -1.0)
        back = np.where((heavy >= bend) & (held > bend), heavy, np.minimum(light, bend))
        back = np.maximum(np.minimum(back, held), 0.0)
        rest = np.where(torque > friction_nmm, out, np.where(torque < -friction_nmm, back, held))
        return np.degrees(np.minimum(rest, stop))


def weights_for(
    start_rpm: float,
    bend: tuple[float, float] | None,
    full: tuple[float, float],
    friction_share: float = 0.0,
) -> SprungWeights:
    """Weights that begin to move, bend and come to the stop at given speeds, friction left out.

    start_rpm       where they begin to move
    bend, full      (rpm, deg) where the heavy spring comes in (None: there is none), and where they
                    reach the stop
    friction_share  friction as a share of the torque that holds them at rest

    Raises ValueError where no springs do that: the heavy one would have to push.
    """
    bend_rpm, bend_deg = bend or full
    full_rpm, full_deg = full
    if not 0.0 < start_rpm < bend_rpm <= full_rpm or not 0.0 < bend_deg <= full_deg:
        raise ValueError("start, bend and full advance need rising speeds and rising degrees")
    bare = SprungWeights(stop_deg=full_deg)
    middle, end = math.radians(bend_deg), math.radians(full_deg)
    at_start, at_bend, at_full = bare._pull_n(np.array((start_rpm, bend_rpm, full_rpm))).tolist()
    hold = at_start * bare.radius_mm
    light = (at_bend * (bare.radius_mm + bare.growth_mm * middle) - hold) / middle
    heavy = 0.0
    if end > middle:
        torque = at_full * (bare.radius_mm + bare.growth_mm * end)
        heavy = (torque - hold - light * end) / (end - middle)
    if heavy < 0.0:
        raise ValueError("the curve gets steeper after the bend than springs let it")
    return replace(
        bare,
        light_preload_n=hold / bare.lever_mm,
        light_n_per_mm=light / bare.lever_mm**2,
        heavy_n_per_mm=heavy / bare.lever_mm**2,
        slack_mm=bare.lever_mm * middle if bend else 0.0,
        friction_nmm=friction_share * hold,
    )


@dataclass(frozen=True, slots=True)
class Weights:
    """Centrifugal advance as a curve: how far ahead of the shaft the weights turn the cam.

    points  (rpm, deg) pairs of rising speed, straight lines between, flat outside; empty: none.
    """

    points: tuple[tuple[float, float], ...] = ()

    def __post_init__(self) -> None:
        speeds = [rpm for rpm, _ in self.points]
        if any(after <= before for before, after in pairwise(speeds)):
            raise ValueError("advance points need rising speeds")

    @property
    def most_deg(self) -> float:
        return max((deg for _, deg in self.points), default=0.0)

    def advance_deg(self, speed_rpm: Floats) -> Floats:
        if not self.points:
            return np.zeros_like(speed_rpm)
        rpm, deg = zip(*self.points, strict=True)
        return np.asarray(np.interp(speed_rpm, rpm, deg), np.float64)

    def settled_deg(self, held_deg: Floats, speed_rpm: Floats) -> Floats:
        """The curve, whatever was before. Arrays broadcast."""
        return self.advance_deg(speed_rpm) + np.zeros_like(held_deg)

    def slips(self, _held_deg: float, _begin: float, _end: float) -> Iterator[Slip]:
        return iter(())
