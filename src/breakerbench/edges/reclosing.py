"""Placing the re-closings that end a bounce between samples."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from breakerbench.edges.contact import Contacts
from breakerbench.edges.shapes import LN2, Response

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


def settled_at(contacts: Contacts, touch: Floats, response: Response) -> Floats:
    """(n,) when each contact had settled, samples: its last re-closing, or else its ``touch``."""
    settled = touch.copy()
    bounced = np.flatnonzero(contacts.bounces)
    if len(bounced):
        again, noise = contacts.again[bounced], contacts.touch.noise[bounced]
        settled[bounced] = place_reclosings(contacts.back.at[bounced], again, noise, response)
    return settled


def place_reclosings(at: Ints, w: Floats, noise: Floats, r: Response) -> Floats:
    """Re-closings of a bounce between samples, by the convention of all edges.

    at     (n,) first sample in the closed band
    w      (n, m) the samples up to and with that one, less the closed level; 0 before the loss
    noise  (n,) standard deviation

    A contact lost for a moment may close again while the front end (first order, time constant tau)
    still rises. From b, the last sample before it turns, it goes on towards the open level V for a
    share s of a sample, then falls to a, the next one. With q = exp(-s / tau) that is

        a = exp(-1 / tau) (V / q - (V - b))      so      q = V / (a exp(1 / tau) + V - b)

    A condenser's rise and a coil's open contact are taken to stand still for that sample: V = b.
    """
    rows, last = np.arange(len(w)), w.shape[1] - 1
    its_own = w != 0.0
    w = np.where(its_own, np.abs(w - r.closed), 0.0)
    peak = w[:, 1:last].max(axis=1)
    # The last sample before it turns is this one or the one before it.
    high = w[:, 1:last] >= (peak - 4.0 * noise)[:, None]
    k = last - 1 - np.argmax(high[:, ::-1], axis=1)
    tau = max(r.tau, 1e-3)
    stands = r.coil or r.rise > 0.0
    grown = np.exp(min(1.0 / tau, 700.0))

    def turned(before: Floats, after: Floats) -> Floats:
        level = np.maximum(before if stands else np.maximum(r.open_level, before), 1e-12)
        q = level / np.maximum(after * grown + level - before, 1e-12)
        return np.asarray(-tau * np.log(q))

    before, here, after = w[rows, k - 1], w[rows, k], w[rows, k + 1]
    early = turned(before, here)
    late = np.clip(turned(here, after), 0.0, 1.0)
    # Where the fall is over by the next sample it began anywhere before that.
    floor = 3.0 * noise
    longest = np.clip(1.0 - tau * np.log(np.maximum(here / floor, 1.0)), 0.0, 1.0)
    late = np.where(after < floor, 0.5 * longest, late)
    # Not where it was lost only after the sample before: it then rose for less than a whole one.
    turns = np.where((early < 0.95) & its_own[rows, k - 1], np.clip(early, 0.0, 1.0) - 1.0, late)
    return np.asarray(at - last + k + turns + r.tau * LN2)
