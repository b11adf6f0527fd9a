"""A ring without a spark, and the openings that are nothing else: the misses.

Without a spark coil and condenser ring freely from the opening on, in two modes, and begin at the
closed level. Where the gap burns, its line and the leakage's ring about it are no such ring. The
share of the squares that a free ring leaves was below 0.01 for misses and 0.1 to 1.0 for sparks of
0.2 ms and more on simulated circuits over the ranges of an ignition (ours and ngspice); sparks of
some 0.05 to 0.15 ms lie between and are not told, shorter ones count as none.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from breakerbench.measure.ring_modes import Mode, seen_through
from breakerbench.measure.spark_newton import gauss_newton
from breakerbench.measure.spark_openings import Verdicts, Window
from breakerbench.measure.spark_shape import amplitudes, misfit

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

#: A free ring is looked for in so long a stretch, s, from when the front end has followed, s.
FREE_S, FOLLOWED_S = 2e-3, 16e-6
#: How many times the opening counts among the samples; samples it takes to say anything.
CLOSED_WEIGHT, LEAST_GOOD = 3.0, 16
#: A miss leaves less than this share of its squares (and what noise makes, so many times), a spark
#: more than the second.
MISS, NOISE, SPARK = 0.012, 3.0, 0.04
#: The slow mode has this share of a free ring's energy at least (0.45 to 1.0 on simulated circuits;
#: less than 0.01 where a burn was taken for a ring).
LEAST_SLOW = 0.2
#: Openings that the modes are fitted to, where a free ring leaves no more of them than this.
FITTED, NEAR = 3, 0.4
#: Openings that tell how much modes leave of those that they explain best.
SOME = 16
#: Modes that had to be bent further than this (logarithm of d or w2) are none of the ring's.
BENT = 0.7
#: How far the start values may be off: standard deviations of the logarithms of d and w2.
SPREAD = np.array([0.5, 0.5, 0.5, 0.35])
#: No coil rings more slowly with its condenser, nor more quickly, Hz (12 mH, 0.3 uF, 110 turns and
#: 90 pF: 1,200; 3 mH, 0.15 uF, 60 turns and 30 pF: 5,700).
LEAST_SLOW_HZ, MOST_SLOW_HZ = 500.0, 7000.0
#: Without a ring it falls by this at least, 1/ms; a burn line falls more slowly.
LEAST_FALL = 1.5


@dataclass(frozen=True, slots=True)
class Free:
    """A ring without a spark: the two modes of coil and condenser about the feed."""

    slow: Mode
    fast: Mode
    tau: float

    def shapes(self, t: float) -> Floats:
        """(4,) at one time, as the points have it: not behind the front end."""
        at = np.array([t])
        return np.concatenate([m.shapes(at)[0] for m in (self.slow, self.fast)])

    def columns(self, t: Floats) -> Floats:
        """(n, 4) at times t, ms; which instant is 0 does not matter."""
        return np.hstack([seen_through(m, self.tau, t) for m in (self.slow, self.fast)])


def rings_freely(slow: Mode) -> bool:
    """Whether coil and condenser can be what rings like that, rather than a burn."""
    if slow.hz > 0.0:
        return LEAST_SLOW_HZ <= slow.hz <= MOST_SLOW_HZ
    return slow.slowest >= LEAST_FALL


def free_window(n: int, rate_hz: float) -> slice:
    """Samples that a free ring is fitted to: from when the front end has followed the opening."""
    begin = min(int(FOLLOWED_S * rate_hz) + 1, n)
    return slice(begin, min(n, begin + int(FREE_S * rate_hz)))


@lru_cache(maxsize=64)  # of nearly all openings they are the same; nobody writes into them
def _columns(free: Free, n: int, rate_hz: float) -> Floats:
    return free.columns(np.arange(n) / rate_hz * 1e3)


def free_design(free: Free, w: Window, rate_hz: float) -> tuple[Floats, Floats, Bools]:
    """Columns, readings and which are good; last comes the opening itself, CLOSED_WEIGHT times.

    A ring without a spark begins at the closed level as the points open. One that a spark has struck
    does not, so that the ring of a burn that lasts to the next closing is not taken for it.
    """
    part = free_window(len(w), rate_hz)
    volts, good = w.volts[part], w.good[part]
    before = -(part.start + w.lead) / rate_hz * 1e3
    columns = np.vstack([_columns(free, len(volts), rate_hz), CLOSED_WEIGHT * free.shapes(before)])
    return columns, np.append(volts, CLOSED_WEIGHT * w.closed), np.append(good, True)


def free_share(free: Free, w: Window, rate_hz: float) -> float:
    """Share of the sum of squares that a free ring from the opening on leaves, 0 to 1.

    1 also where next to nothing of it is the slow mode, which has most of the energy of every ring
    without a spark: then it is the leakage's ring in a burn that outlasts the open time.
    """
    columns, volts, good = free_design(free, w, rate_hz)
    if good.sum() < LEAST_GOOD:
        return np.nan
    total = float((volts[good] ** 2).sum())
    best = amplitudes(columns[good], volts[good])
    left = volts[good] - columns[good] @ best
    slow, fast = columns[:-1, :2] @ best[:2], columns[:-1, 2:] @ best[2:]
    if float(slow @ slow) < LEAST_SLOW * float(slow @ slow + fast @ fast):
        return 1.0
    return float(left @ left) / max(total, 1e-30)


def free_total(windows: list[Window], free: Free, rate_hz: float) -> float:
    """Mean of the shares of those that a free ring explains best (a quarter, two at least)."""
    share = np.sort([free_share(free, w, rate_hz) for w in windows[:SOME]])
    return float(share[: max(len(share) // 4, 2)].mean())


def fit_free(windows: list[Window], start: Free, noise: float, rate_hz: float) -> Free:
    """The modes fitted to those openings that a free ring explains best, if it explains them.

    Several together; or the best one alone, which may be the only miss there is.
    """
    share = np.array([free_share(start, w, rate_hz) for w in windows])
    order = np.argsort(share, kind="stable")
    near = [windows[k] for k in order[:FITTED] if share[k] < NEAR]
    for chosen in (near, near[:1]):
        if not chosen:
            break
        found = _fit(chosen, start, noise, rate_hz)
        # Modes bent until they fit a spark are none of the ring's.
        fits = max(free_share(found, w, rate_hz) for w in chosen) < MISS
        if fits and rings_freely(found.slow) and _alike(found.slow, start.slow):
            return found
    return start


def _fit(chosen: list[Window], start: Free, noise: float, rate_hz: float) -> Free:
    def residuals(x: Floats, _: Floats) -> list[Floats]:
        free = Free(Mode(x[0], x[1]), Mode(x[2], x[3]), start.tau)
        return [misfit(*free_design(free, w, rate_hz)) for w in chosen]

    first = np.array([start.slow.d, start.slow.w2, start.fast.d, start.fast.w2])
    x, _ = gauss_newton(residuals, first, np.empty(0), SPREAD, noise)
    return Free(Mode(x[0], x[1]), Mode(x[2], x[3]), start.tau)


def _alike(one: Mode, other: Mode) -> bool:
    """Not bent out of all likeness; of two exponents only the slow one is known to begin with."""
    pairs = [(one.slowest, other.slowest)]
    if one.hz > 0.0 and other.hz > 0.0:
        pairs = [(one.d, other.d), (one.w2, other.w2)]
    return max(abs(float(np.log(a / b))) for a, b in pairs) < BENT


def short_count(rate_hz: float) -> int:
    """Samples after the opening that tell a miss."""
    return int((FREE_S + FOLLOWED_S) * rate_hz) + 2


def verdicts(
    free: Free,
    noise: float,
    volts: Floats,
    good: Bools,
    lead: Floats,
    closed: float,
    rate_hz: float,
) -> NDArray[np.uint8]:
    """(n,) of Verdicts for openings (n, count), as ``Window`` has them; as ``free_share``, at once."""
    part = free_window(volts.shape[1], rate_hz)
    ok = good[:, part]
    y = np.where(ok, volts[:, part], 0.0)
    t = np.arange(y.shape[1]) / rate_hz * 1e3
    columns = free.columns(t)
    q, r = np.linalg.qr(columns)
    # The opening itself is one more row, at another time in each.
    before = -(part.start + lead) / rate_hz * 1e3
    at_open = np.concatenate([m.shapes(before) for m in (free.slow, free.fast)], axis=1)
    row = CLOSED_WEIGHT * np.linalg.solve(r.T, at_open.T).T
    right = y @ q + row * (CLOSED_WEIGHT * closed)
    pairs = np.triu_indices(q.shape[1])
    gram = np.empty((len(y), q.shape[1], q.shape[1]))
    gram[:, pairs[0], pairs[1]] = ok.astype(np.float64) @ (q[:, pairs[0]] * q[:, pairs[1]])
    gram[:, pairs[1], pairs[0]] = gram[:, pairs[0], pairs[1]]
    gram += row[:, :, None] * row[:, None, :]
    # To one size: an exponent that is over at once is enormous before the first sample.
    size = np.sqrt(np.einsum("nii->ni", gram)) + 1e-30
    gram /= size[:, :, None] * size[:, None, :]
    gram += 1e-9 * np.eye(q.shape[1])
    best = np.linalg.solve(gram, (right / size)[..., None])[..., 0] / size
    total = (y**2).sum(axis=1) + (CLOSED_WEIGHT * closed) ** 2
    count = ok.sum(axis=1)
    left = total - (right * best).sum(axis=1)
    beyond = left - NOISE * count * noise**2
    # Energies of both modes over the whole stretch, clipped or not.
    each = np.linalg.solve(r, best.T).T
    inside = columns.T @ columns
    slow = np.einsum("ni,ij,nj->n", each[:, :2], inside[:2, :2], each[:, :2])
    fast = np.einsum("ni,ij,nj->n", each[:, 2:], inside[2:, 2:], each[:, 2:])
    ring = slow >= LEAST_SLOW * (slow + fast)
    told = np.full(len(y), Verdicts.UNTOLD, np.uint8)
    told[(left > SPARK * total) | ~ring] = Verdicts.SPARK
    told[(beyond < MISS * total) & ring] = Verdicts.MISS
    # Next to nothing there at all: no ring, no spark, no current.
    told[(count < LEAST_GOOD) | ((y**2).sum(axis=1) < 9.0 * count * noise**2)] = Verdicts.UNTOLD
    return told
