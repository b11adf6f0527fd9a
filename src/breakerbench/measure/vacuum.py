"""Vacuum advance: how much earlier the openings come under vacuum than at 0 kPa, speed alike.

Of each step the settled revolutions count (`vacuum_steps`). Definitions and budget: DEVELOPERS.md.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from breakerbench.edges.events import Instrument
from breakerbench.measure.advance import fixed_lines
from breakerbench.measure.figures import expanded
from breakerbench.measure.uncertainty import Component, rectangular
from breakerbench.measure.vacuum_steps import LEAST, Revolutions, Step, is_steady, noise

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Revolutions at 0 kPa up to so far from a step's speed tell where its openings would stand.
NEAR_RPM = 25.0
#: The steepest centrifugal advance, deg per rpm, either way; from memory. What is known of the slope
#: where the revolutions at 0 kPa do not show it.
STEEPEST = 0.03
#: A step in which the openings drift by this is told of.
DRIFT_DEG = 0.1
NO_STEPS = "no vacuum steps were told (--vacuum)"
NO_ZERO = "none of the vacuum steps is at 0 kPa: there is nothing to measure the advance from"


@dataclass(frozen=True, slots=True)
class _Mean:
    """Mean place of a step's openings: value, standard uncertainty and its dof, speed, drift."""

    deg: float
    u: float
    dof: float
    rpm: float
    drift: float


def _inflation(phase: Floats, turn: Ints) -> float:
    """Factor on the variance of the mean for neighbours that go together (von Neumann's ratio)."""
    step = np.diff(phase)[np.diff(turn) == 1]
    variance = float(phase.var(ddof=1))
    if len(step) < LEAST or variance <= 0.0:
        return 1.0
    rho = 1.0 - float((step**2).mean()) / (2.0 * variance)
    if rho < 2.5 / float(np.sqrt(len(step))):
        return 1.0
    rho = min(rho, 0.95)
    return (1.0 + rho) / (1.0 - rho)


def _mean(r: Revolutions, pick: Ints, lock: float, lobes: int) -> _Mean:
    phase, n = r.phase[pick], len(pick)
    variance = float(phase.var(ddof=1))
    rpm = float(r.rpm[pick].mean())
    placed = float(np.sqrt(r.u_open2[pick].mean() / lobes)) * 6.0 * rpm
    locked = max(float(np.sqrt(max(placed**2 - variance, 0.0))), lock * placed)
    u = float(np.sqrt(variance * _inflation(phase, r.turn[pick]) / n + locked**2))
    half = n // 2
    apart = float(phase[-half:].mean() - phase[:half].mean())
    # Halves differ by 2 u of the whole by chance alone.
    drift = np.sign(apart) * max(abs(apart) - 4.0 * u, 0.0)
    return _Mean(float(phase.mean()), u, n - 1.0, rpm, float(drift))


def _at_rest(r: Revolutions, zeros: list[Ints], step: _Mean) -> tuple[float, list[Component]] | str:
    """Where the openings would stand at 0 kPa at the step's speed, with its budget lines.

    A straight line through the revolutions at 0 kPa near that speed; its slope, where these do not
    tell it, is known only to lie within STEEPEST.
    """
    pick = np.concatenate(zeros)
    away = r.rpm[pick] - step.rpm
    near = np.abs(away) <= NEAR_RPM
    if int(near.sum()) < LEAST:
        closest = float(r.rpm[pick][np.argmin(np.abs(away))])
        return f"at {step.rpm:.0f} rpm, but 0 kPa was only measured at {closest:.0f} rpm near it"
    pick, x = pick[near], away[near]
    y = r.phase[pick]
    sd = max(noise(y), 1e-4)
    if len(y) > LEAST:
        sd = max(sd, float((y - np.polyval(np.polyfit(x, y, 1), x)).std(ddof=2)))
    design = np.column_stack([np.ones(len(x)), x])
    normal = design.T @ design / sd**2
    normal[1, 1] += 1.0 / rectangular(STEEPEST) ** 2
    inverse = np.linalg.inv(normal)
    level, slope = inverse @ (design.T @ y / sd**2)
    inflation = _inflation(y - slope * x, r.turn[pick]) if len(y) > LEAST else 1.0
    lines = [Component("zero", float(np.sqrt(inverse[0, 0] * inflation)), max(len(y) - 2.0, 1.0))]
    levels = []
    for each in zeros:
        mine = each[np.abs(r.rpm[each] - step.rpm) <= NEAR_RPM]
        if len(mine) >= LEAST:
            levels.append(float((r.phase[mine] - slope * (r.rpm[mine] - step.rpm)).mean()))
    if len(levels) > 1:
        lines.append(Component("zero before and after", rectangular(0.5 * float(np.ptp(levels)))))
    return float(level), lines


def vacuum_figures(
    steps: list[Step], r: Revolutions, tool: Instrument, lobes: int
) -> tuple[dict[str, Any], dict[str, str], list[str]]:
    """The table of the contract, reasons by key, and notes.

    One point a step with vacuum, one for the zero, and one for 0 kPa after vacuum.
    """
    zeros = [s.rows for s in steps if s.kpa == 0.0 and len(s.rows)]
    # A plate that sticks does not come back: what was before the first pull is the zero, and what
    # follows is measured from it.
    pulled = next((k for k, s in enumerate(steps) if s.kpa > 0.0), len(steps))
    before = [s.rows for s in steps[:pulled] if len(s.rows)]
    empty: dict[str, Any] = {"points": []}
    if not zeros:
        refused = [s.why for s in steps if s.kpa == 0.0]
        why = f"no usable step at 0 kPa: {refused[0]}" if refused else NO_ZERO
        return empty, {"vacuum": why}, []
    points, refused, notes = [], [], []
    zero_u = None
    for number, step in enumerate(steps):
        if step.kpa == 0.0 and (number < pulled or not before):
            continue
        blank = {"kpa": step.kpa, "deg": None, "u_deg": None}
        why = step.why
        if not why and not is_steady(r.rpm[step.rows]):
            why = "the speed changed while it was held"
        if not why:
            mean = _mean(r, step.rows, tool.lock, lobes)
            rest = _at_rest(r, before or zeros, mean)
            if isinstance(rest, str) and step.kpa > 0.0:
                rest = _at_rest(r, zeros, mean)
            if isinstance(rest, str):
                why = rest
        if why and step.kpa == 0.0:
            continue
        if why:
            refused.append(f"{step.kpa:g} kPa: {why}")
            points.append(blank)
            continue
        assert not isinstance(rest, str)
        level, lines = rest
        lines += [
            Component("repeatability", mean.u, mean.dof),
            Component("drift", rectangular(0.5 * abs(mean.drift))),
            *fixed_lines(lobes, tool, mean.rpm, mean.rpm),
        ]
        if abs(mean.drift) > DRIFT_DEG:
            notes.append(
                f"At {step.kpa:g} kPa the openings went on moving, by {abs(mean.drift):.2f} deg: the "
                "vacuum leaks, or it had not settled."
            )
        ahead, u = level - mean.deg, expanded(lines)
        points.append({"kpa": step.kpa, "deg": ahead, "u_deg": u})
        if step.kpa == 0.0 and abs(ahead) > max(u, DRIFT_DEG):
            way = "early" if ahead > 0.0 else "late"
            notes.append(
                f"Back at 0 kPa the openings stay {abs(ahead):.2f} deg {way}: the plate does not come "
                "back."
            )
        zero_u = expanded(lines[:1]) if zero_u is None else zero_u
    if zero_u is not None:
        points.insert(0, {"kpa": 0.0, "deg": 0.0, "u_deg": zero_u})
    reasons = {"vacuum.points": "; ".join(refused)} if refused else {}
    if not points:
        reasons = {"vacuum": "no step with vacuum was told"}
    return {"points": points}, reasons, notes
