"""The drive: speed against time and the angle of the shaft, both ways in closed form.

A *smooth angle* follows the speed profile; the shaft runs ahead of and behind it by the ripple:

    shaft_deg = smooth + sum(share / order * sin(order * smooth + phase))      (sum in radians)

so that its speed is the profile's times ``1 + sum(share * cos(order * smooth + phase))``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

DEG_PER_S_PER_RPM = 6.0


@dataclass(frozen=True, slots=True)
class Ripple:
    """One ripple of the speed: ``share`` of the speed, ``order`` cycles a revolution.

    A whole order is locked to the shaft; any other one is not (belt, gears, motor).
    """

    share: float
    order: float
    phase_deg: float = 0.0


@dataclass(frozen=True, slots=True)
class Drive:
    """How the bench turns the distributor; rotation increases the angle.

    points     (s, rpm) pairs from time 0 on, straight lines of speed between them; the last time
               is the length of the run. A speed of 0 is rest.
    ripples    added to it; shares sum to less than 1
    start_deg  smooth angle at time 0, 0 or more (the index stands at angle 0)
    by_hand    turned by hand: speeds may lie below 0, the shaft then goes back
    backwards  it turns the distributor the wrong way round; all angles and speeds are counted in
               the direction in which it turns
    """

    points: tuple[tuple[float, float], ...]
    ripples: tuple[Ripple, ...] = ()
    start_deg: float = 200.0
    by_hand: bool = False
    backwards: bool = False

    def __post_init__(self) -> None:
        times = [time for time, _ in self.points]
        if len(times) < 2 or times[0] != 0.0:
            raise ValueError("a drive needs two points or more, the first at time 0")
        if any(after <= before for before, after in pairwise(times)):
            raise ValueError("the times of a drive must rise")
        if self.goes_back and not self.by_hand:
            raise ValueError("the drive turns forwards: no speed below 0")
        if sum(abs(ripple.share) for ripple in self.ripples) >= 1.0:
            raise ValueError("ripple shares must sum to less than 1")
        if any(ripple.order <= 0.0 for ripple in self.ripples):
            raise ValueError("ripple orders must be positive")

    @property
    def seconds(self) -> float:
        return self.points[-1][0]

    @property
    def goes_back(self) -> bool:
        return any(rpm < 0.0 for _, rpm in self.points)

    @property
    def range_deg(self) -> tuple[float, float]:
        """Shaft angle at the beginning and at the end, deg."""
        first, last = self.angle_deg(np.array([0.0, self.seconds]))
        return float(first), float(last)

    def magnitudes(self) -> tuple[tuple[float, float], ...]:
        """(s, rpm) points of the speed whichever way the shaft turns, turning points put in."""
        points = [self.points[0]]
        for (before, was), (after, rpm) in pairwise(self.points):
            if was * rpm < 0.0:
                points.append((before + (after - before) * was / (was - rpm), 0.0))
            points.append((after, rpm))
        return tuple((time, abs(rpm)) for time, rpm in points)

    def speed_rpm(self, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Speed of the profile, ripple left out, rpm."""
        times, speeds = zip(*self.points, strict=True)
        return np.asarray(np.interp(time_s, times, speeds), np.float64)

    def angle_deg(self, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Shaft angle, counted on through the revolutions, at times within the run, deg."""
        times, speeds, slopes, angles = self._nodes()
        at = np.clip(np.searchsorted(times, time_s, side="right") - 1, 0, len(slopes) - 1)
        since = time_s - times[at]
        turned = DEG_PER_S_PER_RPM * since * (speeds[at] + 0.5 * slopes[at] * since)
        return self._shaft(angles[at] + turned)

    def time_s(self, angle_deg: NDArray[np.float64]) -> NDArray[np.float64]:
        """When the shaft comes to an angle, s.

        Minus infinity for angles passed before the run, infinity for those after it, NaN for NaN.
        Raises ValueError for a drive that goes back: it comes to angles more than once
        (``motion.Path`` says when).
        """
        if self.goes_back:
            raise ValueError("a drive that goes back comes to an angle more than once")
        times, speeds, slopes, angles = self._nodes()
        sought = np.asarray(angle_deg, float)
        known = ~np.isnan(sought)
        smooth = self._smooth(np.where(known, sought, self.start_deg))
        at = np.clip(np.searchsorted(angles, smooth, side="right") - 1, 0, len(slopes) - 1)
        turned = np.maximum((smooth - angles[at]) / DEG_PER_S_PER_RPM, 0.0)
        # the root of rpm * t + slope * t**2 / 2 = turned that does not cancel
        root = speeds[at] + np.sqrt(np.maximum(speeds[at] ** 2 + 2.0 * slopes[at] * turned, 0.0))
        since = np.divide(2.0 * turned, root, out=np.zeros_like(root), where=root > 0.0)
        result = times[at] + since
        result[smooth < angles[0]] = -np.inf
        result[smooth > angles[-1]] = np.inf
        result[~known] = np.nan
        return result

    def _nodes(self) -> tuple[NDArray[np.float64], ...]:
        """Times, speeds, slopes (rpm/s) and smooth angles at the points."""
        times, speeds = np.array(self.points, float).T
        turned = DEG_PER_S_PER_RPM * np.diff(times) * (speeds[1:] + speeds[:-1]) / 2.0
        angles = self.start_deg + np.concatenate(([0.0], np.cumsum(turned)))
        return times, speeds, np.diff(speeds) / np.diff(times), angles

    def _shaft(self, smooth_deg: NDArray[np.float64]) -> NDArray[np.float64]:
        ahead = np.zeros_like(smooth_deg)
        for ripple in self.ripples:
            phase = np.radians(ripple.order * smooth_deg + ripple.phase_deg)
            ahead += ripple.share / ripple.order * np.sin(phase)
        return smooth_deg + np.degrees(ahead)

    def _smooth(self, shaft_deg: NDArray[np.float64]) -> NDArray[np.float64]:
        """Smooth angle of a shaft angle, by Newton's method on a rising function."""
        if not self.ripples:
            return shaft_deg
        smooth = shaft_deg.copy()
        for _ in range(50):
            ahead, slope = np.zeros_like(smooth), np.ones_like(smooth)
            for ripple in self.ripples:
                phase = np.radians(ripple.order * smooth + ripple.phase_deg)
                ahead += ripple.share / ripple.order * np.sin(phase)
                slope += ripple.share * np.cos(phase)
            step = (smooth + np.degrees(ahead) - shaft_deg) / slope
            smooth -= step
            # the error left is of the order of the square of this, in radians: 1e-13 deg
            if not step.size or np.max(np.abs(step)) < 1e-5:
                break
        return smooth


def steady(speed_rpm: float, seconds: float, start_deg: float = 200.0) -> Drive:
    """One even speed."""
    return Drive(((0.0, speed_rpm), (seconds, speed_rpm)), start_deg=start_deg)


def plateaus(speeds_rpm: tuple[float, ...], hold_s: float, ramp_s: float) -> Drive:
    """Speeds held one after another, with ramps between them."""
    points: list[tuple[float, float]] = []
    time = 0.0
    for speed in speeds_rpm:
        points += [(time, speed), (time + hold_s, speed)]
        time += hold_s + ramp_s
    return Drive(tuple(points))


def rolling_start(speed_rpm: float, rest_s: float, ramp_s: float, hold_s: float) -> Drive:
    """At rest, then up to a speed, then held there."""
    points = [(0.0, 0.0), (rest_s, 0.0), (rest_s + ramp_s, speed_rpm)]
    points.append((rest_s + ramp_s + hold_s, speed_rpm))
    return Drive(tuple(points))


def wander(share: float, generator: np.random.Generator) -> tuple[Ripple, ...]:
    """Slow unsteadiness of a drive as ripples not locked to the shaft, ``share`` rms in all."""
    orders = generator.uniform(0.03, 0.8, 8)
    sizes = np.abs(generator.normal(1.0, 0.3, 8)) + 0.1
    sizes *= share * math.sqrt(2.0) / np.sqrt(np.sum(sizes**2))
    phases = generator.uniform(0.0, 360.0, 8)
    return tuple(
        Ripple(float(size), float(order), float(phase))
        for size, order, phase in zip(sizes, orders, phases, strict=True)
    )
