"""Traces in which single events of the contact are put in or taken out, and what is so true of them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any
from unittest.mock import patch

import numpy as np
from numpy.typing import NDArray

from . import motion as motion_
from .conditions import draw
from .generator import TraceSource, make

Array = NDArray[np.float64]
Edit = Callable[[motion_.Contact, motion_.Motion], motion_.Contact]


@dataclass(frozen=True)
class Settled:
    """True closings of a trace in order: speed (rpm) and settling time (s, 0: did not bounce)."""

    rpm: Array
    settle_s: Array


def made(
    seed: int, edit: Edit, **given: Any
) -> tuple[TraceSource, motion_.Contact, motion_.Motion]:
    """A trace whose contact went through ``edit`` before the circuit saw it."""
    blocks = given.pop("blocks", 65536)
    found: list[Any] = []
    plain = motion_.contact

    def contact(c: Any, motion: motion_.Motion, rng: Any) -> motion_.Contact:
        found[:] = edit(plain(c, motion, rng), motion), motion
        return found[0]

    with patch.object(motion_, "contact", contact):
        trace = make(draw(seed, **given))
    return TraceSource(trace, blocks=blocks), found[0], found[1]


def settling(contact: motion_.Contact, motion: motion_.Motion) -> Settled:
    """What the events say: a first touch and the last re-closing after it."""
    first = np.flatnonzero(contact.closed & ~contact.bounced)
    again = np.flatnonzero(contact.closed & contact.bounced)
    settle = np.zeros(len(first))
    group = np.searchsorted(first, again) - 1
    np.maximum.at(settle, group, contact.time_s[again] - contact.time_s[first[group]])
    return Settled(motion.mean_rpm(contact.time_s[first]), settle)


def with_bounce(settle_s: Callable[[float], float], share: float, seed: int) -> Edit:
    """One loss of contact after a share of the closings, over at ``settle_s`` (of the speed)."""

    def edit(contact: motion_.Contact, motion: motion_.Motion) -> motion_.Contact:
        rng = np.random.default_rng(seed)
        t = contact.time_s[contact.closed]
        rpm = motion.mean_rpm(t)
        chosen = rng.random(len(t)) < share
        back = t[chosen] + np.array([settle_s(float(v)) for v in rpm[chosen]])
        lost = t[chosen] + rng.uniform(0.2, 0.6, len(back)) * (back - t[chosen])
        return _with(contact, np.concatenate([lost, back]), np.arange(2 * len(back)) >= len(back))

    return edit


def _with(contact: motion_.Contact, t: Array, closed: NDArray[np.bool_]) -> motion_.Contact:
    every = np.concatenate([contact.time_s, t])
    order = np.argsort(every)
    return replace(
        contact,
        time_s=every[order],
        closed=np.concatenate([contact.closed, closed])[order],
        bounced=np.concatenate([contact.bounced, np.ones(len(t), bool)])[order],
    )


def without(first: list[int]) -> Edit:
    """The contact held as it is through the change ``first`` and the next one, for each of them."""

    def edit(contact: motion_.Contact, _: motion_.Motion) -> motion_.Contact:
        keep = np.ones(len(contact.time_s), bool)
        for k in first:
            keep[k : k + 2] = False
        return replace(
            contact,
            time_s=contact.time_s[keep],
            closed=contact.closed[keep],
            bounced=contact.bounced[keep],
        )

    return edit
