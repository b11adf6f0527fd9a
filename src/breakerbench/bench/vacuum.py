"""The vacuum unit: a diaphragm that pulls the breaker plate against the rotation of the cam.

Statics of a diaphragm against a coil spring (textbook mechanics): it moves by

    travel = (vacuum * area - preload - friction) / rate

up to its stop and back by the same with the friction turned round, between which it stays where it
is; one radian of the plate is one arm of travel. 1 kPa on 1 mm2 is 1e-3 N.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from breakerbench.bench.history import Slip

Floats = NDArray[np.float64]
Steps = tuple[tuple[float, float], ...]

#: How long the hand at the pump takes from one step to the next, s.
STEP_S = 0.3


@dataclass(frozen=True, slots=True)
class VacuumUnit:
    """Diaphragm, spring and plate.

    area_mm2             that the vacuum works on
    preload_n            of the spring at rest
    rate_n_per_mm        of the spring
    stop_mm              full travel
    arm_mm               distance from the axis at which the rod turns the plate
    friction_n           of rod and plate, either way
    leak_share           share of the gauge's vacuum that a leaking diaphragm loses, 0 to 1
    stuck_deg            where the plate is stuck; None: it is not
    widening_mm_per_deg  how much the plate's own centre widens the gap as it turns: dwell falls
    scatter_deg          scatter that the plate adds while it is pulled, standard deviation
    """

    area_mm2: float = 1200.0
    preload_n: float = 15.0
    rate_n_per_mm: float = 10.0
    stop_mm: float = 3.5
    arm_mm: float = 26.0
    friction_n: float = 0.4
    leak_share: float = 0.0
    stuck_deg: float | None = None
    widening_mm_per_deg: float = 0.0
    scatter_deg: float = 0.0

    def __post_init__(self) -> None:
        if min(self.area_mm2, self.rate_n_per_mm, self.stop_mm, self.arm_mm) <= 0.0:
            raise ValueError("a vacuum unit needs an area, a spring, a travel and an arm above 0")
        if min(self.preload_n, self.friction_n, self.scatter_deg) < 0.0:
            raise ValueError("preload, friction and scatter of a vacuum unit cannot be negative")
        if not 0.0 <= self.leak_share <= 1.0:
            raise ValueError("leak_share is a share from 0 to 1")

    @property
    def most_deg(self) -> float:
        return math.degrees(self.stop_mm / self.arm_mm)

    def settled_deg(self, held_deg: Floats, vacuum_kpa: Floats) -> Floats:
        """Where the plate is after the vacuum went one way to a value, from ``held_deg``, deg."""
        if self.stuck_deg is not None:
            return self.stuck_deg + 0.0 * (held_deg + vacuum_kpa)
        held_mm = np.radians(held_deg) * self.arm_mm
        pull_n = vacuum_kpa * (1.0 - self.leak_share) * 1e-3 * self.area_mm2 - self.preload_n
        least = np.clip((pull_n - self.friction_n) / self.rate_n_per_mm, 0.0, self.stop_mm)
        most = np.clip((pull_n + self.friction_n) / self.rate_n_per_mm, 0.0, self.stop_mm)
        travel: Floats = np.degrees(np.clip(held_mm, least, most) / self.arm_mm)
        return travel

    def slips(self, _held_deg: float, _begin: float, _end: float) -> Iterator[Slip]:
        """None: a spring always pulls harder the further it is drawn."""
        return iter(())


def check_steps(steps: Steps) -> None:
    """Raises ValueError for steps of vacuum that cannot be."""
    times = [time for time, _ in steps]
    if any(after - before < STEP_S for before, after in pairwise(times)):
        raise ValueError(f"steps of the vacuum must lie {STEP_S:g} s apart or more")
    if any(time < 0.0 for time in times):
        raise ValueError("steps of the vacuum lie within the run")
    if any(not 0.0 <= kpa <= 101.0 for _, kpa in steps):
        raise ValueError("a vacuum lies between 0 and 101 kPa below the air's pressure")


def vacuum_plan(steps: Steps, seconds: float) -> Steps:
    """(s, kPa) as straight lines over a run: each step is reached ``STEP_S`` after its time.

    A step at time 0 was there before the run.
    """
    plan = [(0.0, steps[0][1] if steps and steps[0][0] == 0.0 else 0.0)]
    for time, kpa in steps:
        if time == 0.0 or time >= seconds:
            continue
        if time > plan[-1][0]:
            plan.append((time, plan[-1][1]))
        plan.append((time + STEP_S, kpa))
    last, kpa = plan[-1]
    if last < seconds:
        plan.append((seconds, kpa))
    return tuple(plan)
