"""The truth of weights, vacuum unit and turning by hand, in the keys of the result.

What the distributor itself would do follows from its mechanics, put through a slow run up to the
highest speed of the run and back. A gap that widens, as the shaft leans over with speed or the plate
turns off its centre, opens the contact earlier too, and that is in it. What happened is read off
the openings of the run, as index and encoder show them: backwards with a drive that turns the wrong
way, nothing of the weights with an index that rides above them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from breakerbench.bench.cam import Cam, half_open_deg
from breakerbench.bench.history import Mechanism, history
from breakerbench.bench.motion import Motion
from breakerbench.bench.shaft import Shaft
from breakerbench.bench.vacuum import STEP_S, Steps, VacuumUnit

Floats = NDArray[np.float64]

BIN_RPM = 50.0
#: Revolutions that let a bin count as a point of the advance.
POINT_REVOLUTIONS = 3
#: A run so slow that slips take no time in it, s.
_SLOW_S = 1e9


@dataclass(frozen=True, slots=True)
class SlowLoop:
    """A mechanism taken slowly from nothing up to a highest value and back."""

    mechanism: Mechanism
    highest: float

    def rising(self, driving: Floats) -> Floats:
        plan = ((0.0, 0.0), (_SLOW_S, self.highest))
        return history(self.mechanism, plan).at_deg(_SLOW_S * driving / self.highest)

    def falling(self, driving: Floats) -> Floats:
        plan = ((0.0, 0.0), (_SLOW_S, self.highest), (2.0 * _SLOW_S, 0.0))
        back = history(self.mechanism, plan)
        return back.at_deg(_SLOW_S * (2.0 - driving / self.highest))


def earlier_deg(cam: Cam, wider_mm: Floats) -> Floats:
    """How much earlier the contact opens where its gap is wider, mean of the lobes, deg."""
    gap = cam.gap_mm + np.append(0.0, wider_mm)[:, None]
    half = half_open_deg(cam, gap, cam.lift_errors_mm)
    there = np.all(np.isfinite(half), axis=0)
    if not np.any(there):
        return np.zeros_like(wider_mm)
    mean = np.mean(half[:, there], axis=1)
    wider: Floats = mean[1:] - mean[0]
    return wider


def advance_truth(motion: Motion, cam: Cam, shaft: Shaft) -> dict[str, Any]:
    """Curve, start, maximum and hysteresis within the speeds of the run.

    Degrees are those from where the weights lie at rest, at the lowest speed. Start: where they
    begin to move, the speed rising. Hysteresis: largest difference of the two curves at one speed.
    """
    speeds, mechanism = motion.weights.plan, motion.weights.mechanism
    low, high = float(np.min(speeds)), float(np.max(speeds))
    rises, falls = bool(np.any(np.diff(speeds) > 0.0)), bool(np.any(np.diff(speeds) < 0.0))
    truth: dict[str, Any] = {
        "reference": None,
        "rising": [],
        "falling": [],
        "start_rpm": None,
        "max_deg": 0.0,
        "hysteresis_deg": None,
    }
    if high <= 0.0:
        return truth
    loop = SlowLoop(mechanism, high)
    rest = float(loop.rising(np.zeros(1))[0])
    bins = BIN_RPM * np.arange(np.ceil(low / BIN_RPM), np.floor(high / BIN_RPM) + 1.0)
    wider_mm = shaft.lean_mm_per_1000rpm * np.array([low, high, *bins]) / 1000.0
    by_gap = earlier_deg(cam, wider_mm)
    by_gap = by_gap[1:] - by_gap[0]
    if rises or not falls:
        truth["rising"] = _points(bins, loop.rising(bins) - rest + by_gap[1:])
    if falls:
        truth["falling"] = _points(bins, loop.falling(bins) - rest + by_gap[1:])
    start = _start_rpm(loop, rest)
    truth["start_rpm"] = start
    truth["reference"] = "rest plateau" if start is None or low < start else None
    truth["max_deg"] = float(loop.rising(np.array([high]))[0] - rest + by_gap[0])
    if rises and falls:
        fine = np.linspace(low, high, 2001)
        apart = np.abs(loop.falling(fine) - loop.rising(fine))
        truth["hysteresis_deg"] = float(np.max(apart))
    return truth


def advance_that_happened(
    motion: Motion, cam: Cam, shaft: Shaft, open_s: Floats, marks_s: Floats
) -> dict[str, Any]:
    """Means of whole revolutions in bins of speed, as the sensors show them.

    open_s   instants of the openings; marks_s of angle 0, first to last
    Degrees are those from the slowest revolution. A stay belongs to the change of speed before it,
    the first one to that after it.
    """
    found: dict[str, Any] = {"rising": [], "falling": [], "max_deg": None}
    inside = np.sort(open_s[np.isfinite(open_s)])
    revolution = np.searchsorted(marks_s, inside, side="right") - 1
    inside = inside[(revolution >= 0) & (revolution < marks_s.size - 1)]
    revolution = revolution[(revolution >= 0) & (revolution < marks_s.size - 1)]
    if not inside.size:
        return found
    seen = 0.0 if motion.on_rotor else motion.sign
    ahead = seen * motion.weights.at_deg(inside)
    ahead += earlier_deg(cam, shaft.lean_mm_per_1000rpm * motion.speed_rpm(inside) / 1000.0)
    counts = np.bincount(revolution, minlength=marks_s.size - 1)
    sums = np.bincount(revolution, ahead, minlength=marks_s.size - 1)
    there = counts > 0
    mean_deg = sums[there] / counts[there]
    rpm = 60.0 / np.diff(marks_s)[there]
    mean_deg = mean_deg - mean_deg[np.argmin(rpm)]
    middle_s = 0.5 * (marks_s[1:] + marks_s[:-1])[there]
    rising = _rising(motion, middle_s)
    for key, which in (("rising", rising), ("falling", ~rising)):
        numbers = np.floor(rpm / BIN_RPM + 0.5)
        for number in np.unique(numbers[which]):
            of_bin = which & (numbers == number)
            if np.count_nonzero(of_bin) >= POINT_REVOLUTIONS:
                point = {"rpm": np.mean(rpm[of_bin]), "deg": np.mean(mean_deg[of_bin])}
                found[key].append({name: float(value) for name, value in point.items()})
    found["max_deg"] = float(mean_deg[np.argmax(np.abs(mean_deg))])
    return found


def _by_plate(
    motion: Motion, cam: Cam, unit: VacuumUnit | None, time_s: Floats, sign: float
) -> Floats:
    """How much earlier the openings come than with the plate as it was at time 0, deg."""
    pulled = motion.plate.at_deg(np.append(0.0, time_s))
    ahead = sign * pulled
    if unit is not None:
        ahead = ahead + earlier_deg(cam, unit.widening_mm_per_deg * pulled)
    earlier: Floats = ahead[1:] - ahead[0]
    return earlier


def vacuum_truth(
    motion: Motion, cam: Cam, unit: VacuumUnit | None, steps: Steps, seconds: float
) -> dict[str, Any]:
    """Degrees at the end of each step, in their order."""
    ends = np.array([*(time for time, _ in steps[1:]), seconds])[: len(steps)]
    return {"points": _steps([kpa for _, kpa in steps], _by_plate(motion, cam, unit, ends, 1.0))}


def vacuum_that_happened(
    motion: Motion,
    cam: Cam,
    unit: VacuumUnit | None,
    steps: Steps,
    seconds: float,
    open_s: Floats,
) -> dict[str, Any]:
    """Mean over the openings of each step, its first ``STEP_S`` left out; None: no opening."""
    begins = np.array([time + STEP_S * (time > 0.0) for time, _ in steps])
    ends = np.array([*(time for time, _ in steps[1:]), seconds])[: len(steps)]
    inside = open_s[np.isfinite(open_s)]
    ahead = _by_plate(motion, cam, unit, inside, motion.sign)
    means = []
    for begin, end in zip(begins, ends, strict=True):
        during = ahead[(inside >= begin) & (inside < end)]
        means.append(float(np.mean(during)) if during.size else float("nan"))
    return {"points": _steps([kpa for _, kpa in steps], np.array(means))}


def _start_rpm(loop: SlowLoop, rest: float) -> float | None:
    """Lowest speed at which the weights have moved, by bisection; None: at none of the run."""

    def moved(rpm: float) -> bool:
        return float(loop.rising(np.array([rpm]))[0]) - rest > 1e-7

    low, high = 0.0, loop.highest
    if not moved(high):
        return None
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if moved(middle) else (middle, high)
    return high


def _rising(motion: Motion, time_s: Floats) -> NDArray[np.bool_]:
    """Whether the speed rises, or stays after it rose."""
    ways = np.sign(np.diff(motion.weights.plan))
    changes = np.flatnonzero(ways)
    if not changes.size:
        return np.ones(time_s.size, bool)
    stretch = np.searchsorted(motion.weights.plan_s, time_s, side="right") - 1
    before = np.maximum(np.searchsorted(changes, stretch, side="right") - 1, 0)
    rising: NDArray[np.bool_] = ways[changes[before]] > 0.0
    return rising


def _points(rpm: Floats, deg: Floats) -> list[dict[str, float]]:
    pairs = zip(rpm.tolist(), deg.tolist(), strict=True)
    return [{"rpm": speed, "deg": ahead} for speed, ahead in pairs]


def _steps(kpa: list[float], deg: Floats) -> list[dict[str, float | None]]:
    return [
        {"kpa": vacuum, "deg": None if np.isnan(ahead) else float(ahead)}
        for vacuum, ahead in zip(kpa, deg.tolist(), strict=True)
    ]
