"""Breaker arms made to order: from the speeds at which they bounce and float to mass and restitution.

Spring tension of 5.5 N at the contact and some 1 N more for each millimetre: common practice, no
source. The mass follows from the speed of floating: of a healthy arm above what the tool measures.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from scipy.optimize import brentq

from breakerbench.bench.arm import Arm, flights
from breakerbench.bench.arm_truth import SETTLE_DEG
from breakerbench.bench.cam import Cam
from breakerbench.bench.model import Bench

#: Normal quantile that one closing in twenty is above: these settle late at the onset of bounce.
_ONE_IN_TWENTY = 1.6449
#: Speeds that a healthy arm keeps clear of, rpm.
HEALTHY_FLOAT_RPM, HEALTHY_ONSET_RPM = 3800.0, 2700.0


def healthy_arm(bench: Bench) -> Arm:
    """The arm of a bench, or where it has none a healthy one for its cam."""
    return bench.arm or arm_for(bench.cam, HEALTHY_FLOAT_RPM, HEALTHY_ONSET_RPM)


def arm_for(cam: Cam, float_rpm: float, onset_rpm: float | None) -> Arm:
    """An arm that floats above a speed and settles later than 0.5 deg from another one on.

    onset_rpm  at it one closing in twenty settles late; None: it hardly bounces
    """
    arm = Arm()
    at_nose = math.cos(math.pi * cam.half_open_deg(cam.gap_mm) / cam.half_width_deg)
    force = arm.preload_n + arm.rate_n_per_m * 0.5e-3 * cam.lift_mm * (1.0 - at_nose)
    rate = math.pi / cam.half_width_deg * 6.0 * float_rpm
    arm = replace(arm, mass_kg=force / (0.5e-3 * cam.lift_mm * rate**2))
    return replace(arm, restitution=restitution_for(arm, cam, onset_rpm))


def landing_m_s(cam: Cam, rpm: float) -> float:
    """Speed at which the contact lands with the block on the cam, m/s."""
    rate = math.pi / cam.half_width_deg * 6.0 * rpm
    phase = math.pi * cam.half_open_deg(cam.gap_mm) / cam.half_width_deg
    return 0.5e-3 * cam.lift_mm * rate * math.sin(phase)


def settling_s(arm: Arm, speed_m_s: float, restitution: float) -> float:
    """Time from first touch to the last re-closing after one landing, s."""
    back_s = flights(arm, np.array([speed_m_s]), np.array([restitution]))[2]
    return float(back_s[-1]) if len(back_s) else 0.0


def restitution_for(arm: Arm, cam: Cam, onset_rpm: float | None) -> float:
    """Restitution with which bounce begins at a speed: its upper twentieth settles 0.5 deg late."""
    if onset_rpm is None:
        return 0.0
    speed, limit_s = landing_m_s(cam, onset_rpm), SETTLE_DEG / (6.0 * onset_rpm)

    def late(high: float) -> float:
        return settling_s(arm, speed, high) - limit_s

    highest = 0.95
    high = float(brentq(late, 0.0, highest, xtol=1e-6)) if late(highest) > 0.0 else highest
    return high / (1.0 + _ONE_IN_TWENTY * arm.restitution_spread)
