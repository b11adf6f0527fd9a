"""The shape of a spark's end fitted to some openings: modes and ends together.

Gauss-Newton with Levenberg's damping; the ends are sought anew after each fit. Where no one burn
ring goes through the swings before the end the modes come from the last swings alone
(``spark_near``).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from breakerbench.measure.ring_modes import Mode, mode_of
from breakerbench.measure.spark_free import LEAST_SLOW_HZ, Free
from breakerbench.measure.spark_near import first_end
from breakerbench.measure.spark_newton import gauss_newton
from breakerbench.measure.spark_openings import Window
from breakerbench.measure.spark_shape import Grid, Shape, misfit, squares

Floats = NDArray[np.float64]

#: The first samples after the opening are its rise, s.
RISE_S = 0.06e-3
#: Fitted around an end: cycles of the burn's ring before it, and time after it, s.
BEFORE_CYCLES, LEAST_BEFORE_S, AFTER_S = 5.0, 0.25e-3, 0.6e-3
#: Near the end alone: cycles before it. Where the gap went out and struck again a swing ago, the burn
#: since then is little more than half a swing.
NEAR_CYCLES = 0.55
#: Sought around a rough end: what is fitted before the first trial, s.
SEARCH_BEFORE_S = 0.2e-3
#: So far away, in cycles, an end lies in another swing.
OTHER_SWING = 0.3
#: How far the start values (d and w2 of burn, slow, fast) may be off, standard deviations of their
#: logarithms.
SPREAD = np.array([0.6, 0.1, 0.5, 0.5, 0.5, 0.35])
ROUNDS = 4
#: A fit that leaves more than this, times the variance of the noise, is tried from another start.
UNCLEAN = 40.0
#: A ring that falls by more than this in a cycle is tried from common modes too; how many times more
#: slowly the slow mode then rings than the burn, and its damping.
WEAK, RATIOS, DAMPINGS = 0.2, (4.0, 5.5, 7.5), (0.4, 0.8, 1.3)
#: One that leaves more than this is tried by the last swings alone, and taken where these leave less
#: than so many times as much.
UNCLEAN_NEAR, NEAR_BETTER = 4.0, 0.25
#: A fit this much worse than the best of them is of something else (a restrike), ratio of squares.
WORSE = 9.0
#: A burn rings at this share of the frequency it was found at, or more: else it is damped to nothing.
RINGS = 0.25


def lateness(slow: Mode, burn_hz: float) -> float:
    """How late a rough end may be, s: down to a fifth, and half the window behind."""
    fall = max(0.5 / max(slow.hz, LEAST_SLOW_HZ), 1.7e-3 / max(slow.slowest, 0.1))
    if slow.hz > 0.0:
        fall = min(fall, 0.5 / slow.hz)
    return min(fall, 1e-3) + 1.5 / burn_hz


def around(w: Window, end: float, shape: Shape, rate_hz: float) -> slice:
    """What is fitted around an end, samples."""
    before = max(BEFORE_CYCLES / max(shape.burn.hz, 1.0), LEAST_BEFORE_S) * rate_hz
    if shape.near:
        before = NEAR_CYCLES / max(shape.burn.hz, 1.0) * rate_hz
    begin = max(int(RISE_S * rate_hz), int(end - before))
    return slice(begin, max(begin, min(len(w), int(end + AFTER_S * rate_hz))))


def grid_of(shape: Shape, rate_hz: float) -> Grid:
    """Columns for everything that is fitted about the ends of one trace."""
    reach_s = lateness(shape.slow, shape.burn.hz) + AFTER_S + SEARCH_BEFORE_S
    return Grid(shape, rate_hz, max(reach_s, BEFORE_CYCLES / shape.burn.hz + LEAST_BEFORE_S))


def search(grid: Grid, w: Window, rough: int) -> tuple[float, float]:
    """Best of trial ends about a rough end, samples; NaN where there is no room for one.

    And how many times as much the best one leaves that lies in another swing of the burn's ring.
    """
    shape, rate_hz = grid.shape, grid.rate_hz
    late = lateness(shape.slow, shape.burn.hz) * rate_hz
    step = max(int(rate_hz * 8e-6), 1)
    rise = int(RISE_S * rate_hz)
    first = max(int(rough - late), rise + 6)
    part = slice(
        max(rise, first - int(SEARCH_BEFORE_S * rate_hz)),
        min(len(w), rough + int(AFTER_S * rate_hz)),
    )
    trials = np.arange(rough, first - 1, -step)[::-1].astype(np.float64)
    if part.stop - part.start < 24 or not len(trials):
        return np.nan, np.nan
    s, each = squares(grid.columns(part, trials), w.volts[part], w.good[part])
    s = np.where(shape.may_end(each), s, np.inf)
    best = int(np.argmin(s))
    if not np.isfinite(s[best]):
        return np.nan, np.nan
    other = np.abs(trials - trials[best]) > OTHER_SWING / shape.burn.hz * rate_hz
    rival = float(s[other].min()) / max(float(s[best]), 1e-30) if other.any() else np.inf
    return float(trials[best]), rival


def learn_shape(
    rough: list[tuple[Window, int]], burn_hz: float, ring: Free | None, noise: float,
    rate_hz: float, tau: float,
) -> Shape | None:  # fmt: skip
    """Modes and ends together; None where no burn rings.

    Where the ring did not tell the modes well (it is damped so much that it is over at once), the
    fit begins from the best of some modes as they commonly lie to the burn's ring, too.
    """
    burn = mode_of(burn_hz, 3000.0)
    found = []
    if ring is not None:
        start = Shape(burn, ring.slow, ring.fast, tau)
        found.append(_fit_from(rough, start, noise, rate_hz))
    if not found or found[0][1] > UNCLEAN * noise**2 or ring is None or _weak(ring.slow):
        fast = mode_of(1.3 * burn.hz, 8000.0)
        common = [Shape(burn, slow, fast, tau) for slow in common_slow(burn)]
        each = [_left(rough, s, rate_hz) for s in common]
        found.append(_fit_from(rough, common[int(np.argmin(each))], noise, rate_hz))
    shape, left = min(found, key=lambda each: each[1])
    if not np.isfinite(left):
        return None
    if left > UNCLEAN_NEAR * noise**2:
        near, near_left = _fit_near(rough, shape, noise, rate_hz)
        if near_left < NEAR_BETTER * left:
            shape = near
    return shape


def _fit_near(
    rough: list[tuple[Window, int]], shape: Shape, noise: float, rate_hz: float
) -> tuple[Shape, float]:
    """The fit to the last swings of the burns alone, and the mean square that it leaves.

    Where gaps go out and strike again swing after swing no burn ring goes through all of it.
    """
    first = _values(shape)
    best, left = shape, np.inf
    for _ in range(ROUNDS):
        grid = grid_of(shape, rate_hz)
        windows: list[Window] = []
        ends: list[float] = []
        for w, rough_at in rough:
            about, _ = search(grid, w, rough_at)
            end = near_end(grid, w, (about, about), noise) if np.isfinite(about) else np.nan
            if np.isfinite(end):
                windows.append(w)
                ends.append(end)
        if not windows:
            break
        near = replace(shape, near=True)
        found, now = _fit_about(windows, np.array(ends), near, first, noise, rate_hz)
        if not now < 0.98 * left:
            break
        best, left = replace(found, near=False), now
        shape = best
    return best, left


def near_end(grid: Grid, w: Window, about: tuple[float, float], noise: float) -> float:
    """The end by the last swing alone, about places that are right to a swing, samples; or NaN."""
    before = NEAR_CYCLES / grid.shape.burn.hz * grid.rate_hz
    return first_end(grid.near, w, about, before, AFTER_S * grid.rate_hz, noise)


def _weak(slow: Mode) -> bool:
    """Damped so much that a ring of it hardly tells the mode."""
    return slow.hz == 0.0 or slow.decay < WEAK


def common_slow(quick: Mode) -> list[Mode]:
    """Slow modes at common ratios to a quick ring, more and less damped."""
    w = float(np.sqrt(quick.w2))
    return [Mode(damping * w / ratio, (w / ratio) ** 2) for ratio in RATIOS for damping in DAMPINGS]


def _left(rough: list[tuple[Window, int]], shape: Shape, rate_hz: float) -> float:
    """Median mean square that a shape leaves as it is."""
    x = _values(shape)
    grid = grid_of(shape, rate_hz)
    left = []
    for w, rough_at in rough:
        end, _ = search(grid, w, rough_at)
        if np.isfinite(end):
            part = around(w, end, shape, rate_hz)
            residuals = _residuals([w], [part], shape, rate_hz)(x, np.array([end]))
            left.append(float(_mean_squares(residuals)[0]))
    return float(np.median(left)) if left else np.inf


def _values(shape: Shape) -> Floats:
    return np.array([v for m in (shape.burn, shape.slow, shape.fast) for v in (m.d, m.w2)])


def _shape(x: Floats, like: Shape) -> Shape:
    burn, slow, fast = (Mode(x[k], x[k + 1]) for k in (0, 2, 4))
    return replace(like, burn=burn, slow=slow, fast=fast)


def _fit_from(
    rough: list[tuple[Window, int]], shape: Shape, noise: float, rate_hz: float
) -> tuple[Shape, float]:
    """The fit from one start, and the mean square that it leaves.

    Ends are sought anew after each fit: modes that were not right yet may have led to the wrong
    swing of the burn's ring. Openings that fit much worse than the best are left out.
    """
    first = _values(shape)
    best = (shape, np.inf)
    for _ in range(ROUNDS):
        grid = grid_of(shape, rate_hz)
        ends = np.array([search(grid, w, e)[0] for w, e in rough])
        kept = np.flatnonzero(np.isfinite(ends))
        if not len(kept):
            break
        found = _fit_about([rough[k][0] for k in kept], ends[kept], shape, first, noise, rate_hz)
        if not found[1] < 0.98 * best[1]:
            break
        best = found
        shape = found[0]
    return best


def _fit_about(
    windows: list[Window], ends: Floats, shape: Shape, first: Floats, noise: float, rate_hz: float
) -> tuple[Shape, float]:
    """One fit of modes and ends, from given ones; ``first``: values that the modes are held to."""
    parts = [around(w, e, shape, rate_hz) for w, e in zip(windows, ends, strict=True)]
    x = _values(shape)
    left = _mean_squares(_residuals(windows, parts, shape, rate_hz)(x, ends))
    good = np.flatnonzero(left <= WORSE * left.min())
    residuals = _residuals([windows[k] for k in good], [parts[k] for k in good], shape, rate_hz)
    x, at = gauss_newton(residuals, first, ends[good], SPREAD, noise, x)
    found = _shape(x, shape)
    if found.burn.hz < RINGS * Mode(first[0], first[1]).hz:
        return shape, np.inf  # a burn that does not ring is none
    return found, float(np.median(_mean_squares(residuals(x, at))))


def _mean_squares(residuals: list[Floats]) -> Floats:
    return np.array([float(r @ r) / max(len(r), 1) for r in residuals])


def _residuals(
    windows: list[Window], parts: list[slice], like: Shape, rate_hz: float
) -> Callable[[Floats, Floats], list[Floats]]:
    def residuals(x: Floats, ends: Floats) -> list[Floats]:
        shape = _shape(x, like)
        out = []
        for w, p, end in zip(windows, parts, ends, strict=True):
            t = (np.arange(p.start, p.stop) - end) / rate_hz * 1e3
            out.append(misfit(shape.columns(t), w.volts[p], w.good[p]))
        return out

    return residuals
