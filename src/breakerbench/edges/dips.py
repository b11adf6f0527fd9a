"""Touches of a dry feed so short that the signal never comes to closed, or not for a sample.

The front end turns a touch of some microseconds into a dip: it falls towards closed while the contact
touches and rises back when it is lost, both with the time constant tau of the front end. Where such a
dip stands among samples of the open level it is a touch, and its fall tells when it began.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from breakerbench.edges.crossings import PRE, Crossings
from breakerbench.edges.levels import band_high, band_low, dip_begin
from breakerbench.edges.shapes import LN2, Placed

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

#: Dips belong to a touch that comes within this share of the open time after them.
NEAR_SHARE = 0.35
#: Samples to either side of a short touch in which the open level shows.
BESIDE = 4
#: A front end faster than this, in samples, shows no fall.
LEAST_TAU = 0.05


def is_dip(c: Crossings) -> Bools:
    """True for crossings into a dip: the first sample in the new state lies outside the closed band."""
    return np.asarray(c.columns(PRE, PRE + 1)[:, 0] > band_low(c.swing, c.noise))


def is_sharp(c: Crossings, length: Ints) -> Bools:
    """True for short runs at closed that come from the open level and go far back up, as a touch does."""
    rows = np.arange(len(c))[:, None]
    after = PRE + length[:, None] + np.arange(BESIDE)
    before = c.columns(PRE - BESIDE, PRE).max(axis=1)
    fell = before > c.swing - dip_begin(c.swing, c.noise)
    return np.asarray(fell & (c.window[rows, after].max(axis=1) > band_high(c.swing, c.noise)))


def without_far_dips(
    touch: Crossings, leave: Crossings, last_leave: int | None
) -> tuple[Crossings, Crossings]:
    """Runs less the dips that no touch follows soon: those are no bounce.

    last_leave  sample at which the run before these ended, where one is known
    """
    dip = is_dip(touch)
    if not dip.any():
        return touch, leave
    plain = np.flatnonzero(~dip)
    if not len(plain):
        return touch.pick(plain), leave.pick(plain)
    own = np.flatnonzero(dip)
    after = np.searchsorted(plain, own)
    last = len(plain) - 1
    until = touch.at[plain[np.minimum(after, last)]]
    since = leave.at[plain[np.maximum(after - 1, 0)]]
    since = np.where(after > 0, since, until if last_leave is None else last_leave)
    near = (until - touch.at[own] <= NEAR_SHARE * (until - since)) & (after <= last)
    keep = ~dip
    keep[own[near]] = True
    return touch.pick(keep), leave.pick(keep)


def lasting(back: Crossings, start: Floats) -> Crossings:
    """Closings that end a bounce, with the open level ``start`` before them instead of the bounce.

    Those of which the loss before was too short to come to that level are left out.
    """
    start = np.full(len(back), float(np.median(start)))
    mark = start - dip_begin(start, back.noise)
    window = back.window.copy()
    high = window[:, :PRE] >= mark[:, None]
    last = PRE - 1 - np.argmax(high[:, ::-1], axis=1)
    window = np.where(np.arange(window.shape[1]) < last[:, None], start[:, None], window)
    good = high.any(axis=1) & (last >= PRE - BESIDE)
    # From there it falls without coming up again, or there was one more touch.
    falls = window[:, PRE - BESIDE : PRE + 2 * BESIDE]
    up = np.diff(falls, axis=1) > np.maximum(6.0 * back.noise, 0.02 * start)[:, None]
    later = np.arange(PRE - BESIDE, PRE + 2 * BESIDE - 1) >= last[:, None]
    good &= ~(up & later).any(axis=1)
    whole = Crossings(back.at, back.out, window, back.closed, back.swing, back.noise)
    return whole.take(good)


def _slow(w: Floats, mark: Floats, c: Crossings, tau: float) -> Bools:
    """True where the sample after one below ``mark`` stands higher than the fall would have it."""
    a = float(np.exp(-1.0 / tau))
    here, after = w[:, :-1], w[:, 1:]
    # The closed level is known to a hundredth of the swing, tau to a tenth.
    doubt = np.maximum(6.0 * c.noise, 0.01 * c.swing)[:, None] + 0.1 * a / tau * here
    low = (here < mark[:, None]) & (here > 2.0 * doubt)
    return np.asarray(low & (after > a * here + doubt))


def begins_with_dip(c: Crossings, tau: float) -> Bools:
    """True for touches on whose way to closed the contact was lost again: the fall is too slow."""
    mark = c.swing - dip_begin(c.swing, c.noise)
    w = c.columns(PRE - BESIDE, PRE + 1)
    return np.asarray(_slow(w, mark, c, max(tau, LEAST_TAU)).any(axis=1) | is_dip(c))


def place_dips(c: Crossings, start: Floats, tau: float) -> tuple[Placed, Bools]:
    """Touches that made dips (``begins_with_dip``), by the convention of all edges; which are vague.

    start  open level before each

    From the touch on the signal is start exp(-t / tau). Where the sample before the dip lies lower
    than open already, that tells; else the first sample s1 in the dip does, if the one after it lies
    lower than a rise from s1 would. Where it does not, the touch was over by s1: it began anywhere
    between the sample before and where it would if it had not been. It may have been over as well
    where the one after lies higher than on the fall.
    """
    tau = max(tau, LEAST_TAU)
    rows = np.arange(len(c))
    high = c.columns(0, PRE) >= (start - dip_begin(start, c.noise))[:, None]
    last = PRE - 1 - np.argmax(high[:, ::-1], axis=1)
    window = c.window
    before, here, after = (window[rows, last + k] for k in range(3))
    floor = np.maximum(3.0 * c.noise, 0.02 * start)
    least = np.minimum(tau * np.log(np.maximum(start / np.maximum(here, floor), 1.0)), 1.0)
    lasts = (after < start - (start - here) * np.exp(-1.0 / tau) - 4.0 * c.noise) & (here > floor)
    ago = np.where(lasts, least, 0.5 * (least + 1.0))
    u = np.where(lasts, 0.05, np.maximum(1.0 - least, 0.1) / np.sqrt(12.0))
    begun = (start - before > 5.0 * c.noise) & (here < before)
    fallen = tau * np.log(np.maximum(start / np.maximum(before, 0.1 * start), 1.0))
    ago = np.where(begun, 1.0 + fallen, ago)
    u = np.where(begun, np.maximum(tau * c.noise / start, 0.05), u)
    pair = np.stack([here, after], axis=1)
    vague = ~begun & (~lasts | _slow(pair, np.full(len(c), np.inf), c, tau)[:, 0])
    return Placed(np.asarray(c.at + (last + 1 - PRE) - ago + tau * LN2, np.float64), u), vague
