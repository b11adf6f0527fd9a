"""In circuit: the ring of coil and condenser after the spark, and the rise at the opening.

Both hold the secondary's capacitance times the turns ratio squared, so they are no capacitance of
the condenser; against a recording of the same distributor on the same coil they show a change.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from breakerbench.measure.ring_modes import Mode
from breakerbench.measure.spark_free import MISS, Free, free_share
from breakerbench.measure.spark_learn import Learned
from breakerbench.measure.spark_openings import Window
from breakerbench.measure.spark_shape import misfit
from breakerbench.measure.uncertainty import Budget, Component, rectangular, type_a_mean

Floats = NDArray[np.float64]

#: What is fitted of a ring: from so many cycles of its fast mode after the end, for so many of the slow.
AFTER_FAST, FOR_SLOW = 1.5, 3.0
#: Rings fitted; fewer than this say nothing.
MOST_RINGS, LEAST_RINGS = 24, 3
#: Of the sample clock, as a share (crystal; from memory).
CLOCK = 50e-6
#: The rise is taken from this long after the opening, s.
RISE_S = 12e-6
#: Systematic: a mode of a circuit that is not quite linear, share of the frequency (found by
#: fitting rings of both simulators from two starts).
MODEL = 0.002


@dataclass(frozen=True, slots=True)
class Rings:
    """hz, decay (factor a cycle) of the ring, their expanded uncertainties, and rings used."""

    hz: float
    decay: float
    u_hz: float
    u_decay: float
    rings: int


@dataclass(frozen=True, slots=True)
class Rise:
    """Slope of the first RISE_S after the opening, V/s; expanded uncertainty; openings used."""

    v_per_s: float
    u_v_per_s: float
    openings: int


def ring_of(
    learned: Learned,
    windows: list[tuple[int, Window]],
    begins: Mapping[int, float],
    rate_hz: float,
) -> Rings | str:
    """Mean over the rings after the spark's end, or after an opening without a spark; else why not."""
    slow, fast = learned.free.slow, learned.free.fast
    if learned.shape is not None:
        slow, fast = learned.shape.slow, learned.shape.fast
    if slow.hz <= 0.0 or slow.decay < LEAST_DECAY:
        return NO_RING
    hz: list[float] = []
    decay: list[float] = []
    for number, w in windows:
        if len(hz) >= MOST_RINGS:
            break
        begin = begins.get(number)
        if begin is None:
            if not free_share(learned.free, w, rate_hz) < MISS:
                continue
            begin = 0.0
        found = _fit_ring(w, begin - w.lead, slow, fast, learned, rate_hz)
        if found is not None:
            hz.append(found.hz)
            decay.append(found.decay)
    if len(hz) < LEAST_RINGS:
        return TOO_FEW_RINGS
    return _rings(hz, decay)


#: A ring that is gone within a cycle has no frequency to speak of.
LEAST_DECAY = 0.02
NO_RING = "coil and condenser do not ring in circuit: their losses are too great for it"
TOO_FEW_RINGS = "too few openings are long enough to show the ring after the spark"


def _rings(hz: list[float], decay: list[float]) -> Rings:
    f, d = type_a_mean(_inner(hz)), type_a_mean(_inner(decay))
    u_hz = Budget(
        f.value, "Hz",
        (f.component("spread of the rings"), Component("model", MODEL * f.value),
         Component("sample clock", CLOCK * f.value)),
    ).U  # fmt: skip
    u_decay = Budget(
        d.value, "", (d.component("spread of the rings"), Component("model", rectangular(0.02))),
    ).U  # fmt: skip
    return Rings(f.value, d.value, u_hz, u_decay, len(hz))


def _inner(values: list[float]) -> Floats:
    """Without those far from the middle: a ring that was disturbed is no ring."""
    x = np.array(values)
    off = np.abs(x - np.median(x))
    return np.asarray(x[off <= 5.0 * max(float(np.median(off)), 1e-9 * abs(float(np.median(x))))])


def _fit_ring(
    w: Window, begin: float, slow: Mode, fast: Mode, learned: Learned, rate_hz: float
) -> Mode | None:
    """The slow mode of one ring, by Gauss and Newton from what all rings have in common."""
    wait = AFTER_FAST * 1e3 / max(fast.hz, 1e3) / 1e3 * rate_hz
    first = max(int(begin + wait), 0)
    stop = min(len(w), first + int(FOR_SLOW / slow.hz * rate_hz))
    volts, good = w.volts[first:stop], w.good[first:stop]
    if stop - first < 1.2 / slow.hz * rate_hz or good.sum() < 32:
        return None
    swing = float(np.ptp(volts[good]))
    if swing < 12.0 * learned.noise:
        return None
    t = np.arange(stop - first) / rate_hz * 1e3

    def residual(x: Floats) -> Floats:
        free = Free(Mode(float(np.exp(x[0])), float(np.exp(x[1]))), fast, 0.0)
        columns = np.column_stack([free.columns(t), np.ones(len(t))])
        return misfit(columns, volts, good)

    x = np.log([slow.d, slow.w2])
    for _ in range(3):
        r = residual(x)
        slopes = np.stack([(residual(x + h) - r) / 1e-4 for h in 1e-4 * np.eye(2)], axis=1)
        step = np.linalg.lstsq(slopes, -r, rcond=None)[0]
        x = x + np.clip(step, -0.3, 0.3)
    mode = Mode(float(np.exp(x[0])), float(np.exp(x[1])))
    return mode if mode.hz > 0.0 and abs(math.log(mode.w2 / slow.w2)) < 0.5 else None


# --- rise -------------------------------------------------------------------------------------


def rise_of(windows: list[Window], rate_hz: float, tau: float) -> Rise | str:
    """Mean slope of the first RISE_S after the opening, two samples or more; else why not.

    tau  time constant of the front end, ms
    """
    slopes = []
    for w in windows[: 4 * MOST_RINGS]:
        t = (np.arange(min(len(w), int(RISE_S * rate_hz) + 2)) + w.lead) / rate_hz * 1e3
        t = t[t < RISE_S * 1e3]
        good = w.good[: len(t)]
        if len(t) < 2 or not good.all():
            continue
        ramp = t if tau <= 0.0 else t + tau * np.expm1(-t / tau)
        slopes.append(float(ramp @ (w.volts[: len(t)] - w.closed) / (ramp @ ramp)) * 1e3)
    if len(slopes) < LEAST_RINGS:
        return TOO_STEEP
    mean = type_a_mean(_inner(slopes))
    if not mean.value > 0.0:  # the ring has turned by then
        return TOO_STEEP
    budget = Budget(
        mean.value, "V/s",
        (mean.component("spread of the openings"), Component("scale", rectangular(0.01 * mean.value)),
         Component("model", rectangular(0.05 * abs(mean.value)))),
    )  # fmt: skip
    return Rise(mean.value, budget.U, len(slopes))


TOO_STEEP = (
    "the rise at the opening is over within a sample, or clipped: a wider range of the points "
    "voltage, or faster sampling, shows it"
)


# --- against a reference ----------------------------------------------------------------------


def compare_rings(now: Mapping[str, Any], then: Mapping[str, Any]) -> dict[str, Any]:
    """Change of ring and rise against the result of a reference recording, as shares.

    Keys ring_change, u_ring_change, rise_change, u_rise_change; null where one of both has none.
    The rise is that of the current at the opening: it is compared per ampere where both results
    tell the current, and not at all where only one does.
    """
    out: dict[str, Any] = dict.fromkeys(
        ("ring_change", "u_ring_change", "rise_change", "u_rise_change")
    )
    a, b = _number(now, "condenser", "ring_hz"), _number(then, "condenser", "ring_hz")
    u_a, u_b = _number(now, "condenser", "u_ring_hz"), _number(then, "condenser", "u_ring_hz")
    if a and b:
        out["ring_change"] = a / b - 1.0
        if u_a is not None and u_b is not None:
            out["u_ring_change"] = a / b * math.hypot(u_a / a, u_b / b)
    a, b = _number(now, "condenser", "rise_v_per_s"), _number(then, "condenser", "rise_v_per_s")
    i, j = _number(now, "coil", "current_a"), _number(then, "coil", "current_a")
    if a and b and i and j:
        a, b = a / i, b / j
        out["rise_change"] = a / b - 1.0
        parts = [0.0]
        for result, value in ((now, a * i), (then, b * j)):
            u = _number(result, "condenser", "u_rise_v_per_s")
            parts.append((u or 0.0) / value)
        for result, current in ((now, i), (then, j)):
            parts.append((_number(result, "coil", "u_current_a") or 0.0) / current)
        out["u_rise_change"] = a / b * math.hypot(*parts)
    return out


def _number(result: Mapping[str, Any], table: str, key: str) -> float | None:
    value = (result.get(table) or {}).get(key)
    return float(value) if isinstance(value, (int, float)) and not isinstance(value, bool) else None
