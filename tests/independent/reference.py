"""Index and encoder: pulses with their faults, as edge times or as sampled columns."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .conditions import Conditions
from .motion import Motion

Array = NDArray[np.float64]


def index_pulses(c: Conditions, motion: Motion, rng: np.random.Generator) -> tuple[Array, Array]:
    """Starts and ends (s) of the index pulses, faults put in, in order and not overlapping."""
    turns = np.arange(np.ceil(c.start_deg / 360), np.floor(motion.end_deg / 360) + 1)
    turns = turns[(360 * turns > c.start_deg) & (360 * turns < motion.end_deg)]
    start = motion.time(360 * turns)
    end_at = np.minimum(360 * turns + c.index_width_deg, motion.end_deg)
    end = motion.time(end_at) if c.index_width_deg else start + 1.02 / c.rate_hz
    keep = np.ones(start.size, bool)
    if c.index_missing and start.size > 4:
        keep[1:-1] = rng.random(start.size - 2) >= c.index_missing
    start, end = start[keep], end[keep]
    if c.index_doubled:
        # The line drops shortly and comes up again: two rising edges for one pulse.
        pick = np.flatnonzero(rng.random(start.size) < c.index_doubled)
        width = end[pick] - start[pick]
        cut = start[pick] + width * rng.uniform(0.2, 0.5, pick.size)
        again = cut + width * rng.uniform(0.1, 0.3, pick.size)
        last = end[pick].copy()
        end[pick] = cut
        start, end = np.append(start, again), np.append(end, last)
    if c.index_spurious:
        n = int(rng.poisson(c.index_spurious * turns.size))
        at = rng.uniform(0, c.seconds, n)
        start = np.append(start, at)
        end = np.append(end, at + rng.uniform(20e-6, 300e-6, n))
    order = np.argsort(start)
    start, end = start[order], end[order]
    if start.size:
        clear = np.append(True, start[1:] > np.maximum.accumulate(end)[:-1])
        start, end = start[clear], end[clear]
    inside = start < c.seconds
    return start[inside], end[inside]


def encoder_pulses(c: Conditions, motion: Motion, rng: np.random.Generator) -> tuple[Array, Array]:
    """Starts and ends (s) of the encoder pulses; disc errors repeat every revolution."""
    pitch = 360.0 / c.encoder_pulses
    first = np.ceil((c.start_deg - c.encoder_phase_deg) / pitch)
    number = np.arange(first, np.floor((motion.end_deg - c.encoder_phase_deg) / pitch) + 1)
    error = rng.normal(0, c.encoder_error_deg, c.encoder_pulses)
    slot = number.astype(int) % c.encoder_pulses
    up = c.encoder_phase_deg + number * pitch + error[slot]
    down = up + pitch * c.encoder_duty
    inside = (up > c.start_deg) & (down < motion.end_deg)
    up, down = motion.time(up[inside]), motion.time(down[inside])
    keep = np.ones(up.size, bool)
    for _ in range(c.encoder_bursts):
        n = int(rng.integers(1, max(2, min(60, c.encoder_pulses // 3))))
        at = int(rng.integers(0, max(1, up.size - n)))
        keep[at : at + n] = False
    return up[keep], down[keep]


def column(
    c: Conditions,
    start: Array,
    end: Array,
    n: int,
    rng: np.random.Generator,
    *,
    inverted: bool = False,
) -> NDArray[np.float32]:
    """The line at sample instants: state of the line then, level, noise (n,)."""
    change = np.zeros(n + 1, np.int32)
    np.add.at(change, np.minimum(np.ceil(start * c.rate_hz).astype(int), n), 1)
    np.add.at(change, np.minimum(np.ceil(end * c.rate_hz).astype(int), n), -1)
    high = np.cumsum(change[:-1]) > 0
    if inverted:
        high = ~high
    line = high.astype(np.float32) * np.float32(c.index_high)
    if c.index_noise:
        line += rng.standard_normal(n, dtype=np.float32) * np.float32(c.index_noise)
        step = np.float32(c.index_high / 1024)
        line = np.rint(line / step) * step
    return line


def edges(
    c: Conditions, start: Array, end: Array, *, inverted: bool = False
) -> tuple[Array, NDArray[np.bool_]]:
    """Edge times rounded to the tick, with direction."""
    t = np.concatenate([start, end])
    rising = np.concatenate([np.ones(start.size, bool), np.zeros(end.size, bool)])
    inside = (t > 0) & (t < c.seconds)
    t, rising = t[inside], rising[inside]
    order = np.argsort(t, kind="stable")
    t, rising = t[order], rising[order]
    if c.tick_s:
        t = np.rint(t / c.tick_s) * c.tick_s
    return t, ~rising if inverted else rising
