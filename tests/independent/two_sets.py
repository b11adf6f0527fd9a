"""Two sets of points before one converter: the union of two contacts, counted edge by edge.

Each set is a distributor of this generator with one shaft; together the contact is closed as long as
at least one of them is.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import motion as motion_
from . import reference, waveform
from .conditions import Conditions, draw
from .generator import Made, TraceSource

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Pair:
    """Sources of the first set alone, the second and both; their conditions."""

    first: TraceSource
    second: TraceSource
    both: TraceSource
    conditions: tuple[Conditions, Conditions]
    closed: tuple[motion_.Contact, motion_.Contact, motion_.Contact]


def either(a: motion_.Contact, b: motion_.Contact) -> motion_.Contact:
    """How many are closed, kept count of; the contact changes where that leaves 0 or comes to it."""
    times = np.concatenate([a.time_s, b.time_s])
    steps = np.concatenate([np.where(one.closed, 1, -1) for one in (a, b)])
    order = np.argsort(times, kind="stable")
    count = np.cumsum(steps[order]) + a.starts_closed + b.starts_closed
    closed = count > 0
    before = np.concatenate([[a.starts_closed or b.starts_closed], closed[:-1]])
    changes = closed != before
    n = int(changes.sum())
    none = np.zeros(0)
    return motion_.Contact(
        time_s=times[order][changes], closed=closed[changes], bounced=np.zeros(n, bool),
        starts_closed=bool(before[0]), opening_s=none, opening_lobe=np.zeros(0, np.int64),
        opening_true_deg=none, dwell_true_deg=none, opening_at_deg=none, closings_bounced=0,
    )  # fmt: skip


def pair(seed: int, after_deg: float, dwell_deg: tuple[float, float], **given: Any) -> Pair:
    """The second opens ``after_deg`` after the first; three runs of one shaft, each its own chance."""
    blocks = given.pop("blocks", 65536)
    moved = given.pop("moved_deg", 0.0)  # of the index, before the recording of both
    c = replace(draw(seed, **given), bounce=0.0)
    one = replace(c, dwell_deg=(dwell_deg[0],) * c.lobes)
    two = replace(
        c,
        opening_deg=tuple(x + after_deg for x in c.opening_deg),
        dwell_deg=(dwell_deg[1],) * c.lobes,
    )

    def contact(which: Conditions, run: int) -> motion_.Contact:
        rng = np.random.default_rng([seed, run, which is two])
        late = tuple(x + moved * (run == 2) for x in which.opening_deg)
        which = replace(which, opening_deg=late)
        return motion_.contact(which, motion_.Motion(which), rng)

    contacts = contact(one, 0), contact(two, 1), either(contact(one, 2), contact(two, 2))
    sources = [TraceSource(_made(c, one, k), blocks) for k, one in enumerate(contacts)]
    return Pair(sources[0], sources[1], sources[2], (one, two), contacts)


def _made(c: Conditions, contact: motion_.Contact, run: int) -> Made:
    rng = np.random.default_rng([c.seed, run, 0xF00D])
    motion = motion_.Motion(c)
    t = np.arange(c.samples) / c.rate_hz
    counts = waveform.counts(c, waveform.points_volts(c, contact, t), t, rng)
    edges = {}
    for name, how, pulses in (
        ("index", c.index, reference.index_pulses),
        ("encoder", c.encoder, reference.encoder_pulses),
    ):
        if how != "none":
            edges[name] = reference.edges(c, *pulses(c, motion, rng), inverted=False)
    return Made(c, counts, {}, edges, {})
