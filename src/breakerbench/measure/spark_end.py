"""The end of each spark, to microseconds, with the modes already learned."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from breakerbench.measure.spark_fit import around, near_end, search
from breakerbench.measure.spark_learn import Learned
from breakerbench.measure.spark_level import STAYS_LONG, levels, line_level, rough_end
from breakerbench.measure.spark_openings import Window
from breakerbench.measure.spark_shape import Grid, squares

Floats = NDArray[np.float64]

#: Trials about the best of the rough ones, and how far apart, samples.
TRIALS = np.arange(-4.0, 4.5) * 0.5
#: A fit is right that leaves less than this share of the squares unexplained, or little more than the
#: noise, times; but where noise is more than so much of the squares there is nothing to see.
EXCESS, CLEAN, NOTHING = 0.012, 1.3, 0.12
#: What an end in another swing has to leave more, times the variance that is left: what falls evenly
#: to nothing, as with shorted turns, has no end, and any will do.
STANDS_OUT, LEVEL = 2.0, 0.8
#: A fit that leaves more than this, times the noise, is tried by the last swing alone; that is taken
#: where it leaves so many times less.
NOISY, CLEANER = 1.2, 1.3


@dataclass(frozen=True, slots=True)
class End:
    """The end of one spark.

    samples  from the opening to it
    u        standard uncertainty by the fit, samples
    line_v   burn line above the level at rest, in its middle half; NaN where it is clipped, V
    end_v    what the fit has the line stand at as it ends, V
    left     share of the squares (about their mean) that the fit leaves
    over     how many times the noise it leaves (root mean square)
    before, after   samples that were fitted of the line, and of the ring that follows
    rival    how many times as much an end in another swing of the burn's ring leaves
    near     by the last swing alone
    """

    samples: float
    u: float
    line_v: float
    end_v: float
    left: float
    over: float
    before: int
    after: int
    rival: float
    near: bool

    @property
    def fits(self) -> bool:
        """Whether the shape explains what is seen about it, and there is something to explain."""
        return self.left < NOTHING and (self.excess < EXCESS or self.over < CLEAN)

    @property
    def stands_out(self) -> bool:
        """Whether it fits better than an end in another swing would, by more than chance.

        Or the line is nearly level up to it, which nothing is that falls evenly.
        """
        if self.near or self.end_v > LEVEL * self.line_v:
            return True
        return not (self.rival - 1.0) * (self.before + self.after) < STANDS_OUT

    @property
    def excess(self) -> float:
        """Share of the squares that neither the shape nor the noise explains."""
        return self.left * max(1.0 - 1.0 / self.over**2, 0.0)


def find_end(learned: Learned, grid: Grid, w: Window) -> End | None:
    """None where the line does not end in the window, or where there is no room to fit it."""
    rate_hz = grid.rate_hz
    # Not that of the shape: its burn mode is that of the end, where next to nothing of it may be left.
    hz = learned.burn_hz
    at, level = levels(w.volts, w.good, hz, rate_hz)
    rough = rough_end(at, level, hz, rate_hz, STAYS_LONG)
    if rough < 0:
        rough = rough_end(at, level, hz, rate_hz)
    if rough < 0:
        return None
    best, rival = search(grid, w, rough)
    if not np.isfinite(best):
        return None
    end = refine(grid, w, best, learned.noise)
    if end is None or end.over > NOISY:
        end = _better(end, _near_end(grid, w, (best, best), learned.noise))
    if end is None or not end.fits:
        # A burn that goes out and strikes again may look like its end to the longer fit.
        end = _better(end, _near_end(grid, w, (best, float(rough)), learned.noise))
    if end is None:
        return None
    return replace(end, line_v=line_level(at, level, end.samples - w.lead), rival=rival)


def line_ends(learned: Learned, w: Window, rate_hz: float) -> bool:
    """Whether the line comes down at all before the points close."""
    at, level = levels(w.volts, w.good, learned.burn_hz, rate_hz)
    return rough_end(at, level, learned.burn_hz, rate_hz) >= 0


def _near_end(grid: Grid, w: Window, about: tuple[float, float], noise: float) -> End | None:
    """By the last swing alone."""
    at = near_end(grid, w, about, noise)
    return refine(grid.near, w, at, noise) if np.isfinite(at) else None


def _better(end: End | None, near: End | None) -> End | None:
    """The one by the last swing where the other is spoiled by what went before."""
    if end is None or near is None:
        return end or near
    return near if CLEANER * near.over < end.over else end


def refine(grid: Grid, w: Window, best: float, noise: float) -> End | None:
    """The end about a trial, a whole sample, that is right to some samples."""
    for _ in range(3):
        part = around(w, best, grid.shape, grid.rate_hz)
        volts, good = w.volts[part], w.good[part]
        if good.sum() < 24:
            return None
        trials = best + TRIALS
        s, each = squares(grid.columns(part, trials), volts, good)
        may_end = grid.shape.may_end(each)
        least_at = int(np.argmin(np.where(may_end, s, np.inf)))
        k = min(max(least_at, 1), len(s) - 2)
        if least_at == k:
            break
        best = float(trials[least_at])
    bend = float(s[k - 1] - 2.0 * s[k] + s[k + 1])
    if not bend > 0.0:
        return None
    h = float(trials[1] - trials[0])
    aside = float(np.clip(0.5 * (s[k - 1] - s[k + 1]) / bend, -1.0, 1.0))
    if not may_end[k + 1 if aside > 0.0 else k - 1]:
        aside = 0.0  # as late, or as early, as it can be
    best = float(trials[k]) + aside * h
    least, count = float(s[k]), int(good.sum())
    freedom = max(count - 7, 1)
    variance = max(least / freedom, noise**2)
    total = float(((volts[good] - volts[good].mean()) ** 2).sum())
    ended = int(np.clip(best - part.start, 0, len(good)))
    return End(
        samples=best + w.lead,
        u=float(np.sqrt(2.0 * variance / bend)) * h,
        line_v=np.nan,
        end_v=float(grid.shape.line_v(each[k])),
        left=least / max(total, 1e-30),
        over=float(np.sqrt(least / freedom)) / noise if noise > 0.0 else np.inf,
        before=int(good[:ended].sum()),
        after=int(good[ended:].sum()),
        rival=np.nan,
        near=grid.shape.near,
    )
