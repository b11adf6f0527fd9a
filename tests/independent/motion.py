"""Shaft angle by brute force, and the times at which the contact opens and closes.

The base angle is the straight-line integral of the speed on a grid of 20 us; a ripple that is
locked to the shaft is a distortion of angle that can be written down both ways, a free one is part
of the integral. Times of given angles come from bisection by ``interp`` and Newton steps.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .conditions import Conditions

Array = NDArray[np.float64]
_STEP_S = 20e-6


class Motion:
    """Angle of the drive shaft against time (deg, s), from angle ``start_deg`` at time 0."""

    def __init__(self, c: Conditions) -> None:
        self.c = c
        corners = np.array(c.profile)
        self.corner_s, self.corner_rpm = corners[:, 0], corners[:, 1]
        n = int(np.ceil(c.seconds / _STEP_S)) + 1
        self.grid_s = np.unique(np.concatenate([np.arange(n) * _STEP_S, self.corner_s]))
        rate = self.speed(self.grid_s)
        step = np.diff(self.grid_s) * (rate[1:] + rate[:-1]) / 2
        self.base = self._warp(np.array([c.start_deg]))[0] + np.concatenate([[0], np.cumsum(step)])
        # A standing shaft gives equal angles; a hair of slope keeps the inverse single-valued.
        self.base = self.base + self.grid_s * 1e-9
        self.end_deg = float(self._unwarp(self.base[-1:])[0])

    def mean_rpm(self, t: Array) -> Array:
        return np.interp(t, self.corner_s, self.corner_rpm)

    def speed(self, t: Array) -> Array:
        """Base speed, deg/s, the free ripple included."""
        share, hz, phase = self.c.ripple_free
        return self.mean_rpm(t) * 6.0 * (1 + share * np.sin(2 * np.pi * hz * t + phase))

    def _warp(self, angle: Array) -> Array:
        """Base angle of a shaft angle: its slope is 1 + share * sin(k angle + phase)."""
        share, k, phase = self.c.ripple_locked
        return angle - np.rad2deg(share / k) * np.cos(k * np.deg2rad(angle) + phase)

    def _unwarp(self, base: Array) -> Array:
        angle = base.copy()
        share, k, phase = self.c.ripple_locked
        for _ in range(40):
            angle = base + np.rad2deg(share / k) * np.cos(k * np.deg2rad(angle) + phase)
        return angle

    def time(self, angle: Array) -> Array:
        """Times at which the shaft passes ``angle``; must lie inside the run."""
        base = self._warp(angle)
        t = np.interp(base, self.base, self.grid_s)
        i = np.clip(np.searchsorted(self.base, base) - 1, 0, self.grid_s.size - 2)
        # Second order inside the step: speed is a straight line there to 1e-9.
        s0, t0 = self.speed(self.grid_s[i]), self.grid_s[i]
        for _ in range(2):
            here = self.base[i] + (t - t0) * (s0 + self.speed(t)) / 2
            slope = np.maximum(self.speed(t), 1e-3)
            step = np.where(self.speed(t) > 1.0, (base - here) / slope, 0.0)
            t = np.clip(t + step, t0, self.grid_s[i + 1])
        return t

    def angle(self, t: Array) -> Array:
        return self._unwarp(np.interp(t, self.grid_s, self.base))


@dataclass(frozen=True)
class Contact:
    """Changes of the contact in time order; ``closed`` is the state after each.

    opening_s, opening_lobe, opening_true_deg   the openings of the cam alone, without bounce:
        time, lobe (0 is lobe 1), and the cam angle drawn for it less that lobe's own mean
    dwell_true_deg  closed angle that ended there, NaN where its closing was before the trace
    """

    time_s: Array
    closed: NDArray[np.bool_]
    bounced: NDArray[np.bool_]
    starts_closed: bool
    opening_s: Array
    opening_lobe: NDArray[np.int64]
    opening_true_deg: Array
    dwell_true_deg: Array
    opening_at_deg: Array
    closings_bounced: int


def advance_deg(c: Conditions, rpm: Array, falling: Array | bool = False) -> Array:
    if not c.advance:
        return np.zeros_like(rpm)
    up, down = np.array(c.advance), np.array(c.advance_falling or c.advance)
    return np.where(
        falling, np.interp(rpm, down[:, 0], down[:, 1]), np.interp(rpm, up[:, 0], up[:, 1])
    )


def vacuum_deg(c: Conditions, t: Array) -> Array:
    """What the vacuum turns the plate by at each instant."""
    plate = np.zeros_like(t)
    before = 0.0
    for at, target in c.vacuum:
        after = 1.0 - np.exp(-np.maximum(t - at, 0.0) / c.vacuum_lag_s)
        plate += (target - before) * after
        before = target
    return plate


def contact(c: Conditions, motion: Motion, rng: np.random.Generator) -> Contact:
    """All changes of the contact during the run."""
    turns = np.arange(np.floor(c.start_deg / 360) - 1, np.ceil(motion.end_deg / 360) + 2)
    lobe = np.tile(np.arange(c.lobes), turns.size)
    turn = np.repeat(turns, c.lobes)
    wander = np.repeat(rng.normal(0, c.wander_deg, turns.size), c.lobes)
    opening = np.array(c.opening_deg)[lobe] + 360 * turn
    drawn = rng.normal(0, c.scatter_deg, lobe.size) + wander
    closing_drawn = rng.normal(0, c.closing_scatter_deg, lobe.size) + wander
    closing = opening - np.array(c.dwell_deg)[lobe] + closing_drawn
    opening = opening + drawn

    # The end of the stay at the highest speed.
    top_s = motion.corner_s[np.flatnonzero(motion.corner_rpm == motion.corner_rpm.max())[-1]]

    def shifted(cam: Array, closing: bool = False) -> Array:
        """Shaft angle at which the cam, ahead by the advance of that moment, is at ``cam``."""
        shaft = cam.copy()
        for _ in range(30 if c.advance or c.vacuum else 0):
            inside = np.clip(shaft, c.start_deg, motion.end_deg)
            t = np.interp(motion._warp(inside), motion.base, motion.grid_s)
            past = t > top_s
            ahead = advance_deg(c, motion.mean_rpm(t), past)
            if c.vacuum:
                ahead = ahead + (1.0 - closing * c.vacuum_dwell_deg) * vacuum_deg(c, t)
            shaft = 0.5 * shaft + 0.5 * (cam - ahead)
        return shaft

    opening_at, closing_at = shifted(opening), shifted(closing, closing=True)
    order = np.argsort(np.concatenate([opening_at, closing_at]), kind="stable")
    at = np.concatenate([opening_at, closing_at])[order]
    closes = np.concatenate([np.zeros(lobe.size, bool), np.ones(lobe.size, bool)])[order]
    if not (np.diff(closes.astype(int)) != 0).all():
        raise ValueError("openings and closings do not alternate: dwell or scatter too large")
    inside = (at > c.start_deg) & (at < motion.end_deg)
    before = np.flatnonzero(at <= c.start_deg)
    starts_closed = bool(closes[before[-1]])
    at, closes = at[inside], closes[inside]
    t = motion.time(at)

    index = np.argsort(opening_at)
    keep = index[(opening_at[index] > c.start_deg) & (opening_at[index] < motion.end_deg)]
    whole = closing_at[keep] > c.start_deg
    dwell_true = np.where(whole, opening_at[keep] - closing_at[keep], np.nan)

    bounced = np.zeros(t.size, bool)
    count = 0
    if c.bounce > 0:
        extra_t, extra_closed = [], []
        for k in np.flatnonzero(closes):
            until = t[k + 1] if k + 1 < t.size else t[k]
            room = 0.4 * (until - t[k])
            if rng.random() >= c.bounce:
                continue
            now, some = t[k], False
            for _ in range(int(rng.integers(1, c.bounce_most + 1))):
                up = now + rng.uniform(20e-6, 150e-6)
                down = up + np.exp(rng.uniform(*np.log(c.bounce_open_s)))
                if down > t[k] + room:
                    break
                extra_t += [up, down]
                extra_closed += [False, True]
                now, some = down, True
            count += some
        t = np.concatenate([t, extra_t])
        closes = np.concatenate([closes, np.array(extra_closed, bool)])
        bounced = np.concatenate([bounced, np.ones(len(extra_t), bool)])
        order = np.argsort(t, kind="stable")
        t, closes, bounced = t[order], closes[order], bounced[order]
    return Contact(
        time_s=t,
        closed=closes,
        bounced=bounced,
        starts_closed=starts_closed,
        opening_s=motion.time(opening_at[keep]),
        opening_lobe=lobe[keep],
        opening_true_deg=drawn[keep],
        dwell_true_deg=dwell_true,
        opening_at_deg=opening_at[keep],
        closings_bounced=count,
    )
