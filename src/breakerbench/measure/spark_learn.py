"""Learning the modes of coil and condenser from some openings of a trace.

They are the same for all openings, at any speed. Start values come from the spectrum after the
openings (leakage's ring in the burn) and from the rings after the rough ends; then modes and ends
are fitted together to a few openings (Gauss-Newton, Levenberg's damping).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from breakerbench.measure.ring_modes import mode_of, poles_of_rings, rest_of_rings
from breakerbench.measure.spark_fit import common_slow, learn_shape
from breakerbench.measure.spark_free import (
    LEAST_SLOW_HZ,
    MISS,
    MOST_SLOW_HZ,
    Free,
    fit_free,
    free_share,
    free_total,
    rings_freely,
)
from breakerbench.measure.spark_level import levels, rough_end, strongest_hz
from breakerbench.measure.spark_openings import Window
from breakerbench.measure.spark_shape import Shape

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

#: Openings that the modes are fitted to; rings that the poles are taken from; samples of each ring.
FITTED, RINGS, RING_S = 4, 24, 3e-3
#: An opening of which a free ring leaves more than this is taken for one with a spark.
SCREEN = 0.1


@dataclass(frozen=True, slots=True)
class Learned:
    """What the learning found.

    shape  of a spark's end; None where no spark was found to learn it from
    free   a ring without a spark
    noise  of the samples, V
    burn_hz  the strongest oscillation of the openings with a spark
    """

    shape: Shape | None
    free: Free
    noise: float
    burn_hz: float


def level_at_rest(windows: list[Window], rate_hz: float) -> float | None:
    """How far the rings' own level lies above what the windows take for it, V; None: not told.

    For openings that never come to rest before the next closing. A burn that lasts until then rings
    too, about its line, but more quickly than any coil with its condenser.
    """
    _, ends, burn_hz = _rough(windows, rate_hz)
    rings = [_ring(w, e, rate_hz) for w, e in zip(windows, ends, strict=True) if e >= 0]
    return rest_of_rings(rings, rate_hz, min(0.6 * burn_hz, MOST_SLOW_HZ))


def _rough(windows: list[Window], rate_hz: float) -> tuple[Floats, list[int], float]:
    """Strongest oscillation and rough end of each, and what may be the burn's ring."""
    count = max(len(w) for w in windows)
    volts = np.stack([np.pad(w.volts, (0, count - len(w))) for w in windows])
    hz = strongest_hz(volts, rate_hz)
    ends = [
        rough_end(*levels(w.volts, w.good, f, rate_hz), f, rate_hz)
        for w, f in zip(windows, hz, strict=True)
    ]
    return hz, ends, float(np.quantile(hz, 0.75))


@dataclass(frozen=True, slots=True)
class _Ring:
    """Modes of a ring without a spark, and the share that it leaves of those it explains best."""

    free: Free
    share: float
    noise: float


def learn(windows: list[Window], noise: float, rate_hz: float, tau: float) -> Learned | None:
    """Modes from openings in order; None where they show no ring to learn from.

    noise  of the samples, V; tau: time constant of the front end, ms
    """
    if not windows:
        return None
    hz, ends, strongest = _rough(windows, rate_hz)
    ring = _learn_ring(windows, ends, strongest, noise, rate_hz, tau)
    if ring is None:
        sparks = [k for k, e in enumerate(ends) if e > 0]
    else:
        noise = max(noise, ring.noise)
        share = np.array([free_share(ring.free, w, rate_hz) for w in windows])
        sparks = [k for k, e in enumerate(ends) if e > 0 and share[k] > SCREEN]
    burn_hz = float(np.median(hz[sparks])) if sparks else 0.0
    slowest_hz = LEAST_SLOW_HZ if ring is None else max(ring.free.slow.hz, LEAST_SLOW_HZ)
    if burn_hz < 1.8 * slowest_hz:  # no burn to be seen in most of them
        burn_hz = (
            5.0 * slowest_hz if ring is None else max(ring.free.fast.hz / 1.2, 2.0 * slowest_hz)
        )
    shape = None
    if sparks:
        rough = [(windows[k], ends[k]) for k in sparks[:: max(len(sparks) // FITTED, 1)][:FITTED]]
        known = None if ring is None else ring.free
        shape = learn_shape(rough, burn_hz, known, noise, rate_hz, tau)
    free = None if ring is None else ring.free
    if shape is not None:
        again = fit_free(windows, Free(shape.slow, shape.fast, tau), noise, rate_hz)
        if free is None or free_total(windows, again, rate_hz) < free_total(windows, free, rate_hz):
            free = again
    if free is None:
        return None
    return Learned(shape, free, noise, burn_hz)


def _learn_ring(
    windows: list[Window], ends: list[int], burn_hz: float, noise: float, rate_hz: float, tau: float
) -> _Ring | None:
    """From the rings after the rough ends; where these do not tell it all, from whole ones."""
    found = _ring_from(windows, ends, burn_hz, rate_hz, tau)
    if found is not None and found.share < MISS:
        return found
    # No spark ever was, or the rings after the ends are too weak: those openings that look most
    # like a ring without a spark, from their peak on.
    best = np.arange(len(windows))
    if found is not None:
        share = np.array([free_share(found.free, w, rate_hz) for w in windows])
        best = np.sort(np.argsort(share, kind="stable")[: max(len(windows) // 4, 2)])
    part = [windows[k] for k in best]
    begins = [int(np.argmax(np.abs(w.volts))) + 1 for w in part]
    whole = _ring_from(part, begins, burn_hz, rate_hz, tau)
    most = SCREEN if found is None else min(MISS, 0.1 * found.share)
    if whole is not None and whole.share < most:
        found = whole
    if found is None or found.share > MISS:
        # Damped so much that it is over at once: modes as they commonly lie to the quick ring.
        quick = mode_of(burn_hz, 6000.0)
        frees = [Free(slow, quick, tau) for slow in common_slow(quick)]
        left = [free_total(windows, free, rate_hz) for free in frees]
        free = fit_free(windows, frees[int(np.argmin(left))], noise, rate_hz)
        total = free_total(windows, free, rate_hz)
        if total < MISS:
            found = _Ring(free, total, noise)
    return found


def _ring_from(
    windows: list[Window], begins: list[int], burn_hz: float, rate_hz: float, tau: float
) -> _Ring | None:
    rings = [_ring(w, b, rate_hz) for w, b in zip(windows, begins, strict=True) if b >= 0]
    poles = poles_of_rings(rings[:RINGS], rate_hz, 0.6 * burn_hz)
    if poles is None or not rings_freely(poles.slow):
        return None
    fast = poles.fast or mode_of(1.25 * max(burn_hz, 3.0 * poles.slow.hz), 4500.0)
    free = fit_free(windows, Free(poles.slow, fast, tau), poles.noise, rate_hz)
    return _Ring(free, free_total(windows, free, rate_hz), poles.noise)


def _ring(w: Window, end: int, rate_hz: float) -> Floats:
    """What rings after the rough end, from the last clipped sample on."""
    bad = np.flatnonzero(~w.good)
    begin = max(end, int(bad[-1]) + 1 if len(bad) else 0)
    return w.volts[begin : begin + int(RING_S * rate_hz)]
