"""Turning by hand: jerks, rests and going back, and what the contact makes of it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from breakerbench.bench.cam import Cam
from breakerbench.bench.contact import Contact, Turning
from breakerbench.bench.drive import Drive
from breakerbench.bench.motion import Motion, Path
from breakerbench.bench.randomness import stream

Floats = NDArray[np.float64]

#: Slowest and fastest that a hand turns between rests, rpm.
SLOW_RPM, FAST_RPM = 5.0, 30.0


def by_hand(seed: int, seconds: float, start_deg: float = 200.0) -> Drive:
    """A distributor turned by hand for a time: 5 to 30 rpm with jerks, rests and going back.

    From memory, no source: a hand turns a quarter of a second to a second at one speed, stands
    after about every sixth pull and goes back a little after about every eighth.
    """
    chance = stream(seed, "hand")
    points = [(0.0, 0.0), (0.4, 0.0)]
    while points[-1][0] < seconds:
        time = points[-1][0]
        kind = chance.random()
        if kind < 1.0 / 8.0:
            speed, lasts = -chance.uniform(SLOW_RPM, 15.0), chance.uniform(0.2, 0.6)
        elif kind < 1.0 / 8.0 + 1.0 / 6.0:
            speed, lasts = 0.0, chance.uniform(0.3, 1.2)
        else:
            speed, lasts = chance.uniform(SLOW_RPM, FAST_RPM), chance.uniform(0.25, 1.0)
        changes = chance.uniform(0.03, 0.15)
        points += [(time + changes, speed), (time + changes + lasts, speed)]
    times, speeds = np.array(points).T
    kept = [(time, speed) for time, speed in points if time < seconds]
    kept.append((seconds, float(np.interp(seconds, times, speeds))))
    return Drive(tuple(kept), start_deg=start_deg, by_hand=True)


def contact_both_ways(turning: Turning, motion: Motion, cam: Cam) -> Contact:
    """Changes of state where the cam may go back.

    Each edge of the cam works wherever the cam passes it: forwards an opening opens, backwards it
    closes.
    """
    path = motion.cam
    if not isinstance(path, Path):
        raise ValueError("a cam that turns with its drive alone goes one way")
    opens = turning.open_deg + motion.seen_deg(turning.open_s)
    closes = turning.close_deg + motion.seen_deg(turning.close_s)
    edges = np.stack((opens, closes), axis=-1).ravel()
    there = ~np.isnan(edges)
    closing = np.tile([False, True], opens.size)[there]
    which, time_s, forward = path.passings(edges[there])
    closed = closing[which] == forward
    before = int(np.searchsorted(edges[there], path.knots_deg[0], side="right"))
    closed_at_start = bool(closing[before - 1]) if before else cam.gap_mm < cam.lift_mm
    # two changes at one instant are none
    while np.any(same := np.diff(time_s) <= 0.0):
        at = int(np.argmax(same))
        time_s, closed = np.delete(time_s, (at, at + 1)), np.delete(closed, (at, at + 1))
    return Contact(time_s, closed, closed_at_start)


def chattering(contact: Contact, longest_s: float, seed: int) -> Contact:
    """A contact that touches one to four times after each separation, for up to ``longest_s``."""
    chance = stream(seed, "chatter")
    times, states = [contact.time_s], [contact.closed]
    room_s = 0.8 * np.diff(contact.time_s, append=np.inf)
    for at in np.flatnonzero(~contact.closed):
        lasting = min(longest_s * chance.random(), float(room_s[at]))
        touches = int(chance.integers(1, 5))
        after = lasting * np.sort(chance.uniform(0.02, 1.0, 2 * touches))
        times.append(contact.time_s[at] + after)
        states.append(np.tile([True, False], touches))
    together = np.concatenate(times)
    order = np.argsort(together, kind="stable")
    return Contact(together[order], np.concatenate(states)[order], contact.closed_at_start)
